"""Missed shifts: the reserve by rule, never by convenience, and the log of who and why."""

from __future__ import annotations

import datetime as dt
from itertools import combinations, permutations, product

import numpy as np
import pandas as pd
import pytest

from analytics.codes import has_code, parse
from analytics.errors import UsageError
from analytics.planning.planned_shifts import Action, Cause, miss

MONDAY = dt.date(2031, 1, 6)


def day(k):
    return MONDAY + dt.timedelta(days=k)


def plan(cells, n, **more):
    """Return a plan of one stratum: (site, day) in drawn order, the first n planned."""
    return pd.DataFrame(
        [
            {
                "sample_id": f"{site}-{k}",
                "season": "2030-31",
                "site": site,
                "date": day(k),
                "stratum_name": "North 2031-W02 Mon–Fri",
                "draw_order": at + 1,
                "is_reserve": at >= n,
                "sampler": "Ada" if at < n else None,
                "state": "planned",
                "reason": None,
                "draw_probability": None,
            }
            | more
            for at, (site, k) in enumerate(cells)
        ]
    )


DRAWN = plan([("r1", 3), ("r2", 1), ("r1", 0), ("r2", 3), ("r1", 4)], 2)


def missed(sample="r1-3", *, cause=Cause.NOBODY_FREE, known=-1, rows=DRAWN):
    return miss(rows, sample, cause=cause, who="Bo; night (2)", known_on=day(known))


def test_with_all_dates_ahead_the_next_of_the_reserve_comes_whatever_it_is():
    found = missed()
    assert (found.action, found.replacement) == (Action.RESERVE, "r1-0")
    gone, came = found.rows.to_dict("records")
    assert (gone["state"], came["state"], came["is_reserve"]) == ("replaced", "planned", False)
    assert has_code(gone["reason"], "nobody_free")
    assert has_code(gone["reason"], "replaced_by")
    (code,) = parse(came["reason"])
    assert (code.name, code["sample"], code["day"]) == ("takes_the_place_of", "r1-3", "2031-01-05")
    assert came["sampler"] is None


def test_once_the_stratum_has_begun_only_the_same_date_may_stand_in():
    assert missed(known=2).replacement == "r2-3"
    found = missed("r2-1", known=1)
    assert found.action is Action.LEFT_OUT
    (row,) = found.rows.to_dict("records")
    assert row["state"] == "missed"
    assert has_code(row["reason"], "left_out")


def test_a_used_reserve_is_not_used_again_and_the_log_grows():
    first = missed()
    now = pd.concat([DRAWN[~DRAWN["sample_id"].isin(first.rows["sample_id"])], first.rows])
    second = missed("r1-0", rows=now)
    assert second.replacement == "r2-3"
    assert [one.name for one in parse(second.rows["reason"].iloc[0])] == [
        "takes_the_place_of",
        "nobody_free",
        "replaced_by",
    ]


def test_another_sampler_takes_the_same_site_day_and_a_storm_without_boats_is_a_count():
    found = missed(cause=Cause.SAMPLER_MISSING)
    assert found.action is Action.ANOTHER_SAMPLER
    assert found.rows["state"].tolist() == ["planned"]
    assert found.rows["sampler"].tolist() == [None]
    zero = missed(cause=Cause.STORM_EMPTY)
    assert (zero.action, len(zero.rows)) == (Action.COUNT_ZERO, 0)


def test_where_days_were_drawn_first_a_site_gives_way_to_one_of_its_day():
    days = plan([("r1", 3), ("r2", 3), ("r2", 1), ("r1", 1)], 1, draw_probability=0.5)
    assert missed(rows=days).replacement == "r2-3"


@pytest.mark.parametrize(
    ("sample", "words"),
    [("r9-9", "no planned site-day r9-9"), ("r1-0", "r1-0 is in the reserve")],
)
def test_what_was_not_planned_cannot_be_missed(sample, words):
    with pytest.raises(UsageError, match=words):
        missed(sample)


# Five days with totals 2 2 4 6 8, two planned, each visit missed with probability .3: every sample,
# every order of the reserve and every pattern of missed visits.

TOTALS = np.array([2.0, 2, 4, 6, 8])
GONE = 0.3


def expected_mean(stand_in):
    """Return the expected mean of the visited days and how often each day is visited.

    `stand_in` takes the missed day, the days planned and the order of the reserve, and returns the
    day that is visited in its place, or None.
    """
    mean = weight = 0.0
    visits = np.zeros(5)
    for pair in combinations(range(5), 2):
        rest = [k for k in range(5) if k not in pair]
        for order, is_missed in product(permutations(rest), product((False, True), repeat=5)):
            p = np.prod([GONE if one else 1 - GONE for one in is_missed]) / (10 * 6)
            free, visited, to_visit = list(order), [], list(pair)
            for k in to_visit:  # a stand-in can be missed as well
                if not is_missed[k]:
                    visited.append(k)
                elif (other := stand_in(k, pair, free)) is not None:
                    free.remove(other)
                    to_visit.append(other)
            visits[visited] += p
            if visited:
                mean += p * TOTALS[visited].mean()
                weight += p
    return mean / weight, visits


def by_rule(k, pair, free):
    cells = [("r", one) for one in [*pair, *free]]
    found = miss(
        plan(cells, 2), f"r-{k}", cause=Cause.NOBODY_FREE, who="x", known_on=day(k)
    ).replacement
    return None if found is None else int(found[2:])


def next_later(k, _, free):
    return next((one for one in free if one > k), None)


def test_leaving_out_is_unbiased_and_a_reserve_by_convenience_is_not():
    assert by_rule(0, (0, 1), [2, 3, 4]) is None
    left_out, even = expected_mean(lambda *_: None)
    assert left_out == pytest.approx(TOTALS.mean())
    assert even == pytest.approx([0.28] * 5)
    later, visits = expected_mean(next_later)
    assert later == pytest.approx(4.7871282, abs=5e-8)
    assert visits == pytest.approx([0.28, 0.301, 0.331, 0.381, 0.443], abs=5e-4)
