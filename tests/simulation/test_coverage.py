"""Season estimates over several hundred simulated seasons: intervals hold, totals are unbiased.

The truth is the value over the whole population as reported. `coverage_table.py` prints the same
for any number of seasons; this test runs enough of them that a wrong variance would show.
"""

from __future__ import annotations

import numpy as np
import pytest

from analytics.survey import domain_totals
from tests.simulation.seasons import (
    QUANTITIES,
    binomial_bounds,
    default_processes,
    shrunk,
    simulate,
    summary,
)

N_SEASONS = 300
TOTALS = tuple(name for name in QUANTITIES if name.endswith(("_fish", "_hours")))
LOW, HIGH = binomial_bounds(N_SEASONS)


@pytest.fixture(scope="module")
def rows():
    return simulate(n_seasons=N_SEASONS, seed=1, processes=default_processes())


@pytest.fixture(scope="module")
def table(rows):
    return summary(rows).set_index("quantity")


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_intervals_hold_the_truth_as_often_as_they_say(table, quantity):
    assert table.loc[quantity, "rows"] == N_SEASONS
    assert LOW <= table.loc[quantity, "held_prop"] <= HIGH


@pytest.mark.parametrize("quantity", TOTALS)
def test_the_mean_error_of_totals_is_within_one_per_cent(table, quantity):
    assert abs(table.loc[quantity, "bias_prop"]) < 0.01
    assert abs(table.loc[quantity, "bias_prop"]) < 4 * table.loc[quantity, "bias_se"]


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_standard_errors_match_the_spread_of_the_errors(table, quantity):
    # The spread of 300 errors is itself known to about 4 % (1/sqrt(2·300)).
    assert 0.87 < table.loc[quantity, "se_ratio"] < 1.13


def test_the_bounds_would_not_pass_errors_a_quarter_too_small(rows):
    held = summary(shrunk(rows, 0.75)).set_index("quantity")["held_prop"]
    assert (held[list(TOTALS)] < LOW).all()


def test_the_bounds_would_not_pass_a_variance_without_its_first_stage(monkeypatch):
    def nothing(design, plan, cells):
        return np.zeros(len(plan.n_active))

    monkeypatch.setattr(domain_totals, "finite_population_correction", nothing)
    broken = summary(simulate(n_seasons=40, seed=1)).set_index("quantity")["held_prop"]
    low, _ = binomial_bounds(40)
    assert (broken < low).all()
