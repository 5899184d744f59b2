"""Candidates side by side: the better law wins where its advantage is real."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from analytics.catch_rates.model_selection import (
    HELD_OUT_WEEKS,
    KEPT_OUT,
    Candidate,
    CandidateResult,
    candidates_of,
    chosen,
    evaluate_candidates,
    why_chosen,
)
from analytics.catch_rates.trips import ResponseTrips, terms_over
from analytics.codes import has_code
from analytics.models.count_regression import fit_counts

WEEKS = 12


@pytest.fixture(scope="module")
def trips():
    rng = np.random.default_rng(6)
    n = 2400
    week, area = rng.integers(0, WEEKS, n), rng.choice(["a", "b"], n)
    hours = rng.integers(1, 8, n).astype(float)
    rate = 0.4 * np.exp(0.9 * (area == "b") + 0.5 * np.sin(week / 3))
    fish = rng.poisson(rate * hours * rng.gamma(1, 1, n))
    return pd.DataFrame(
        {
            "week_number": week.astype(float),
            "area": area,
            "angler_hours": hours,
            "encounters": fish,
            "method": "jigging",
            "day_group": "1",
            "party": 2.0,
            "site": np.where(rng.random(n) < 0.5, "s1", "s2"),
            "daylight_hours": 9.0 + (week % 5) / 10,
            "moon": np.sin(week),
            "tide_range_m": np.nan,
            "sample_id": (week * 10 + rng.integers(0, 10, n)).astype(str),
        }
    )


@pytest.fixture(scope="module")
def found(trips):
    every = {
        one.name: one for one in evaluate_candidates(ResponseTrips("encounters", trips, {}, {}))
    }
    assert all(one.fit is not None for one in every.values())
    return every


def test_the_law_that_made_the_data_wins(found):
    for criterion in ("aic", "bic"):
        table = {name: getattr(one.fit, criterion) for name, one in found.items()}
        assert table["poisson"] > table["usual"] + 100
    assert found["poisson"].held_out_score < found["usual"].held_out_score
    best = chosen(list(found.values()))
    assert best is not None
    assert best.candidate.family == "negative_binomial"
    assert best.name not in KEPT_OUT


def test_parameters_are_coefficients_and_the_dispersion(found):
    assert found["usual"].n_parameters == len(found["usual"].fit.coefficients) + 1
    assert found["poisson"].n_parameters == len(found["poisson"].fit.coefficients)
    for one in found.values():
        fit = one.fit
        assert fit.aic == pytest.approx(2 * one.n_parameters - 2 * fit.log_likelihood)


def test_held_out_weeks_are_scored_by_fits_to_the_weeks_before(trips, found):
    one = found["poisson"]
    assert one.held_out_rows == (trips["week_number"] >= WEEKS - HELD_OUT_WEEKS).sum()
    scores = []
    for week in range(WEEKS - HELD_OUT_WEEKS, WEEKS):
        before = fit_counts(
            trips[trips["week_number"] < week],
            response="encounters",
            exposure="angler_hours",
            terms=terms_over(one.candidate.terms, trips[trips["week_number"] < week]),
            family="poisson",
        )
        now = trips[trips["week_number"] == week]
        mean, y = before.predict(now), now["encounters"].to_numpy()
        scores.append(y * np.log(mean) - mean - [math.lgamma(count + 1) for count in y])
    assert one.held_out_score == pytest.approx(np.concatenate(scores).mean(), rel=1e-6)


def test_too_few_weeks_have_no_score_and_the_lowest_bic_is_chosen(trips):
    few = trips[trips["week_number"] < HELD_OUT_WEEKS]
    every = evaluate_candidates(ResponseTrips("encounters", few, {}, {}))
    assert all(math.isnan(one.held_out_score) for one in every)
    assert all(has_code(one.reason, "few_weeks_of_trips") for one in every if one.fit is not None)
    best = chosen(every)
    fits = [one for one in every if one.fit is not None and one.name not in KEPT_OUT]
    assert best is min(fits, key=lambda one: one.fit.bic)


def told(name, fit, score, days):
    """Return a candidate with log chances by site-day about a score, of 10 trips each."""
    by_day = 10 * np.array(days) + 10 * score
    return CandidateResult(
        name, Candidate((), "negative_binomial"), fit, 10 * len(days), score, "", by_day
    )


def test_the_held_out_score_decides_beyond_one_standard_error_and_the_bic_within(found):
    low, high = found["usual"].fit, found["poisson"].fit
    assert low.bic < high.bic
    spread = [0.3, -0.3, 0.3, -0.3]
    # A gap of 0.1 with an error of 0.17, and one of 1 with the same.
    best, near, far = (
        told("best", high, -1.0, [0.0] * 4),
        told("near", low, -1.1, spread),
        told("far", low, -2.0, spread),
    )
    gap, se = near.behind(best)
    assert gap == pytest.approx(0.1)
    assert se == pytest.approx(np.std(spread, ddof=1) / 2)
    assert chosen([best, near, far]) is near
    assert "chosen_near_best(best=best)" in why_chosen([best, near, far], near)
    assert chosen([best, far]) is best
    assert why_chosen([best, far], best).endswith("chosen_best")
    assert chosen([]) is None


def test_short_seasons_have_scores_by_smaller_smooths(trips):
    short = trips[trips["week_number"] < HELD_OUT_WEEKS + 3]
    every = {
        one.name: one for one in evaluate_candidates(ResponseTrips("encounters", short, {}, {}))
    }
    assert all(math.isfinite(one.held_out_score) for one in every.values())


def test_candidates_that_the_index_cannot_use_are_never_chosen(found):
    assert set(KEPT_OUT) <= set(found)
    every = [one for one in found.values() if one.name in KEPT_OUT]
    assert chosen(every) is None
    assert all("not_chosen_" in one.reason for one in every)


def test_the_tide_is_a_term_where_every_site_day_tells_it(trips):
    named = candidates_of(ResponseTrips("encounters", trips, {}, {}))
    assert "with tide" not in named
    tides = 1.0 + (trips["week_number"] % 3)
    told = trips.assign(tide_range_m=tides)
    named = candidates_of(ResponseTrips("encounters", told, {}, {}))
    assert named["with tide"].terms[-1] == "tide_range_m"
    one_short = told.assign(tide_range_m=tides.mask(told.index == 3))
    assert "with tide" not in candidates_of(ResponseTrips("encounters", one_short, {}, {}))
