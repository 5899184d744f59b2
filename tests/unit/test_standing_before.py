"""A standing keeps what it was in the bulletin before."""

from __future__ import annotations

import datetime as dt

import pyarrow as pa

from analytics.outlook.build import with_previous
from analytics.outlook.schemas import LIMIT_STATUS_SCHEMA

JANUARY, FEBRUARY = dt.date(2031, 1, 5), dt.date(2031, 2, 2)


def standing(*rows):
    blank = dict.fromkeys(LIMIT_STATUS_SCHEMA.names)
    return {
        "limit_status": pa.Table.from_pylist([blank | row for row in rows], LIMIT_STATUS_SCHEMA)
    }


def limit(limit_id="L1", areas="A", **more):
    return {"limit_id": limit_id, "areas": areas, "quantity": "kept_fish"} | more


def test_each_limit_takes_its_own_estimate_of_before():
    now = standing(limit(estimate=3055.0), limit("L2", estimate=7.0), limit("L3", areas="A;B"))
    before = standing(
        limit("L3", estimate=9.0, through=JANUARY), limit(estimate=5017.0, through=JANUARY)
    )
    found = with_previous(now, before)["limit_status"].to_pylist()
    assert [row["previous_estimate"] for row in found] == [5017.0, None, None]
    assert [row["previous_through"] for row in found] == [JANUARY, None, None]
    assert [row["estimate"] for row in found] == [3055.0, 7.0, None]


def test_without_a_standing_before_nothing_changes():
    now = standing(limit(estimate=1.0, through=FEBRUARY))
    assert with_previous(now, {})["limit_status"].equals(now["limit_status"])
    assert with_previous({}, now) == {}
