"""The likelihood of collapsed rows: its derivatives, and that collapsing loses nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from statsmodels.tools.numdiff import approx_fprime

from analytics.errors import UsageError
from analytics.models import count_likelihood
from analytics.models.count_likelihood import (
    CountLikelihood,
    Family,
    collapse,
    collapsed,
    log_lik_derivatives,
)
from analytics.models.response_checks import MOST_COUNT, rows_of


@pytest.fixture(scope="module")
def rows():
    """Return 300 rows in 5 groups, many alike."""
    rng = np.random.default_rng(21)
    group = rng.integers(0, 5, 300)
    exposure = rng.integers(1, 5, 300) / 2
    return rng.poisson(0.8 * exposure) * (rng.random(300) < 0.7), group, exposure


def made(rows, family):
    counts, _ = collapse(*rows)
    x = np.column_stack([np.ones(5), np.arange(5) == 2, np.arange(5) / 4.0])
    z = np.column_stack([np.ones(5), np.arange(5) % 2.0])
    return CountLikelihood(family, counts, x, z if family.has_zero_part else z[:, :0])


def somewhere(likelihood):
    law = likelihood.family
    zero, dispersion = [-0.5, 0.3] * law.has_zero_part, [-0.7] * law.has_dispersion
    return np.array([-0.3, 0.4, 0.2, *zero, *dispersion])


@pytest.mark.parametrize("family", list(Family))
def test_the_value_is_that_of_the_rows_one_by_one(rows, family):
    likelihood = made(rows, family)
    params = somewhere(likelihood)
    y, group, exposure = rows
    beta, gamma, lam = likelihood.split(params)
    eta = (likelihood.rows @ beta)[group] + np.log(exposure)
    one_by_one = log_lik_derivatives(
        family, y, eta, (likelihood.zero_rows @ gamma)[group], lam
    ).value
    assert len(likelihood.counts.y) < len(y) / 3
    assert likelihood.value(params) == pytest.approx(one_by_one.sum(), rel=1e-13)


@pytest.mark.parametrize("family", list(Family))
def test_derivatives_in_the_coefficients_are_those_of_differences(rows, family):
    likelihood = made(rows, family)
    params = somewhere(likelihood)
    assert len(params) == likelihood.n_parameters
    score = approx_fprime(params, likelihood.value, centered=True)
    assert_allclose(likelihood.score(params), score, rtol=1e-7, atol=1e-6)
    hessian = approx_fprime(params, likelihood.score, centered=True)
    assert_allclose(likelihood.hessian(params), hessian, rtol=1e-7, atol=1e-6)
    assert_allclose(likelihood.differenced_hessian(params), hessian, rtol=1e-6, atol=1e-5)


@pytest.mark.parametrize("family", list(Family))
def test_rows_taken_in_blocks_are_the_rows_taken_at_once(rows, family, monkeypatch):
    whole, params = made(rows, family), somewhere(made(rows, family))
    wanted = whole.value(params), whole.score(params), whole.hessian(params)
    differenced = whole.differenced_hessian(params)
    monkeypatch.setattr(count_likelihood, "BLOCK", 7)
    parted = made(rows, family)
    assert len(parted.counts.y) > 14
    found = parted.value(params), parted.score(params), parted.hessian(params)
    for one, other in zip(found, wanted, strict=True):
        assert_allclose(one, other, rtol=1e-12, atol=1e-12)
    assert_allclose(parted.differenced_hessian(params), differenced, rtol=1e-7, atol=1e-7)


def test_sums_of_one_place_are_not_given_for_another(rows):
    likelihood = made(rows, Family.NEGATIVE_BINOMIAL)
    first = somewhere(likelihood)
    second = first + 0.1
    fresh = made(rows, Family.NEGATIVE_BINOMIAL)
    likelihood.value(first)
    assert likelihood.value(second) == fresh.value(second)
    assert likelihood.value(first) != fresh.value(second)
    # Parameters changed in place are another place too.
    first += 0.1
    assert likelihood.value(first) == pytest.approx(fresh.value(second), rel=1e-14)


def test_the_order_of_rows_does_not_change_a_digit(rows):
    order = np.random.default_rng(3).permutation(300)
    one, place = collapse(*rows)
    lean = collapsed(*rows)
    other, moved = collapse(*(part[order] for part in rows))
    for name in ("y", "group", "log_exposure", "weight"):
        assert (getattr(one, name) == getattr(other, name)).all()
        assert (getattr(one, name) == getattr(lean, name)).all()
    assert (place[order] == moved).all()
    assert (one.y[place] == rows[0]).all()
    assert (one.group[place] == rows[1]).all()
    assert_allclose(np.exp(one.log_exposure[place]), rows[2], rtol=1e-15)


def test_every_combination_of_covariates_has_one_group():
    frame = pd.DataFrame(
        {
            "area": ["b", "a", "b", "a", "b"],
            "week": [2.0, 1.0, 2.0, 2.0, 1.0],
            "day": pd.Categorical(["off", "on", "off", "on", "off"]),
            "fish": [1, 0, 2, 0, 1],
        }
    )
    found = rows_of(
        frame, response="fish", exposure=None, terms=["area", "week", "day"], cluster=None
    )
    assert len(found.groups) == 4
    back = found.groups.iloc[found.group].reset_index(drop=True)
    pd.testing.assert_frame_equal(back, frame[["area", "week", "day"]])


def test_a_count_no_trip_could_have_is_refused():
    frame = pd.DataFrame({"fish": [0, MOST_COUNT + 1]})
    with pytest.raises(UsageError, match="1000001 in row 1; a count is at most 1,000,000"):
        rows_of(frame, response="fish", exposure=None, terms=[], cluster=None)


@pytest.mark.parametrize("family", [Family.HURDLE_POISSON, Family.HURDLE_NEGATIVE_BINOMIAL])
def test_a_mean_without_zeros_is_no_overflow(family):
    # A step of the search may go so far; warnings are errors here.
    eta, zeta = np.log([900.0, 2e4]), np.zeros(2)
    found = log_lik_derivatives(family, np.array([900, 20_000]), eta, zeta, -30.0)
    assert np.isfinite(found.value).all()
    assert np.isfinite(found.first).all()
    assert np.isfinite(found.second).all()
