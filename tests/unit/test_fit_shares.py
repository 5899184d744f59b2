"""Regression of shares: what it gives on small cases, and what it refuses in words."""

from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from analytics import fit_shares
from analytics.errors import UsageError
from analytics.models import share_regression
from analytics.models.maximum_likelihood import checked_errors

SPREAD = pd.DataFrame(
    {
        "s": [1, 9, 3, 7, 2, 8, 5, 10],
        "m": [10, 11, 10, 12, 9, 10, 10, 12],
        "area": ["A", "A", "A", "A", "B", "B", "B", "B"],
        "depth": [10.0, 20.0, 15.0, 30.0, 12.0, 25.0, 18.0, 21.0],
    }
)


def fit(frame, terms=()):
    return fit_shares(frame, successes="s", trials="m", terms=terms)


def test_equal_rows_are_binomial_with_its_error():
    # Six rows of 4 of 10: p = 24/60, the logit's variance 1/(60 p q), and no spread at all.
    found = fit(pd.DataFrame({"s": [4] * 6, "m": [10] * 6}))
    row = found.coefficients.iloc[0]
    assert row["estimate"] == pytest.approx(math.log(0.4 / 0.6), abs=1e-10)
    assert row["se"] == pytest.approx(1 / math.sqrt(60 * 0.4 * 0.6), rel=1e-8)
    assert found.dispersion == 0
    assert math.isnan(found.dispersion_se)
    assert found.converged
    assert "no more than the binomial" in found.notes[0]
    wanted = 6 * (math.log(math.comb(10, 4)) + 4 * math.log(0.4) + 6 * math.log(0.6))
    assert found.log_likelihood == pytest.approx(wanted, rel=1e-12)


def test_pairs_have_a_closed_form():
    # Rows of two trials: P(0), P(1), P(2) are free, so that they equal the shares 3, 4 and 5 of
    # 12; then μ = P(2) + P(1)/2 and 2 μ (1 - μ) (1 - ρ) = P(1).
    found = fit(pd.DataFrame({"s": [0] * 3 + [1] * 4 + [2] * 5, "m": [2] * 12}))
    mu = (5 + 4 / 2) / 12
    assert found.coefficients["estimate"][0] == pytest.approx(math.log(mu / (1 - mu)), abs=1e-8)
    assert found.dispersion == pytest.approx(1 - (4 / 12) / (2 * mu * (1 - mu)), abs=1e-8)
    wanted = 3 * math.log(3 / 12) + 4 * math.log(4 / 12) + 5 * math.log(5 / 12)
    assert found.log_likelihood == pytest.approx(wanted, rel=1e-12)


def test_single_trials_say_nothing_of_a_correlation():
    found = fit(pd.DataFrame({"s": [1, 0, 0, 1, 1], "m": [1] * 5}))
    assert math.isnan(found.dispersion)
    assert "no row has two trials" in found.notes[0]
    assert found.log_likelihood == pytest.approx(3 * math.log(0.6) + 2 * math.log(0.4))
    assert found.aic == pytest.approx(2 - 2 * found.log_likelihood)


def test_spread_widens_the_error():
    found = fit(SPREAD)
    total, trials = SPREAD["s"].sum(), SPREAD["m"].sum()
    binomial = math.sqrt(trials / (total * (trials - total)))
    assert found.dispersion > 0.1
    assert found.dispersion_se > 0
    assert found.coefficients["se"][0] > 1.5 * binomial


def test_terms_are_factors_slopes_and_interactions():
    found = fit(SPREAD, ("area", "depth", "area:depth"))
    assert list(found.coefficients["term"]) == [
        "intercept",
        "area[B]",
        "depth",
        "area[B]:depth",
    ]
    assert np.isfinite(found.coefficients["se"]).all()


def test_the_unit_of_a_slope_changes_nothing_else():
    near = fit(SPREAD, ("depth",))
    far = fit(SPREAD.assign(depth=SPREAD["depth"] * 1000), ("depth",))
    assert far.log_likelihood == pytest.approx(near.log_likelihood, rel=1e-10)
    assert far.coefficients["estimate"][1] * 1000 == pytest.approx(
        near.coefficients["estimate"][1], rel=1e-5
    )
    assert far.coefficients["se"][1] * 1000 == pytest.approx(near.coefficients["se"][1], rel=1e-5)


def test_rows_without_trials_are_left_out():
    empty = pd.DataFrame({"s": [0, 0], "m": [0, 0], "area": ["A", "C"], "depth": [1.0, 2.0]})
    found = fit(pd.concat([SPREAD, empty]), ("area",))
    assert found.n == len(SPREAD)
    pd.testing.assert_frame_equal(found.coefficients, fit(SPREAD, ("area",)).coefficients)


