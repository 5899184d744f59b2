"""Fits that start from one another are those of the full search."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analytics.codes import has_code
from analytics.errors import UsageError
from analytics.models.cell_levels import impute_areas
from analytics.models.count_regression import fit_counts
from analytics.models.count_warm_start import coded_rows, fit_warm_start
from analytics.models.maximum_likelihood import covariance_at
from analytics.models.share_regression import (
    fit_shares,
    fit_shares_warm,
    log_chances,
    share_influence,
    share_residuals,
)

TERMS = ("level", "method", "party")


@pytest.fixture(scope="module")
def frame():
    rng = np.random.default_rng(4)
    n = 900
    rows = pd.DataFrame(
        {
            "level": rng.choice(["a", "b", "c", "d"], n),
            "method": rng.choice(["jigging", "trolling"], n),
            "party": rng.integers(1, 5, n).astype(float),
            "hours": rng.choice([1.0, 2.5, 4.0, 8.0], n),
            "day": rng.integers(0, 60, n).astype(str),
        }
    )
    rate = rows["level"].map({"a": 0.3, "b": 0.6, "c": 1.0, "d": 0.4}) * rows["hours"]
    rows["fish"] = rng.poisson(rate * rng.gamma(1.5, 1 / 1.5, n))
    # Boats that never fished where fish are.
    rows["fish_or_none"] = np.where(rng.random(n) < 0.3, 0, rng.poisson(rate * 2))
    share = rng.beta(3, 2, n)
    rows["small"] = rng.binomial(rows["fish"], share)
    return rows


@pytest.mark.parametrize(
    ("response", "family"),
    [
        ("fish", "poisson"),
        ("fish", "negative_binomial"),
        ("fish_or_none", "zero_inflated_poisson"),
        ("fish_or_none", "zero_inflated_negative_binomial"),
        ("fish", "hurdle_poisson"),
        ("fish", "hurdle_negative_binomial"),
    ],
)
def test_a_climb_ends_where_the_full_search_does(frame, response, family):
    asked = {"response": response, "exposure": "hours", "terms": TERMS}
    rows = coded_rows(frame, cluster="day", **asked)
    found = fit_warm_start(rows, TERMS, family=family)
    full = fit_counts(frame, family=family, **asked)
    assert found.log_likelihood == pytest.approx(full.log_likelihood, abs=1e-6)
    assert found.aic == pytest.approx(full.aic, abs=1e-6)
    assert found.bic == pytest.approx(full.bic, abs=1e-6)
    if full.family.has_dispersion and full.dispersion > 0.01:
        assert found.dispersion == pytest.approx(full.dispersion, rel=1e-4)
        assert found.dispersion_se == pytest.approx(full.dispersion_se, rel=1e-3)
    for column in ("estimate", "se"):
        want = full.coefficients[column].to_numpy()
        np.testing.assert_allclose(found.coefficients[column], want, rtol=1e-4, atol=1e-6)


def test_a_family_with_nothing_over_the_one_below_is_told_so():
    rng = np.random.default_rng(1)
    even = pd.DataFrame({"fish": np.tile([1, 2, 2, 3], 50), "hours": 1.0, "x": rng.random(200)})
    rows = coded_rows(even, response="fish", exposure="hours", terms=["x"])
    poisson = fit_warm_start(rows, ["x"], family="poisson")
    found = fit_warm_start(rows, ["x"], family="negative_binomial")
    assert found.dispersion == 0
    assert found.aic == pytest.approx(poisson.aic + 2)
    assert has_code(found.notes[-1], "family_at_edge")
    zero = fit_warm_start(rows, ["x"], family="zero_inflated_negative_binomial")
    assert zero.aic == pytest.approx(poisson.aic + 4)
    assert zero.predict(even) == pytest.approx(poisson.predict(even))


def test_refusals_in_words(frame):
    none = frame.assign(fish=np.where(frame["level"] == "d", 0, frame["fish"]))
    rows = coded_rows(none, response="fish", exposure="hours", terms=TERMS)
    with pytest.raises(UsageError, match=r"levels_without_count|fit_not_found"):
        fit_warm_start(rows, TERMS, family="negative_binomial")
    twice = frame.assign(again=frame["level"])
    rows = coded_rows(twice, response="fish", exposure="hours", terms=["level", "again"])
    with pytest.raises(UsageError, match=r"terms_not_apart\("):
        fit_warm_start(rows, ["level", "again"], family="poisson")
    held = fit_warm_start(rows, ["level", "again"], family="poisson", leave_out=True)
    alone = fit_warm_start(rows, ["level"], family="poisson")
    assert held.predict(twice) == pytest.approx(alone.predict(twice))
    with pytest.raises(UsageError, match=r"terms_not_apart\("):
        fit_shares_warm(twice, successes="small", trials="fish", terms=["level", "again"])


@pytest.mark.parametrize("family", ["hurdle_poisson", "hurdle_negative_binomial"])
def test_a_hurdle_whose_part_of_zeros_runs_off_is_refused(frame, family):
    always = frame.assign(fish=frame["fish"] + 1)
    rows = coded_rows(always, response="fish", exposure="hours", terms=TERMS)
    with pytest.raises(UsageError, match=r"hurdle_unbounded\("):
        fit_warm_start(rows, TERMS, family=family)


def test_shares_climbed_are_those_of_the_full_search(frame):
    asked = {"successes": "small", "trials": "fish"}
    found = fit_shares_warm(frame, terms=TERMS, **asked)
    full = fit_shares(frame, terms=TERMS, **asked)
    assert found.aic == pytest.approx(full.aic, abs=1e-6)
    assert found.dispersion == pytest.approx(full.dispersion, rel=1e-5)
    np.testing.assert_allclose(
        found.coefficients[["estimate", "se"]], full.coefficients[["estimate", "se"]], rtol=1e-5
    )
    assert log_chances(found, frame, **asked).sum() == pytest.approx(found.log_likelihood)
    residual, pearson = share_residuals(found, frame, **asked)
    assert pearson == pytest.approx(1, abs=0.15)
    assert abs(residual.mean()) < 4 / np.sqrt(len(residual))
    binomial = fit_shares_warm(frame, terms=TERMS, is_binomial=True, **asked)
    assert binomial.log_likelihood < found.log_likelihood
    assert binomial.dispersion == 0


def test_influence_on_a_share_is_the_move_of_a_fit_without_the_row(frame):
    asked = {"successes": "small", "trials": "fish"}
    met = frame[frame["fish"] > 0].reset_index(drop=True)
    odd = met.assign(
        fish=met["fish"].mask(met.index == 5, 15), small=met["small"].mask(met.index == 5, 0)
    )
    whole = fit_shares_warm(odd, terms=TERMS, is_binomial=True, **asked)
    moved = share_influence(whole, odd, **asked)
    assert moved.argmax() == 5
    without = fit_shares_warm(odd.drop(index=5), terms=TERMS, is_binomial=True, **asked)
    off = np.abs(whole.coefficients["estimate"] - without.coefficients["estimate"])
    assert (off / whole.coefficients["se"]).max() == pytest.approx(moved[5], rel=0.2)


def test_an_empty_cell_that_rests_on_little_moves_no_other():
    area, week = np.array([0.0, 1.0, -0.5]), np.array([0.2, 0.0, 0.4, 0.1])
    known = area[:, None] + week
    known[0, 0] -= 4.0
    known[2, 0] = np.nan
    at = np.flatnonzero(np.isfinite(known.ravel()))
    variance = np.full(len(at), 0.01)
    variance[0] = 4.0
    lent = impute_areas(known, np.diag(variance), at)[0][2, 0]
    assert abs(lent - (area[2] + week[0])) < 0.5
    # With a single free cell the spread is not nothing.
    pair = np.array([[0.0, 0.3], [1.0, np.nan]])
    assert impute_areas(pair, 0.01 * np.eye(3), np.array([0, 1, 2]))[1][3, 3] > 0.25


def test_an_empty_cell_takes_what_areas_and_weeks_say_together():
    area, week = np.array([0.0, 1.0, -0.5]), np.array([0.2, 0.0, 0.4, 0.1])
    whole = area[:, None] + week
    known = whole.copy()
    known[1, 2] = known[2, 0] = np.nan
    at = np.flatnonzero(np.isfinite(known.ravel()))
    filled, cov = impute_areas(known, 0.01 * np.eye(len(at)), at)
    np.testing.assert_allclose(filled, whole)
    # Two-way means of 10 cells: more error where the figure is lent.
    assert cov[6, 6] > cov[5, 5] == pytest.approx(0.01)
    known[:, 3] = np.nan
    at = np.flatnonzero(np.isfinite(known.ravel()))
    filled, _ = impute_areas(known, 0.01 * np.eye(len(at)), at)
    assert np.isnan(filled[:, 3]).all()
    np.testing.assert_allclose(filled[:, :3], whole[:, :3])


def test_a_likelihood_that_is_flat_at_its_top_is_refused():
    flat = np.array([[-1.0, -1.0], [-1.0, -1.0]])
    with pytest.raises(UsageError, match="levels_without_count"):
        covariance_at(flat, "levels_without_count")
    assert covariance_at(np.diag([-4.0, -1.0]), "").tolist() == [[0.25, 0.0], [0.0, 1.0]]
