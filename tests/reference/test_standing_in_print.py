"""Shares of limits as printed in reports of seasons: recomputed, over 1 where a limit is passed.

Reference 29 of the list: shares of limits seen in season reports of a winter fishery; printed
percentages are sometimes wrong, so that shares are always recomputed here.
"""

from __future__ import annotations

import datetime as dt

import pytest

from analytics.options.baseline import Limit
from analytics.outlook.build import standing_row, with_binding
from analytics.outlook.limit_totals import LimitTotal, SeasonLimit

THROUGH, CLOSE = dt.date(2031, 2, 2), dt.date(2031, 4, 30)


def row(fish: float, estimate: float, quantity: str = "kept_fish", **ends: float) -> dict:
    limit = SeasonLimit(Limit(quantity, ("A",), (quantity,), fish), ("A",), "", "")
    figure = LimitTotal(estimate, status="ok", **ends)
    return standing_row(
        limit, figure, season="2030-31", through=THROUGH, planned_close=CLOSE, level=0.95
    )


@pytest.mark.parametrize(
    ("estimate", "limit", "printed", "remains"),
    [
        (8333, 10248, 81.3, 1915),
        (2761, 2597, 106.3, -164),
        (5017, 6125, 81.9, 1108),
        (3055, 6125, 49.9, 3070),
        (3526, 3975, 88.7, 449),
    ],
    ids=["part", "passed", "before a revision", "after it", "misprinted elsewhere"],
)
def test_the_share_used_is_recomputed(estimate, limit, printed, remains):
    found = row(limit, estimate)
    assert round(100 * found["share_used"], 1) == printed
    assert found["fish_remaining"] == remains
    assert found["prob_exceeded_to_date"] == float(estimate > limit)


def test_the_sublegal_limit_binds_at_97_percent_with_24_percent_of_the_harvest_used():
    kept, sublegal = row(2500, 600), row(10_000, 9700, "released_sublegal_fish")
    found = with_binding([kept, sublegal])
    assert [round(100 * one["share_used"]) for one in found] == [24, 97]
    assert [one["is_binding"] for one in found] == [False, True]


def test_the_ends_of_the_interval_are_over_the_same_limit():
    found = row(2000, 1000, se=100, ci_low=820, ci_high=1220, df=40)
    assert (found["share_used_low"], found["share_used_high"]) == (0.41, 0.61)
