"""The likelihood of a level and its steps against a published fit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from statsmodels.datasets import nile

from analytics.models.smoother import Observed, StepModel, log_likelihood


def test_nile_local_level():
    # Durbin & Koopman (2012), Time Series Analysis by State Space Methods, section 2.2: variances
    # 15099 and 1469.1. The log-likelihood is that of the exact diffuse convention, -633.4646
    # (recomputed with statsmodels; the plain diffuse one would be -632.54). Here the flow is in
    # thousands and the first level has a wide prior instead, whose density is taken off.
    wide, scale = 1e3, 1e3
    y = nile.load_pandas().data["volume"].to_numpy() / scale
    model = StepModel.of(len(y), 0, slope=False)
    model.start_variance[:] = wide**2

    def value(log_variances):
        error, step = np.exp(log_variances)
        known = np.ones(len(y), dtype=bool)
        observed = Observed.of(y, error * np.eye(len(y)), known, model)
        return log_likelihood(model, np.array([[np.sqrt(step)]]), observed)[0]

    start = np.log(np.var(y) * np.array([0.5, 0.1]))
    found = minimize(lambda x: -value(x), start, method="Nelder-Mead", options={"xatol": 1e-6})
    noise, step = np.exp(found.x) * scale**2
    assert found.success
    assert noise == pytest.approx(15099, rel=2e-4)
    assert step == pytest.approx(1469.1, rel=2e-4)
    # The first flow, diffuse, has no unit in that convention.
    diffuse = -found.fun + np.log(wide) - (len(y) - 1) * np.log(scale)
    assert round(diffuse, 4) == -633.4646