def test_arrow_tables_are_taken():
    found = fit(pa.Table.from_pandas(SPREAD))
    assert found.log_likelihood == fit(SPREAD).log_likelihood


@pytest.mark.parametrize(
    ("change", "terms", "words"),
    [
        ({}, ("week",), r"'week' is not in the frame, which has s, m, area, depth"),
        ({"area": ["A", None] * 4}, ("area",), "'area' is empty in 4 of 8 rows"),
        ({"depth": [math.nan] + [1.0] * 7}, ("depth",), "'depth' is empty in 1 of 8"),
        ({"depth": [math.inf] + [1.0] * 7}, ("depth",), "'depth' holds an infinite"),
        ({"area": ["A"] * 8}, ("area",), "one level 'A'"),
        ({"s": [13, *SPREAD["s"][1:]]}, (), "more 's' than 'm', first row 0: 13 of 10"),
        ({"s": [-1, *SPREAD["s"][1:]]}, (), "-1 in row 0"),
        ({"s": [0.5, *SPREAD["s"][1:]]}, (), "0.5 in row 0"),
        ({"s": [math.nan, *SPREAD["s"][1:]]}, (), "an empty cell in row 0"),
        ({"m": [10**12] * 8}, (), "at most 20,000,000"),
        ({"s": list("abcdefgh")}, (), "counts are whole numbers"),
        ({"s": [0] * 8}, (), "every one of the 84 trials is a failure"),
        ({"s": SPREAD["m"]}, (), "every one of the 84 trials is a success"),
        ({"s": [0] * 8, "m": [0] * 8}, (), "no row with a trial"),
        ({"s": [0, 0, 0, 0, *SPREAD["s"][4:]]}, ("area",), r"area\[B\] together tell rows"),
        ({"s": [0, 10] * 4, "m": [10] * 8}, (), "would be 1"),
        ({"twice": SPREAD["depth"] * 2}, ("depth", "twice"), "twice would follow"),
        ({"copy": SPREAD["area"]}, ("area", "copy"), r"copy\[B\] would follow"),
        ({}, ("area", "area"), "each is allowed once"),
    ],
)
def test_refusals_are_in_words(change, terms, words):
    with pytest.raises(UsageError, match=words):
        fit(SPREAD.assign(**change), terms)


def test_a_slope_that_separates_is_refused():
    frame = pd.DataFrame({"s": [0, 0, 0, 2, 5, 5], "m": [5] * 6, "x": [1.0, 2, 3, 3, 4, 5]})
    with pytest.raises(UsageError, match="without an exception"):
        fit(frame, ("x",))
    crossed = frame.assign(s=[0, 0, 1, 2, 5, 4])
    assert fit(crossed, ("x",)).converged


@pytest.mark.parametrize("frame", [None, [1, 2], {"s": [1]}])
def test_what_is_no_frame_is_refused(frame):
    with pytest.raises(UsageError, match="a pandas frame is needed"):
        fit_shares(frame, successes="s", trials="m")


def test_no_rows_are_refused():
    with pytest.raises(UsageError, match="no row with a trial: 0 rows"):
        fit(SPREAD.iloc[:0])


def test_a_flawed_hessian_gives_no_errors():
    def score(params):
        return -2 * params

    right, none = checked_errors(lambda p: -2 * np.eye(2), score, np.zeros(2))
    np.testing.assert_allclose(right, math.sqrt(0.5))
    assert none == ()
    for wrong, words in [
        (-2.2 * np.eye(2), "disagree"),
        (np.diag([-2.0, 2.0]), "flat"),
        (np.array([[-2.0, 3.0], [3.0, -2.0]]), "not positive definite"),
    ]:
        errors, notes = checked_errors(lambda p, wrong=wrong: wrong, score, np.zeros(2))
        assert np.isnan(errors).all()
        assert words in notes[0]


def test_a_search_that_does_not_converge_is_refused(monkeypatch):
    monkeypatch.setattr(share_regression, "search", lambda likelihood, start: None)
    with pytest.raises(UsageError, match=r"did not converge: .* name fewer terms"):
        fit(SPREAD)


def test_the_package_loads_without_the_models():
    code = "import sys, analytics; sys.exit('analytics.models' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_fit_keeps_no_rows():
    import pickle

    many = pd.concat([SPREAD] * 500)
    assert len(pickle.dumps(fit(many, ("area",)))) < len(pickle.dumps(fit(SPREAD, ("area",)))) + 100
