"""A matrix with factors by their codes gives what the array of 0 and 1 gives."""

import numpy as np
import pandas as pd
import pytest

from analytics.models import Family, coded_rows, fit_warm_start
from analytics.models import factor_matrix as fm
from analytics.models.beta_binomial import chances
from analytics.models.formula import coding_of
from analytics.models.share_regression import fit_shares_warm

N = 600


@pytest.fixture
def frame():
    rng = np.random.default_rng(4)
    return pd.DataFrame(
        {
            "site": rng.choice([f"s{i:02d}" for i in range(40)], N),
            "day": rng.choice([f"d{i:02d}" for i in range(35)], N),
            "method": rng.choice(["a", "b", "c"], N),
            "party": rng.integers(1, 5, N).astype(float),
            "hours": rng.uniform(1, 9, N),
            "fish": rng.negative_binomial(0.7, 0.15, N),
            "trip": np.arange(N),
        }
    )


TERMS = ("method", "site", "party", "method:party", "day")


def both(frame, keep=None):
    coding = coding_of(frame, TERMS)
    coded, dense = fm.matrix_of(coding, frame), coding.matrix(frame)
    assert isinstance(coded, fm.FactorMatrix)
    if keep is not None:
        mask = np.random.default_rng(2).random(dense.shape[1]) < keep
        coded, dense = fm.chosen_columns(coded, mask), dense[:, mask]
    return coded, dense


@pytest.mark.parametrize("keep", [None, 0.7])
def test_products_equal_those_of_the_array(frame, keep):
    rng = np.random.default_rng(1)
    coded, dense = both(frame, keep)
    p = dense.shape[1]
    weight, b, half = rng.random(N), rng.normal(size=p), rng.normal(size=(p, p))
    assert coded.shape == dense.shape
    np.testing.assert_allclose(coded @ b, dense @ b, atol=1e-12)
    np.testing.assert_allclose(fm.gram(coded, weight), fm.gram(dense, weight), atol=1e-11)
    for values in (weight, np.column_stack([weight, weight**2])):
        np.testing.assert_allclose(fm.column_sums(coded, values), dense.T @ values, atol=1e-11)
    cov = half @ half.T
    np.testing.assert_allclose(fm.quadratic(coded, cov), fm.quadratic(dense, cov), rtol=1e-9)
    row, cluster = rng.integers(0, N, 900), rng.integers(0, 7, 900)
    values, expected = rng.normal(size=900), np.zeros((7, p))
    np.add.at(expected, cluster, values[:, None] * dense[row])
    for matrix in (coded, dense):
        found = fm.sums_by_cluster(matrix, values, row, cluster, 7)
        np.testing.assert_allclose(found, expected, atol=1e-11)


def test_an_array_stays_one_where_no_factor_has_many_levels(frame):
    matrix = fm.matrix_of(coding_of(frame, ("method", "party")), frame)
    assert isinstance(matrix, np.ndarray)


@pytest.mark.parametrize("family", ["poisson", "negative_binomial"])
def test_counts_fit_alike_by_codes_and_by_columns(frame, family, monkeypatch):
    terms = ("method", "party", "site")

    def fitted():
        rows = coded_rows(
            frame, response="fish", exposure="hours", terms=list(terms), cluster="trip"
        )
        return fit_warm_start(rows, terms, family=Family(family))

    one = fitted()
    monkeypatch.setattr(fm, "MANY_LEVELS", 1000)
    other = fitted()
    assert one.log_likelihood == pytest.approx(other.log_likelihood, rel=1e-10)
    for name in ("estimate", "se"):
        np.testing.assert_allclose(
            one.coefficients[name], other.coefficients[name], rtol=1e-6, atol=1e-8
        )


def test_shares_fit_alike_by_codes_and_by_columns(frame, monkeypatch):
    rng = np.random.default_rng(9)
    frame = frame.assign(small=rng.binomial(frame["fish"], 0.6))

    def fitted():
        return fit_shares_warm(
            frame, successes="small", trials="fish", terms=("method", "site", "party")
        )

    one = fitted()
    monkeypatch.setattr(fm, "MANY_LEVELS", 1000)
    other = fitted()
    np.testing.assert_allclose(
        one.coefficients["estimate"], other.coefficients["estimate"], rtol=1e-6, atol=1e-8
    )


@pytest.mark.parametrize("rho", [0.0, 0.02, 0.4])
def test_chances_are_those_of_a_general_library(rho):
    from scipy.stats import betabinom, binom

    rng = np.random.default_rng(3)
    m = rng.integers(1, 120, 500)
    s, mu = rng.binomial(m, rng.random(500)), rng.uniform(0.01, 0.99, 500)
    law = betabinom(m, mu * (1 - rho) / rho, (1 - mu) * (1 - rho) / rho) if rho else binom(m, mu)
    below, at = chances(s, m, mu, rho)
    np.testing.assert_allclose(below, law.cdf(s - 1), atol=1e-10)
    np.testing.assert_allclose(at, law.pmf(s), atol=1e-10)


def test_chances_of_rows_that_end_alike_are_those_of_one_trial():
    s, m, mu = np.array([0, 3, 1, 9, 10]), np.array([3, 3, 3, 10, 10]), np.full(5, 0.3)
    below, at = chances(s, m, mu, 1.0)
    np.testing.assert_allclose(at, [0.7, 0.3, 0.0, 0.0, 0.3], atol=1e-12)
    np.testing.assert_allclose(below, [0.0, 0.7, 0.7, 0.7, 0.7], atol=1e-12)
