"""Laws that every stratified two-stage estimate must obey, whatever the survey."""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings, target
from hypothesis import strategies as st

from analytics.codes import has_code, sections
from analytics.data.snapshot import Snapshot
from analytics.estimates.estimate import estimate_snapshot
from analytics.quantities import QUANTITIES, QuantityKind
from tests.sizes import n_sized
from tests.tables import MONDAY, SiteDay, figures, interview, survey

SITES = {"r1": "A", "r2": "A", "r3": "B", "r4": "B"}
PLAIN = ("boat_trips", "angler_trips", "angler_hours", "kept_fish", "encounter_fish")
TOTALS = [name for name, quantity in QUANTITIES.items() if quantity.kind is QuantityKind.TOTAL]
few = settings(max_examples=n_sized(7, 25))


@st.composite
def boats(draw):
    kept = draw(st.integers(0, 3))
    return interview(
        area=draw(st.sampled_from("AB")),
        anglers=draw(st.integers(1, 4)),
        hours_fished=draw(st.sampled_from([0.5, 2.0, 5.91, 7.0])),
        kept=kept,
        kept_marked=draw(st.integers(0, kept)),
        released_legal=draw(st.integers(0, 2)),
        released_sublegal=draw(st.integers(0, 20)),
        released_unknown=draw(st.integers(0, 1)),
    )


@st.composite
def site_days(draw):
    said = draw(st.lists(boats(), max_size=4))
    unseen = draw(st.integers(0, 3)) if said else draw(st.sampled_from([0, 0, 2]))
    return SiteDay(len(said) + unseen, said)


@st.composite
def surveys(draw):
    """Up to three weeks of two areas with two ramps each; any stratum may be thin or empty."""
    slots = [(site, MONDAY + dt.timedelta(days=day)) for site in SITES for day in range(21)]
    chosen = draw(st.lists(st.sampled_from(slots), min_size=3, max_size=14, unique=True))
    days = [replace(draw(site_days()), site=site, date=date) for site, date in chosen]
    return survey(days, sites=SITES)


def rows(snapshot, by, **more):
    frame = estimate_snapshot(snapshot, by=by, **more)
    return frame[frame["quantity"].isin(TOTALS)]


@few
@given(surveys())
def test_domains_add_up(snapshot):
    """Area, week and area-by-week totals sum to the season's, but where an area has no total."""
    season = rows(snapshot, ("season",)).set_index("quantity")["estimate"]
    compared = 0
    for by in (("area", "week"), ("area",), ("week",)):
        parts = rows(snapshot, by)
        whole = parts.groupby("quantity")["estimate"].agg(lambda values: values.notna().all())
        names = [name for name in season.index if whole[name] and season.notna()[name]]
        sums = parts.groupby("quantity")["estimate"].sum()
        np.testing.assert_allclose(sums[names], season[names], rtol=1e-9, atol=1e-9)
        compared += len(names)
    # Weeks always add up to the season, where it has a figure: with no interview it has none.
    assert compared >= season[list(PLAIN)].notna().sum()
    target(compared)


@few
@given(surveys(), st.randoms(use_true_random=False))
def test_row_order_does_not_matter(snapshot, chance):
    shuffled = {}
    for name, table in snapshot.tables.items():
        order = list(range(table.num_rows))
        chance.shuffle(order)
        shuffled[name] = table.take(pa.array(order, pa.int64()))
    first = estimate_snapshot(snapshot, by=("area", "week"))
    second = estimate_snapshot(Snapshot.of(shuffled), by=("area", "week"))
    for column in ("estimate", "se", "ci_low", "ci_high", "df"):
        np.testing.assert_allclose(first[column], second[column], rtol=1e-9, atol=1e-9)
    assert (first["status"] == second["status"]).all()


@few
@given(surveys(), st.integers(2, 5))
def test_totals_and_errors_scale_with_the_catch(snapshot, factor):
    interviews = snapshot["interviews"]
    place = interviews.column_names.index("kept")
    kept = pa.array([factor * fish for fish in interviews["kept"].to_pylist()], pa.int64())
    scaled = Snapshot.of(
        {**snapshot.tables, "interviews": interviews.set_column(place, "kept", kept)}
    )
    old, new = (
        frame[frame["quantity"] == "kept_fish"]
        for frame in (rows(snapshot, ("area", "week")), rows(scaled, ("area", "week")))
    )
    for column in ("estimate", "se", "ci_low", "ci_high"):
        np.testing.assert_allclose(factor * old[column], new[column], rtol=1e-9, atol=1e-9)


