"""What moved to the invented bulletin of the season in progress: one case of every kind."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analytics.bulletin.differences import Causes, moves
from analytics.data.store.record import IMPORTED, WITHDRAWN, Event
from analytics.result_table import to_arrow
from analytics.revision_order import OWN_DATA, POOLING
from tests.app.sample_cases import NO_SITE_DAY, without_estimate

if TYPE_CHECKING:
    import pyarrow as pa

Row = dict[str, Any]

LATE = Event(3, "b0003-1f2e3d4c", IMPORTED, "2036-02-10T08:00:00+00:00", {}, ("late.csv",))
MANY = Event(
    4, "b0002-5a6b7c8d", WITHDRAWN, "2036-02-11T08:00:00+00:00", {}, ("a.csv", "<b>.csv", "c.csv")
)
NEW_WEEK = "2036-W06"
#: Before over now, for every quantity but shares, which moved by as many tenths of themselves.
MOVED = {("A1", "2036-W03"): 0.8, (None, "2036-W03"): 0.95, ("A4", "2035-W49"): 1.3}
APPEARED, VANISHED, RESTATED, WAS_ZERO = (
    ("A3", "2036-W02"),
    ("A2", "2036-W05"),
    ("A1", "2035-W47"),
    ("A5", "2036-W03"),
)
GONE = ("A6", "2035-W45")


def moved_to(rows: pa.Table) -> pa.Table:
    """Return what moved to some rows from what they are made out to have been before."""
    now = rows.to_pylist()
    lines = [_before(row) for row in now if row["week"] != NEW_WEEK]
    lines += [row | {"week": GONE[1]} for row in now if _at(row) == (GONE[0], "2035-W47")]
    return moves(to_arrow(lines), rows, since=2, version=3, causes=_causes)


def _at(row: Row) -> tuple[str | None, str | None]:
    return row["area"], row["week"]


def _causes(row: Row) -> Causes:
    if row["area"] == "A4":
        return Causes((LATE, MANY), POOLING)
    return Causes((LATE,), OWN_DATA)


def _before(row: Row) -> Row:
    at = _at(row)
    if at in MOVED and row["estimate"] is not None:
        parts = ("estimate", "se", "ci_low", "ci_high")
        return row | {name: MOVED[at] * row[name] for name in parts}
    if at == APPEARED:
        return without_estimate(row, NO_SITE_DAY)
    if at == VANISHED:
        size = 0.5 if row["unit"] == "1" else 50.0
        return row | {"estimate": size, "se": size / 5, "status": "ok", "method": "two_stage_total"}
    if at == RESTATED:
        return row | {"status": "collapsed"}
    if at == WAS_ZERO:
        return row | {"estimate": 0.0, "se": None, "ci_low": None, "ci_high": None}
    return row
