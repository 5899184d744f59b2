"""What became of planned shifts, and whether the missed ones are the busy ones."""

from __future__ import annotations

import datetime as dt

import pytest

from analytics.planning.planned_shifts import Standing, progress_of
from tests.tables import MONDAY, SiteDay, interview, survey


def day(k):
    return MONDAY + dt.timedelta(days=k)


def planned(sample, site, k, **more):
    row = {"sample_id": sample, "season": "2030-31", "site": site, "date": day(k)}
    return row | {"is_reserve": False, "state": "planned"} | more


def visit(site, k, boats):
    return SiteDay(boats, [interview()] if boats else [], site=site, date=day(k))


#: Six visits, s00000 to s00005: r1 is quiet, r2 is busy.
VISITS = [
    *(visit("r1", k, boats) for k, boats in ((0, 2), (1, 4), (7, 3))),
    *(visit("r2", k, boats) for k, boats in ((0, 20), (1, 30), (8, None))),
]
SITES = {"r1": "A", "r2": "A"}


def found(plan):
    return progress_of(survey(VISITS, sites=SITES, planned_site_days=plan), "2030-31")


def test_a_shift_is_done_by_its_count_and_not_by_what_the_plan_says():
    plan = [
        planned("s00002", "r1", 7, state="missed"),  # came after all
        planned("s00005", "r2", 8),  # visited without a count: not done
        planned("p1", "r2", 4),
        planned("p2", "r2", 4, state="missed"),
        planned("p3", "r2", 4, state="replaced"),
        planned("p4", "r1", 4, is_reserve=True),
        planned("p5", "r1", 9),
        planned("other", "r1", 9, season="2031-32"),
    ]
    shifts = found(plan).shifts.set_index("sample_id")
    assert shifts["standing"].to_dict() == {
        "s00002": Standing.DONE,
        "s00005": Standing.AHEAD,
        "p1": Standing.NOT_SEEN,
        "p2": Standing.MISSED,
        "p3": Standing.REPLACED,
        "p4": Standing.RESERVE,
        "p5": Standing.AHEAD,
    }
    assert shifts.loc["p1", "usual_boats"] == 25
    # Its own count is none of those that came before.
    assert shifts.loc["s00002", "usual_boats"] == 3
    assert shifts.loc["s00002", "boats_returned"] == 3


def test_missed_shifts_that_are_the_busy_ones_show():
    plan = [planned("s00000", "r1", 0), planned("s00001", "r1", 1), planned("s00002", "r1", 7)]
    plan += [planned(f"p{k}", "r2", k, state="missed") for k in (2, 3, 4)]
    busy = found(plan).busyness
    assert (busy.missed, busy.done) == (25, pytest.approx(3.0, abs=0.5))
    # The most extreme of the 20 ways to choose 3 of 6, from either side.
    assert busy.chance == pytest.approx(0.1, abs=0.02)


def test_too_few_shifts_say_nothing_of_busyness():
    assert found([]).busyness.missed is None
    one = found([planned("p1", "r2", 2, state="missed")])
    assert (one.busyness.missed, one.busyness.done, one.busyness.chance) == (25, None, None)
    assert one.count(Standing.MISSED) == 1
