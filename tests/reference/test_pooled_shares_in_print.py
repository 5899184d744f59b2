"""Partial pooling of shares against a general package for mixed models."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit

from analytics.models.beta_binomial import tally
from analytics.models.partial_pooling import (
    CrossedDesign,
    VarianceComponents,
    mode_of,
    pool_shares,
)

# GPBoost 1.8.0 (PyPI `gpboost`) on `cells()`, with the data as below and then
#   model = gpboost.GPModel(group_data=np.column_stack([area[group], week[group], group]),
#       likelihood="beta_binomial", weights=m.astype(float), matrix_inversion_method="cholesky")
#   model.fit(y=s / m, X=np.ones((len(s), 1)), params={"maxit": 2000, "delta_rel_conv": 1e-12})
#   model.get_cov_pars(), model.get_aux_pars(), model.get_coef()
#   model.get_current_neg_log_likelihood()
# It maximises Laplace's likelihood, the intercept held fixed and without a penalty.
VARIANCES = {"area": 0.138567, "week": 0.162206, "own": 0.036321}
PRECISION, INTERCEPT, LOG_LIKELIHOOD = 19.4223, 0.437128, -416.6281273688413


def cells():
    rng = np.random.default_rng(5)
    area, week = np.repeat(np.arange(5), 8), np.tile(np.arange(8), 5)
    of_area, of_week = rng.normal(0, 0.4, 5)[area], rng.normal(0, 0.3, 8)[week]
    share = expit(0.6 + of_area + of_week + rng.normal(0, 0.2, 40))
    group = np.repeat(np.arange(40), rng.poisson(5, 40))
    m = 1 + rng.poisson(11, len(group))
    p, rho = share[group], 0.03
    p = rng.beta(p * (1 - rho) / rho, (1 - p) * (1 - rho) / rho)
    return area, week, group, m, rng.binomial(m, p)


def test_the_likelihood_is_that_of_the_package():
    area, week, group, m, s = cells()
    seen = np.unique(group)
    place = np.searchsorted(seen, group)
    layout = CrossedDesign.of(tally(s, m, place, len(seen)), area[seen], week[seen])
    sds = {name: float(np.sqrt(value)) for name, value in VARIANCES.items()}
    spreads = VarianceComponents(**sds, lam=-float(np.log(PRECISION)))
    mode = mode_of(layout, spreads, np.zeros(14), np.zeros(len(seen)))
    # Ours integrates the intercept out: ``det H`` has one factor more, 1/V(intercept).
    of_intercept = 0.5 * np.log(np.linalg.inv(mode.information)[0, 0])
    found = mode.log_marginal - of_intercept
    assert found == pytest.approx(LOG_LIKELIHOOD, abs=2e-3)
    assert mode.common[0] == pytest.approx(INTERCEPT, abs=0.03)


def test_the_correlation_is_near_that_of_the_package():
    area, week, group, m, s = cells()
    pooled = pool_shares(s, m, group, area=area, week=week)
    # The penalty and the intercept integrated out move it by 0.0033, a quarter of its error, 0.014.
    assert pooled.rho == pytest.approx(1 / (1 + PRECISION), abs=0.005)
