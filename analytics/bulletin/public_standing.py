"""A season's limits for the public: no draws, and no figure that is too uncertain to publish."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyarrow as pa

from analytics.bulletin.withheld import WITHHELD, floats, without
from analytics.precision import WITHHELD_OVER, Precision, marks_of, pse

if TYPE_CHECKING:
    from collections.abc import Mapping

_TOTAL = ("estimate", "se", "ci_low", "ci_high", "used", "used_low", "used_high", "remains")
_AHEAD = ("expected", "expected_low", "expected_high", "pass_prob", "date_10", "date_50", "date_90")
_OF_STANDING = (*_TOTAL, *_AHEAD, "passed_prob", "previous_estimate")
#: Half the width of a normal 95 % interval in standard errors.
_HALF = 1.96


def public_standing(tables: Mapping[str, pa.Table]) -> dict[str, pa.Table]:
    """Return the tables of a season's limits for the public.

    Parameters
    ----------
    tables : mapping of str to pyarrow.Table
        In `analytics.bulletin.standing.tables.STANDING_SCHEMAS`.

    Returns
    -------
    dict of str to pyarrow.Table
        No draws; a limit whose total has a percent standard error over 50 keeps its row, with the
        reason and no figure, and has no fan; weeks ahead of a fan are left out where half the
        width of their 95 % interval is over 1.96 times 50 % of their mean.
    """
    shown = dict(tables)
    if "draws" in shown:
        shown["draws"] = shown["draws"].slice(0, 0)
    if "standing" not in shown:
        return shown
    table = shown["standing"]
    marks = marks_of(pse(floats(table["estimate"]), floats(table["se"])))
    hidden = [mark is Precision.WITHHELD for mark in marks]
    shown["standing"] = without(
        table, hidden=hidden, instead={"reason": WITHHELD}, taken=_OF_STANDING
    )
    limits = {one for one, out in zip(table["limit_id"].to_pylist(), hidden, strict=True) if out}
    if "fan" in shown:
        shown["fan"] = _public_fan(shown["fan"], limits)
    return shown


def _public_fan(fan: pa.Table, hidden: set[str]) -> pa.Table:
    mean, low, high = (floats(fan[name]) for name in ("estimate", "q025", "q975"))
    wide = 100 * (high - low) / 2 > _HALF * WITHHELD_OVER * mean
    limits = fan["limit_id"].to_pylist()
    kept = [one not in hidden and not out for one, out in zip(limits, wide, strict=True)]
    return fan.filter(pa.array(kept, pa.bool_()))
