"""Products and quotients of estimates against worked numbers."""

from __future__ import annotations

import pytest

from analytics.propagation import fieller, product, product_variance


def test_catch_as_effort_times_catch_rate():
    # Goodman (1960), On the exact variance of products, J. Am. Stat. Assoc. 55: effort 4000
    # (SE 400) at .25 fish (SE .03) each; the true variance is 24544 (recomputed).
    assert product_variance(4000, 400**2, 0.25, 0.03**2) == pytest.approx(24544, abs=0.5)
    found = product(4000, 400**2, 0.25, 0.03**2)
    assert found.value == 1000
    # The unbiased estimator takes off twice what the true form adds: 2 · 400² · .03².
    assert found.variance == pytest.approx(24544 - 288, abs=0.5)


def test_quotient_of_correlated_totals():
    # Fieller's theorem (1954, from memory), 120 (SE 15) over 480 (SE 60) with correlation .5
    # (recomputed).
    found = fieller(120, 15, 480, 60, correlation=0.5)
    assert found.value == 0.25
    assert found.low == pytest.approx(0.194306, abs=5e-7)
    assert found.high == pytest.approx(0.321658, abs=5e-7)
