"""Laws of scenarios: what is only sublegal releases scales by 1/m, what is none does not move."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.estimates.alternative_estimates import divided_reports, scenario_table
from analytics.estimates.estimate import estimate_snapshot
from analytics.result_table import RESULT_COLUMNS, to_frame
from tests.properties.test_survey_laws import surveys
from tests.sizes import n_sized

SUBLEGAL_ONLY = (
    "released_sublegal_fish",
    "sublegal_per_kept",
    "encounter_sublegal_marked_fish",
    "encounter_sublegal_unmarked_fish",
)
WITHOUT_SUBLEGAL = (
    "boat_trips",
    "angler_hours",
    "kept_fish",
    "released_legal_fish",
    "kept_per_angler_trip",
    "encounter_legal_marked_fish",
)
NUMBERS = ["estimate", "se", "ci_low", "ci_high"]
multipliers = st.floats(0.1, 10)
few = settings(max_examples=n_sized(4, 12))


def of(frame, quantities):
    return frame[frame["quantity"].isin(quantities)][NUMBERS].to_numpy(float)


@few
@given(surveys(), multipliers)
def test_estimates_and_errors_scale_with_the_reports(snapshot, multiplier):
    plain = estimate_snapshot(snapshot)
    found = to_frame(scenario_table(snapshot, reports_over=[multiplier]))
    for quantities, scale in ((SUBLEGAL_ONLY, 1 / multiplier), (WITHOUT_SUBLEGAL, 1)):
        wanted, got = of(plain, quantities), of(found, quantities)
        np.testing.assert_array_equal(np.isnan(got), np.isnan(wanted))
        np.testing.assert_allclose(got, scale * wanted, rtol=1e-6, atol=1e-9)


@few
@given(surveys(), multipliers)
def test_encounters_lose_what_the_sublegal_releases_lose(snapshot, multiplier):
    plain, found = (
        frame.pivot_table("estimate", ["area", "week"], "quantity", dropna=False)
        for frame in (
            estimate_snapshot(snapshot),
            to_frame(scenario_table(snapshot, reports_over=[multiplier])),
        )
    )
    lost = plain["released_sublegal_fish"] * (1 - 1 / multiplier)
    for quantity in ("released_fish", "encounter_fish"):
        np.testing.assert_allclose(
            found[quantity], plain[quantity] - lost, rtol=1e-9, atol=1e-6, equal_nan=True
        )


@few
@given(surveys(), multipliers)
def test_two_divisions_are_one_by_the_product(snapshot, multiplier):
    twice = estimate_snapshot(divided_reports(divided_reports(snapshot, 2.0), multiplier))
    once = estimate_snapshot(divided_reports(snapshot, 2.0 * multiplier))
    np.testing.assert_allclose(
        twice[NUMBERS].to_numpy(float), once[NUMBERS].to_numpy(float), rtol=1e-6, atol=1e-9
    )


@few
@given(surveys())
def test_multiplier_one_changes_no_bit(snapshot):
    found = to_frame(scenario_table(snapshot, reports_over=[1.0]))
    assert found[list(RESULT_COLUMNS)].equals(estimate_snapshot(snapshot))
