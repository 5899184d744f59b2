"""Candidates side by side: the better law wins where its advantage is real."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from analytics.errors import WrongUse
from analytics.models.count_laws import Family
from analytics.models.counts import fit_counts
from analytics.models.selection import COLUMNS, Candidate, compare, log_chance


@pytest.fixture(scope="module")
def trips():
    rng = np.random.default_rng(6)
    n = 3000
    week, area = rng.integers(0, 12, n), rng.choice(["a", "b"], n)
    hours = rng.integers(1, 8, n).astype(float)
    rate = 0.4 * np.exp(0.9 * (area == "b") + 0.5 * np.sin(week / 3))
    fish = rng.poisson(rate * hours * rng.gamma(1, 1, n))
    return pd.DataFrame({"week": week, "area": area, "hours": hours, "fish": fish})


def test_the_law_and_terms_that_made_the_data_win(trips):
    found = compare(
        trips,
        {
            "poisson": Candidate(("area", "week~3"), "poisson"),
            "no area": Candidate(("week~3",)),
            "right": Candidate(("area", "week~3")),
        },
        response="fish",
        exposure="hours",
        week="week",
    )
    assert list(found.columns) == list(COLUMNS)
    table = found.set_index("candidate")
    for criterion in ("aic", "bic"):
        assert table[criterion].idxmin() == "right"
    assert table["held_out_score"].idxmax() == "right"
    assert (table["held_out_rows"] == (trips["week"] >= 8).sum()).all()
    assert (table["reason"] == "").all()


def test_held_out_weeks_are_scored_by_fits_to_the_weeks_before(trips):
    one = Candidate(("area",))
    found = compare(trips, {"x": one}, response="fish", exposure="hours", week="week", n_weeks=2)
    scores = []
    for week in (10, 11):
        before = fit_counts(
            trips[trips["week"] < week], response="fish", exposure="hours", terms=["area"]
        )
        scores.append(log_chance(before, trips[trips["week"] == week], response="fish"))
    assert found["held_out_score"][0] == pytest.approx(np.concatenate(scores).mean())


def test_what_cannot_be_predicted_is_told_in_words(trips):
    weekly = trips.assign(name=trips["week"].map("W{:02d}".format))
    found = compare(
        weekly,
        {"weeks as a factor": Candidate(("name",)), "none such": Candidate(("boat",))},
        response="fish",
        exposure="hours",
        week="week",
    )
    assert np.isfinite(found["aic"][0])
    assert "which the fit never saw" in found["reason"][0]
    assert "'boat' stands 0 times" in found["reason"][1]
    assert found["held_out_score"].isna().all()
    with pytest.raises(WrongUse, match="'day' stands 0 times"):
        compare(trips, {}, response="fish", week="day")


@pytest.mark.parametrize("family", list(Family))
def test_chances_of_rows_add_up_to_the_likelihood(trips, family):
    fit = fit_counts(trips, response="fish", exposure="hours", terms=["area"], family=family)
    found = log_chance(fit, trips, response="fish")
    assert found.sum() == pytest.approx(fit.log_likelihood, rel=1e-9)
    assert_allclose(log_chance(fit, trips[::-1], response="fish"), found[::-1])
