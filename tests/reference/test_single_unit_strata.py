"""A stratum with one sampled unit of several: its error needs a rule, and the rule must be named.

The manual of R's survey package shows that one such case has three answers, by what is done with
the single unit: taken as a certainty, centred at the mean of all units, or given the mean of the
other strata (formulas from memory; the figures here are our own). Ours is a fourth, the collapse
with the nearest stratum (Cochran 1977, Sampling Techniques, section 5A.12; from memory).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analytics.codes import coded
from analytics.estimates.estimate import estimate_snapshot
from tests.tables import SiteDay, figures, interview, survey

#: Frame and sampled totals of three strata; the first has one unit.
STRATA = {"a": (5, [4]), "b": (10, [2, 6, 4]), "c": (8, [1, 5])}


@pytest.fixture(scope="module")
def row():
    days = [
        SiteDay(1, [interview(kept=fish)], stratum=name, frame=frame)
        for name, (frame, totals) in STRATA.items()
        for fish in totals
    ]
    return figures(estimate_snapshot(survey(days), by=("season",)), "kept_fish")


def within(name):
    """Return the variance of one stratum's total from its own spread."""
    frame, totals = STRATA[name]
    return frame**2 * (1 - len(totals) / frame) * np.var(totals, ddof=1) / len(totals)


def test_the_estimate_is_the_strata_sum_whatever_the_rule(row):
    assert row["estimate"] == pytest.approx(5 * 4 + 10 * 4 + 8 * 3)


def test_the_single_unit_takes_the_spread_about_the_common_mean_of_both_strata(row):
    frame, (single,) = STRATA["a"]
    together = np.var([single, *STRATA["b"][1]], ddof=1)
    collapsed = frame**2 * (1 - 1 / frame) * together
    assert row["se"] == pytest.approx(math.sqrt(collapsed + within("b") + within("c")))
    assert row["df"] == 6 - 3


def test_the_three_other_answers_differ_from_it_and_from_each_other(row):
    others = within("b") + within("c")
    weighted = np.concatenate(
        [np.array(totals) * frame / len(totals) for frame, totals in STRATA.values()]
    )
    answers = {
        "certainty": others,
        "centred": others + (1 - 1 / 5) * (5 * 4 - weighted.mean()) ** 2,
        "average": others * 3 / 2,
    }
    errors = [*(math.sqrt(variance) for variance in answers.values()), row["se"]]
    assert all(
        abs(one - two) > 0.3 for place, one in enumerate(errors) for two in errors[place + 1 :]
    )


def test_the_rule_is_named(row):
    assert row["status"] == "collapsed"
    assert coded("collapsed", unit="site-day") in row["method"].split("; ")
