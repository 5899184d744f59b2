"""Every design over simulated seasons of known truth: intervals hold, totals are unbiased.

`python -m tests.simulation.coverage_table --design all` prints the same for any number of seasons;
here there are enough that a wrong variance shows, and two wrong ones are shown to.
"""

from __future__ import annotations

import pandas as pd
import pytest

from analytics.survey import sampling_frame
from tests.simulation.designs import (
    CASES,
    TOTALS,
    Case,
    days_then_sites,
    estimated,
    several,
    simulated,
)
from tests.simulation.seasons import (
    binomial_bounds,
    default_processes,
    in_processes,
    shrunk,
    summary,
    told,
)
from tests.sizes import n_sized, slack

SEED, N_SEASONS, N_BROKEN = 7, n_sized(50, 120), n_sized(30, 50)
LOW, HIGH = binomial_bounds(N_SEASONS, alpha=0.0005)  # for 45 quantities at once
ASKED = [(name, quantity) for name, case in CASES.items() for quantity in case.quantities]
OF_TOTALS = [(name, quantity) for name, quantity in ASKED if quantity in TOTALS]
#: Every day of two day groups is taken, two sites on each.
EVERY_DAY = Case(
    words="every day, two sites",
    draw=days_then_sites(2, certain_groups=(0, 1)),
    design="day_site",
)
SLACK = slack(N_SEASONS, errors=3.4)


@pytest.fixture(scope="module")
def seasons():
    """Return what gives the rows of a case."""
    rows = in_processes(of_every_case, N_SEASONS, default_processes())
    return dict(list(rows.groupby("case"))).__getitem__


def of_every_case(numbers):
    return pd.concat([several(name, SEED, numbers).assign(case=name) for name in CASES])


@pytest.fixture(scope="module")
def tables(seasons):
    found = {}

    def table(name):
        if name not in found:
            found[name] = summary(seasons(name), CASES[name].quantities).set_index("quantity")
        return found[name]

    return table


@pytest.mark.parametrize(("name", "quantity"), ASKED)
def test_intervals_hold_the_truth_as_often_as_they_say(tables, name, quantity, record_property):
    row = tables(name).loc[quantity]
    record_property(f"{CASES[name].words}: {quantity}", told(row))
    assert row["rows"] == N_SEASONS
    assert row["held_prop"] >= LOW
    assert CASES[name].is_bound or row["held_prop"] <= HIGH


@pytest.mark.parametrize(("name", "quantity"), ASKED)
def test_standard_errors_match_the_spread_of_the_errors(tables, name, quantity):
    ratio = tables(name).loc[quantity, "se_ratio"]
    assert ratio > 1 - SLACK
    assert CASES[name].is_bound or ratio < 1 + SLACK


@pytest.mark.parametrize(("name", "quantity"), OF_TOTALS)
def test_totals_are_unbiased(tables, name, quantity):
    row = tables(name).loc[quantity]
    assert abs(row["bias_prop"]) < 3.5 * row["bias_se"]


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if not case.is_bound])
def test_the_bounds_would_not_pass_errors_of_half_their_size(seasons, name):
    asked = [one for one in CASES[name].quantities if not one.endswith("_prop")]
    held = summary(shrunk(seasons(name), 0.5), asked)["held_prop"]
    assert (held < LOW).all()


def test_the_bounds_would_not_pass_two_sites_of_a_day_taken_as_all_of_them(monkeypatch):
    """Where every day is taken, all of the error is that of the sites, and of the boats."""
    monkeypatch.setitem(CASES, "every day", EVERY_DAY)
    low, _ = binomial_bounds(N_BROKEN)
    fair = several("every day", SEED, range(N_BROKEN))
    assert (summary(fair, TOTALS)["held_prop"] >= low).all()

    def nothing(between, size):
        return 0 * between

    monkeypatch.setattr(sampling_frame, "_pair_form", nothing)
    sampling_frame._site_draw.cache_clear()
    broken = several("every day", SEED, range(N_BROKEN))
    sampling_frame._site_draw.cache_clear()
    # Intervals borrow from all strata; the standard error is the design's own and must show it.
    assert (summary(broken, TOTALS)["se_ratio"] < 1 - SLACK).all()


def test_interviews_of_convenience_give_no_total(seasons):
    rows = seasons("opportunistic")
    totals = rows[rows["quantity"].isin(TOTALS)]
    assert len(totals) == N_SEASONS * len(TOTALS)
    assert totals["estimate"].isna().all()
    assert set(totals["status"]) == {"no_design"}


@pytest.mark.parametrize("name", CASES)
def test_a_season_is_the_same_alone_and_beside_others(name):
    together = estimated(name, SEED, range(3)).query("area.str.startswith('00001')")
    alone = estimated(name, SEED, range(1, 2))
    # Areas of one season lend each other the course of their variance: intervals are of both.
    own = [name for name in alone.columns if name not in ("ci_low", "ci_high", "df", "ci_method")]
    pd.testing.assert_frame_equal(
        together.reset_index(drop=True)[own], alone.reset_index(drop=True)[own], rtol=1e-9
    )


def test_a_case_is_the_same_season_each_time_and_another_with_another_seed():
    (first, truth), (again, _), (other, _) = (simulated("site_day", x, 3) for x in (1, 1, 2))
    assert first["site_days"].equals(again["site_days"])
    assert not first["site_days"].equals(other["site_days"])
    assert truth["boat_trips"] > 0
