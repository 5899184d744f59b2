"""Levels of areas and weeks: thick ones as they are, thin ones low, honest and nearly unbiased."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analytics.catch_rates.standardised_levels import all_areas, levels_of, series_of
from analytics.catch_rates.trips import CELL, fitted
from analytics.codes import has_code
from analytics.errors import UsageError
from analytics.models.cell_levels import count_response, level_shares, spread_by_cluster
from analytics.models.count_likelihood import Family
from analytics.models.count_warm_start import coded_rows, fit_warm_start
from analytics.models.maximum_likelihood import maximise
from analytics.models.shrinkage import BiasReduced, ShrinkageLikelihood

AREAS = {"A": 0.6, "B": 0.3, "C": 0.4}
WEEKS = tuple(f"2031-W{week:02}" for week in range(2, 12))
TERMS = ("method", "party")


def trips(seed, path, *, days=2, boats=4, day_sd=0.2):
    """Return trips whose rate follows a path by week, shape (W,), in three areas."""
    rng = np.random.default_rng([31, seed])
    shape = (len(WEEKS), len(AREAS), days, boats)
    week, area, _, _ = np.unravel_index(np.arange(np.prod(shape)), shape)
    unit = np.arange(len(week)) // boats
    party = rng.integers(1, 4, len(week))
    hours = party * rng.uniform(2, 6, len(week))
    trolled = rng.random(len(week)) < 0.5
    luck = rng.lognormal(-(day_sd**2) / 2, day_sd, unit.max() + 1)[unit]
    rate = path[week] * np.array(list(AREAS.values()))[area] * np.where(trolled, 1.3, 0.7)
    met = rng.poisson(rate * hours * luck * rng.gamma(1 / 0.6, 0.6, len(week)))
    return pd.DataFrame(
        {
            "area": np.array(list(AREAS))[area],
            "week": np.array(WEEKS)[week],
            "week_number": week.astype(float),
            "sample_id": unit.astype(str),
            "site": "r",
            "method": np.where(trolled, "trolling", "jigging"),
            "day_group": "1",
            "party": party.astype(float),
            "encounters": met,
            "sublegal": rng.binomial(met, 0.7),
            "angler_hours": hours,
        }
    )


def index_of(rows, response="encounters"):
    data = fitted(rows, response)
    usual = "beta_binomial" if response == "sublegal" else "negative_binomial"
    return levels_of(data, terms=TERMS, family=usual, mix=rows)


def seasons(n, path, **given):
    """Return log errors and their z-scores of many seasons: all areas (n, W), and each area."""
    whole, z, empty = [], [], []
    for seed in range(n):
        rows = trips(seed, path, **given)
        levels = index_of(rows)
        weight = rows.groupby("area")["angler_hours"].sum()
        series = all_areas(levels, WEEKS, weight.to_dict(), is_share=False)
        mean = sum(AREAS[area] * hours for area, hours in weight.items()) / weight.sum()
        whole.append(series.value - np.log(path * mean))
        for area, one in series_of(levels, WEEKS).items():
            z.append((one.value - np.log(path * AREAS[area])) / one.se)
        empty.append((rows.groupby(["area", "week"])["encounters"].sum() == 0).mean())
    return np.array(whole), np.array(z), float(np.mean(empty))


def test_thin_seasons_are_nearly_unbiased_and_their_intervals_hold():
    whole, z, empty = seasons(50, np.full(len(WEEKS), 0.05))
    assert empty > 0.25
    # 500 weeks with a spread of 0.55: an error of 0.025.
    assert abs(whole.mean()) < 0.1
    # 1,500 intervals; by week and area they hang together.
    assert 0.90 < (np.abs(z) < 1.96).mean() < 0.98


def test_a_fall_to_a_twentieth_is_seen_as_deep_as_it_is():
    path = np.full(len(WEEKS), 0.4)
    path[-4:] *= [0.5, 0.25, 0.1, 0.05]
    whole, _, _ = seasons(40, path)
    assert np.abs(whole[:, -4:].mean(axis=0)).max() < 0.35
    assert abs(whole[:, -4:].mean()) < 0.2


@pytest.mark.parametrize("days", [2, 3])
def test_site_days_count_also_where_a_cell_has_two_or_three(days):
    _, z, _ = seasons(25, np.full(len(WEEKS), 1.0), days=days, boats=8, day_sd=0.5)
    assert 0.88 < (np.abs(z) < 1.96).mean() < 0.98
    level = index_of(trips(1, np.full(len(WEEKS), 1.0), days=days, boats=8, day_sd=0.5))
    assert level.cluster_factor > 1.5


def test_thick_levels_are_those_of_the_plain_regression():
    rows = trips(3, np.full(len(WEEKS), 1.5), days=10, boats=8)
    found = index_of(rows)
    frame = fitted(rows, "encounters").frame
    asked = coded_rows(frame, response="encounters", exposure="angler_hours", terms=[CELL, *TERMS])
    plain = fit_warm_start(asked, [CELL, *TERMS], family="negative_binomial")
    mean = rows["angler_hours"].groupby(rows["method"]).sum() / rows["angler_hours"].sum()
    b = plain.coefficients.set_index("term")["estimate"]
    want = np.array(
        [
            b["intercept"] + b.get(f"{CELL}[{a} {w}]", 0.0)
            for a, w in zip(found.area, found.week, strict=True)
        ]
    )
    off = found.value - want
    assert mean["trolling"] == pytest.approx(0.5, abs=0.05)
    # Alike but for the mix, which is the same for all.
    assert np.abs(off - off.mean()).max() < 0.03
    errors = np.sqrt(np.diag(found.cov) / found.cluster_factor)
    of_plain = plain.coefficients.set_index("term")["se"].drop(["intercept"])
    assert errors.mean() < of_plain[of_plain.index.str.startswith(CELL)].mean()


def test_shares_of_one_kind_are_extreme_with_wide_errors():
    rows = trips(5, np.full(len(WEEKS), 1.0))
    cell = (rows["area"] == "B") & (rows["week"] == WEEKS[3])
    rows.loc[cell, "sublegal"] = rows.loc[cell, "encounters"]
    data = fitted(rows, "sublegal")
    found = index_of(rows, "sublegal")
    place = list(zip(found.area, found.week, strict=True)).index(("B", WEEKS[3]))
    assert has_code(data.reasons["B", WEEKS[3]], "all_sublegal")
    share = 1 / (1 + np.exp(-found.value))
    assert share[place] == share.max()
    assert share[place] < 1
    errors = np.sqrt(np.diag(found.cov))
    assert errors[place] > 1.3 * np.median(errors)


def test_a_flat_rate_without_others_takes_half_a_fish_more():
    # One factor of counts: Firth's estimate is (y + 1/2) over the effort.
    frame = pd.DataFrame({"fish": [0, 4, 9], "hours": [10.0, 10.0, 20.0], "level": list("abc")})
    rows = coded_rows(frame, response="fish", exposure="hours", terms=["level"])
    data = count_response(rows, Family.POISSON)
    order = rows.groups["level"].map({"a": 0, "b": 1, "c": 2}).to_numpy()
    reduced = BiasReduced(
        data.likelihood("poisson", np.eye(3)[order]), np.eye(3)[order], data.size, False
    )
    found = maximise(reduced, np.zeros(3))
    assert np.exp(found) == pytest.approx([0.05, 0.45, 9.5 / 20])


class Flat:
    """A likelihood that says nothing of its parameters."""

    def value(self, params):
        return 0.0

    def score(self, params):
        return np.zeros(len(params))

    def hessian(self, params):
        return np.zeros((len(params), len(params)))


@pytest.mark.parametrize("is_share", [True, False])
def test_penalties_agree_with_their_differences(is_share):
    rng = np.random.default_rng(1)
    rows, at = rng.normal(size=(6, 3)), rng.normal(size=4)
    for one in (
        BiasReduced(Flat(), rows, rng.uniform(1, 5, 6), is_share),
        ShrinkageLikelihood(Flat(), rows, rng.normal(size=6), rng.normal(size=3), 1.0, is_share),
    ):
        steps = 1e-6 * np.eye(4)
        slope = [(one.value(at + step) - one.value(at - step)) / 2e-6 for step in steps]
        np.testing.assert_allclose(one.score(at), slope, atol=1e-7)
    curve = [(one.score(at + step) - one.score(at - step)) / 2e-6 for step in steps]
    np.testing.assert_allclose(one.hessian(at), curve, atol=1e-7)


@pytest.mark.filterwarnings("ignore:overflow encountered", "ignore:invalid value encountered")
def test_a_search_that_leaves_the_numbers_ends_in_none_and_no_error():
    reduced = BiasReduced(Flat(), np.eye(3), np.ones(3), False)
    assert np.isnan(reduced.score(np.array([800.0, 0.0, -800.0]))).all()
    assert maximise(reduced, np.full(3, 800.0)) is None


def test_spread_of_one_cell_is_the_sandwich():
    score = np.array([1.0, -2.0, 1.5, -0.5])
    cluster, cell = np.arange(4), np.zeros(4, dtype=np.int64)
    found = spread_by_cluster(score, np.ones(4), cell, cluster, np.array([True]))
    assert found == pytest.approx(max(score.var(ddof=1), 1.0))
    assert np.isnan(spread_by_cluster(score, np.ones(4), cell, cell, np.array([True])))
    assert np.isnan(spread_by_cluster(score, np.ones(4), cell, cluster, np.array([False])))


def test_shares_without_two_kinds_are_refused():
    rows = trips(7, np.full(len(WEEKS), 0.5)).assign(area_week="x")
    with pytest.raises(UsageError, match="all_of_one_kind"):
        level_shares(
            rows.assign(sublegal=0),
            successes="sublegal",
            trials="encounters",
            cell=CELL,
            parts=("area",),
            others=(),
            cluster="sample_id",
            family="binomial",
        )
