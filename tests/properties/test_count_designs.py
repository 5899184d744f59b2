"""Factors summed by code give what dense columns of 0 and 1 give, whatever the rows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import statsmodels.api as sm
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from analytics import fit_counts

TERMS = ["area", "week", "party"]


@st.composite
def trips(draw):
    """Return boat trips in some areas and weeks, every level with a fish and many rows alike."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    n, areas, weeks = draw(st.integers(80, 600)), draw(st.integers(2, 6)), draw(st.integers(2, 8))
    area, week = rng.integers(0, areas, n), rng.integers(0, weeks, n)
    hours = rng.integers(1, draw(st.integers(2, 40)), n) / 4
    rate = np.exp(rng.normal(0, 0.5, areas)[area] + rng.normal(0, 0.5, weeks)[week])
    frame = pd.DataFrame(
        {
            "area": np.char.add("A", area.astype(str)),
            "week": np.char.add("W", week.astype(str)),
            "party": rng.integers(1, 5, n),
            "hours": hours,
            "fish": rng.poisson(rate * hours),
            "day": rng.integers(0, 40, n),
        }
    )
    for name in ("area", "week"):
        fish = frame.groupby(name)["fish"].sum()
        assume(len(fish) > 1 and fish.min() > 0)
    return frame


def dense(frame):
    """Return an intercept, dummies of both factors and the slope, one row a trip."""
    dummies = pd.get_dummies(frame[["area", "week"]], drop_first=True, dtype=float)
    return np.column_stack([np.ones(len(frame)), dummies, frame["party"]])


@settings(max_examples=25)
@given(trips())
def test_codes_give_what_dense_dummies_give(frame):
    found = fit_counts(
        frame, response="fish", exposure="hours", terms=TERMS, family="poisson", cluster="day"
    )
    plain = fit_counts(frame, response="fish", exposure="hours", terms=TERMS, family="poisson")
    other = sm.GLM(
        frame["fish"],
        dense(frame),
        family=sm.families.Poisson(),
        offset=np.log(frame["hours"].to_numpy()),
    )
    # Its own steps stop at the deviance, which is flat at the top; one of Newton's gets there.
    near = other.fit(tol=1e-14, maxiter=100).params
    params = near - np.linalg.solve(other.hessian(near), other.score(near))
    bread, mu = np.linalg.inv(-other.hessian(params)), other.predict(params)
    assert_allclose(found.coefficients["estimate"], params, rtol=1e-8, atol=1e-8)
    assert_allclose(plain.coefficients["se"], np.sqrt(np.diag(bread)), rtol=1e-8)
    assert_allclose(plain.log_likelihood, other.loglike(params), rtol=1e-10)
    assert_allclose(plain.predict(frame), mu, rtol=1e-8)
    # The sums of the score by cluster, from the very rows.
    residual = (frame["fish"] - mu).to_numpy()[:, None] * dense(frame)
    by_day = pd.DataFrame(residual).groupby(frame["day"].to_numpy()).sum().to_numpy()
    days = len(by_day)
    assume(days > len(params))
    wanted = bread @ (days / (days - 1) * by_day.T @ by_day) @ bread
    assert_allclose(found.coefficients["se"], np.sqrt(np.diag(wanted)), rtol=1e-8)
