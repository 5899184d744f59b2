"""Encounters by class from a composition sample, through result rows, to the printed digits.

Conrad & McHugh (2008), Assessment of two methods for estimating total Chinook salmon encounters in
Puget Sound/Strait of Juan de Fuca mark-selective Chinook fisheries, compare the method with what
anglers report; the formulas are derived. 200 fish kept with a coefficient of variation of 0.10; a
sample of 30 legal marked, 18 legal unmarked, 42 sublegal marked and 30 sublegal unmarked fish.
"""

from __future__ import annotations

import math

import pytest

from analytics.codes import coded
from analytics.estimates.estimate import estimate_snapshot
from analytics.estimates.season_survey import prepare_survey
from analytics.released.composition import composition_tables
from tests.class_cases import boat, drawn, fish_of, sampled_survey
from tests.tables import figures

SAMPLE = (30, 18, 42, 30)
#: Five of ten site-days: 10/5 · 100 fish, and 100 · (1 - 5/10) · s²/5 with s² = 160/4 makes 20².
KEPT = (28, 12, 24, 16, 20)
PRINTED = {
    "encounter_legal_marked_fish": (200, 20.00),
    "encounter_legal_unmarked_fish": (120, 37.74),
    "encounter_sublegal_marked_fish": (280, 72.55),
    "encounter_sublegal_unmarked_fish": (200, 55.38),
}


@pytest.fixture(scope="module")
def snapshot():
    return sampled_survey(drawn(*map(boat, KEPT), frame=10), fish_of(SAMPLE))


@pytest.mark.parametrize("quantity", PRINTED)
def test_classes_of_the_sample_in_result_rows(snapshot, quantity):
    row = figures(estimate_snapshot(snapshot, by=("season",), basis="sampled"), quantity)
    fish, se = PRINTED[quantity]
    assert row["estimate"] == pytest.approx(fish)
    assert round(row["se"], 2) == se
    assert row["method"].startswith(
        f"{coded('sampled_composition')}; {coded('base_legal_marked')}; "
    )


def test_all_encounters_of_the_sample(snapshot):
    table, _ = composition_tables(prepare_survey(snapshot), level=0.95)
    rows = table.to_pandas()
    rows = rows[(rows["basis"] == "sampled") & rows["area"].isna() & rows["week"].isna()]
    row = figures(rows, "encounter_fish")
    assert row["estimate"] == pytest.approx(800)
    assert round(row["se"], 2) == 149.67
    assert (row["n_measured"], row["n_class"], row["rule"]) == (120, 120, "")


def test_the_damped_form_for_a_small_sample():
    counts = (6, 4, 8, 7)
    snapshot = sampled_survey(drawn(*map(boat, KEPT), frame=10), fish_of(counts))
    rows = estimate_snapshot(snapshot, by=("season",), basis="sampled")
    found = [figures(rows, name)["estimate"] for name in PRINTED]
    assert sum(found) == pytest.approx(200 * (25 + 1) / (6 + 1))
    assert found[2] == pytest.approx(200 * 8 / 7)


def test_a_census_leaves_the_error_of_the_sample():
    days = drawn(boat(120), boat(80), frame=2)
    rows = estimate_snapshot(sampled_survey(days, fish_of(SAMPLE)), by=("season",), basis="sampled")
    row = figures(rows, "encounter_sublegal_marked_fish")
    assert row["se"] == pytest.approx(280 * math.sqrt(1 / 42 + 1 / 30))
    # What was counted is a census; what a sample of 120 fish tells is not.
    assert row["status"] == "ok"
    assert row["df"] == pytest.approx(119)
    assert row["ci_low"] < row["estimate"] < row["ci_high"]
    base = figures(rows, "encounter_legal_marked_fish")
    assert (base["estimate"], base["se"], base["status"]) == (200, 0, "census")
