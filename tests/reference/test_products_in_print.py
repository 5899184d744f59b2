"""Products of estimates against worked numbers."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.propagation import weighted_sum
from tests.products import product_variance


def test_catch_as_effort_times_catch_rate():
    # Goodman (1960), On the exact variance of products, J. Am. Stat. Assoc. 55: effort 4000
    # (SE 400) at .25 fish (SE .03) each; the true variance is 24544 (recomputed).
    assert product_variance(4000, 400**2, 0.25, 0.03**2) == pytest.approx(24544, abs=0.5)
    effort, variance = np.array([[4000.0]]), np.array([[[400.0**2]]])
    value, _, found = weighted_sum(
        effort, variance, weight=np.array([0.25]), weight_se=np.array([0.03])
    )
    assert value[0] == 1000
    # The unbiased estimator takes off twice what the true form adds: 2 · 400² · .03².
    assert found[0] == pytest.approx(24544 - 288, abs=0.5)
