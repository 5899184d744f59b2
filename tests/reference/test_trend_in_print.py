"""The local level against published fits."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.datasets import nile

from analytics.errors import UsageError
from analytics.models.smoother import fit_level


def test_nile_local_level():
    # Durbin & Koopman (2012), Time Series Analysis by State Space Methods, section 2.2: variances
    # 15099 and 1469.1. The log-likelihood is that of the exact diffuse convention, -633.4646
    # (recomputed with statsmodels; the plain diffuse one would be -632.54).
    found = fit_level(nile.load_pandas().data["volume"].to_numpy())
    assert found.converged
    assert found.noise_variance == pytest.approx(15099, rel=2e-4)
    assert found.step_variance == pytest.approx(1469.1, rel=2e-4)
    assert round(found.log_likelihood, 4) == -633.4646


def test_a_level_needs_three_values():
    with pytest.raises(UsageError, match="2 weeks with a figure"):
        fit_level(np.array([1.0, np.nan, 2.0]))
