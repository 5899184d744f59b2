"""Season estimates over simulated seasons: intervals hold the truth, totals are unbiased.

The truth is the value over the complete population as reported. `coverage_table.py` prints the same
for any number of seasons; this test runs enough of them that a wrong variance would show.
"""

from __future__ import annotations

import numpy as np
import pytest

from analytics.survey import domains
from tests.simulation.seasons import (
    QUANTITIES,
    binomial_bounds,
    default_processes,
    shrunk,
    simulate,
    summary,
    told,
)
from tests.sizes import n_sized, sized, slack

SEED, N_SEASONS, N_BROKEN = 1, n_sized(28, 300), n_sized(12, 40)
TOTALS = tuple(name for name in QUANTITIES if name.endswith(("_fish", "_hours")))
LOW, HIGH = binomial_bounds(N_SEASONS)


@pytest.fixture(scope="module")
def rows():
    return simulate(n_seasons=N_SEASONS, seed=SEED, processes=default_processes())


@pytest.fixture(scope="module")
def table(rows):
    return summary(rows).set_index("quantity")


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_intervals_hold_the_truth_as_often_as_they_say(table, quantity, record_property):
    record_property(quantity, told(table.loc[quantity]))
    assert table.loc[quantity, "rows"] == N_SEASONS
    assert LOW <= table.loc[quantity, "held_prop"] <= HIGH


@pytest.mark.parametrize("quantity", TOTALS)
def test_the_mean_error_of_totals_is_small(table, quantity):
    assert is_unbiased(table.loc[quantity])


def is_unbiased(row):
    return abs(row["bias_prop"]) < min(sized(0.02, 0.01), 4 * row["bias_se"])


def test_the_bounds_would_not_pass_totals_four_per_cent_too_high(rows):
    high = summary(rows.assign(estimate=rows["estimate"] * 1.04), TOTALS)
    assert not any(is_unbiased(row) for _, row in high.iterrows())


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_standard_errors_match_the_spread_of_the_errors(table, quantity):
    assert abs(table.loc[quantity, "se_ratio"] - 1) < slack(N_SEASONS, errors=3.2)


def test_the_bounds_would_not_pass_errors_too_small(rows):
    small = sized(0.5, 0.75)
    held = summary(shrunk(rows, small)).set_index("quantity")["held_prop"]
    assert (held[list(TOTALS)] < LOW).all()
    halved = summary(rows.assign(se=rows["se"] * small), TOTALS)["se_ratio"]
    assert (halved < 1 - slack(N_SEASONS, errors=3.2)).all()


def test_the_bounds_would_not_pass_a_variance_without_its_first_stage(monkeypatch):
    def nothing(design, plan, cells):
        return np.zeros(len(plan.n_active))

    monkeypatch.setattr(domains, "finite_population_correction", nothing)
    broken = summary(simulate(n_seasons=N_BROKEN, seed=SEED)).set_index("quantity")["held_prop"]
    low, _ = binomial_bounds(N_BROKEN)
    assert (broken < low).all()