@few
@given(surveys())
def test_a_wider_level_gives_a_wider_interval(snapshot):
    narrow, wide = (estimate_snapshot(snapshot, by=("week",), level=x) for x in (0.8, 0.99))
    both = narrow["se"].gt(0) & narrow["ci_low"].notna()
    # An interval too wide for a number is not given: it stands for everything above zero.
    assert (wide["ci_low"][both].fillna(0) <= narrow["ci_low"][both]).all()
    assert (wide["ci_high"][both].fillna(np.inf) >= narrow["ci_high"][both]).all()
    for frame in (narrow, wide):
        held = frame[frame["ci_low"].notna()]
        slack = 1e-9 * held["estimate"].abs()
        assert (held["ci_low"] <= held["estimate"] + slack).all()
        assert (held["estimate"] <= held["ci_high"] + slack).all()


@few
@given(st.lists(st.lists(boats(), max_size=3), min_size=1, max_size=7))
def test_a_census_has_no_error(days):
    """Every day of a one-ramp area for one week, every boat interviewed."""
    season = {"season": "2030-31", "area": "A", "open_date": MONDAY}
    season["close_date"] = MONDAY + dt.timedelta(days=len(days) - 1)
    whole = [
        SiteDay(len(said), said, date=MONDAY + dt.timedelta(days=number))
        for number, said in enumerate(days)
    ]
    frame = rows(survey(whole, sites={"r1": "A"}, seasons=[season]), ("season",))
    frame = frame[~frame["quantity"].str.contains("marked")]  # not all marks were read
    assert set(frame["status"]) == {"census"}
    assert (frame["se"] == 0).all()
    truth = sum(boat["kept"] for said in days for boat in said)
    assert figures(frame, "kept_fish")["estimate"] == pytest.approx(truth)


@few
@given(surveys())
def test_every_row_is_whole_and_says_why_it_is_not(snapshot):
    for by in (("area", "week"), ("area",), ("week",), ("season",)):
        frame = estimate_snapshot(snapshot, by=by)
        silent = frame[frame["se"].isna()]
        assert not silent["status"].eq("census").any()
        # Without an error of its own a domain may have an interval from all strata together.
        pooled = silent[silent["ci_low"].notna()]
        assert pooled["ci_method"].isin(["quasi_t", "logit_t"]).all()
        assert (pooled["ci_low"] <= pooled["estimate"]).all()
        # Only a share of all fish has nothing above it.
        whole = pooled["ci_method"].eq("logit_t") & pooled["estimate"].eq(1.0)
        assert (pooled["ci_high"] > pooled["estimate"]).eq(~whole).all()
        assert (pooled["ci_low"] < pooled["ci_high"]).all()
        assert np.isfinite(frame[["ci_low", "ci_high", "df"]].dropna()).all(axis=None)
        why = (*sections()["Why there is no error"], "no_error", "part_without_error")
        explained = silent["status"].isin(["zero_total", "no_sample"]) | np.array(
            [has_code(method, *why) for method in silent["method"]], dtype=bool
        )
        assert explained.all(), silent[~explained]
        none = frame[frame["estimate"].isna()]
        assert none["status"].isin(["no_sample", "zero_total", "no_design"]).all()


def test_every_possible_sample_gives_the_truth_on_average():
    """All 54 samples of two of four site-days and two of three boats each, equally likely.

    The mean of the estimates is the population's total, and the mean of the estimated variances
    is the variance of the estimates: both are unbiased.
    """
    population = [[0, 3, 8], [1, 1, 7], [2, 5, 5], [0, 0, 12]]
    totals, variances = _estimates_of(list(_stage_draws(population, 2, 2)), frame=4)
    assert len(totals) == 54
    assert np.mean(totals) == pytest.approx(sum(map(sum, population)))
    assert np.mean(variances) == pytest.approx(np.var(totals))


def _stage_draws(days, n, m):
    """Yield every sample of n days and m boats of each, all equally likely."""
    for chosen in itertools.combinations(days, n):
        for boats in itertools.product(*(itertools.combinations(day, m) for day in chosen)):
            yield [(len(day), said) for day, said in zip(chosen, boats, strict=True)]


def _estimates_of(samples, *, frame):
    """Return total and variance of each sample: one survey holds them all, each an area's own."""
    days = [
        SiteDay(size, [interview(area=f"A{at}", kept=y) for y in said], "all", frame, site=f"r{at}")
        for at, sample in enumerate(samples)
        for size, said in sample
    ]
    sites = {f"r{at}": f"A{at}" for at in range(len(samples))}
    found = rows(survey(days, sites=sites), ("area",))
    kept = found[found["quantity"] == "kept_fish"]
    return kept["estimate"], kept["se"] ** 2
