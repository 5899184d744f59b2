"""How each quantity changed from the week before, with its error."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics.estimates.result_rows import SAMPLE_SE
from analytics.estimates.schemas import CHANGE_SCHEMA
from analytics.intervals import log_t, t_quantile
from analytics.quantities import QUANTITIES, QuantityKind
from analytics.weeks import week_number

if TYPE_CHECKING:
    from collections.abc import Iterable

Row = dict[str, Any]


#: Open days of an area (None: of all areas together) and week.
OpenDays = Mapping[tuple[str | None, str], int]


def week_changes(
    rows: Iterable[Row], *, weeks: list[str], open_days: OpenDays, level: float
) -> pa.Table:
    r"""Compare every week's estimate with the week before.

    Totals and rates as a ratio, ``exp(ln(b/a) ± t √(cv_a² + cv_b²))``; shares as a difference,
    ``b - a ± t √(se_a² + se_b²)``; degrees of freedom after Satterthwaite (1946, An approximate
    distribution of estimates of variance components, Biometrics 2). The two weeks are taken as
    independent samples, which they are but where a thin week borrowed from the other. The error of
    a rate of death is the same in both weeks and is left out.

    Parameters
    ----------
    rows : iterable of dict
        Result rows that carry a week, with their `SAMPLE_SE`.
    weeks : list of str
        Weeks of the season in order; the week after a closure has no week before.
    open_days : mapping
        Open days of each area and week: totals of weeks with unlike open days are not compared.
    level : float
        Confidence level.

    Returns
    -------
    pyarrow.Table
        In `CHANGE_SCHEMA`, one row for every row that has a week before.
    """
    kept = list(rows)
    by_key = {(row["area"], row["week"], row["quantity"]): row for row in kept}
    before = {
        week: earlier
        for earlier, week in itertools.pairwise(weeks)
        if week_number(week) - week_number(earlier) == 1
    }
    changes = []
    for row in kept:
        week = before.get(row["week"], "")
        earlier = by_key.get((row["area"], week, row["quantity"]))
        if earlier is not None:
            alike = open_days.get((row["area"], week)) == open_days.get((row["area"], row["week"]))
            changes.append(_change(earlier, row, alike=alike, level=level))
    return pa.Table.from_pylist(changes, schema=CHANGE_SCHEMA)


def _change(earlier: Row, row: Row, *, alike: bool, level: float) -> Row:
    kind = QUANTITIES[row["quantity"]].kind
    is_share = kind is QuantityKind.SHARE
    known: Row = {
        "season": row["season"],
        "area": row["area"],
        "week": row["week"],
        "previous_week": earlier["week"],
        "quantity": row["quantity"],
        "previous": earlier["estimate"],
        "estimate": row["estimate"],
        "ci_level": level,
        "form": "difference" if is_share else "ratio",
        "word": "not known",
    }
    if not alike and kind in (QuantityKind.TOTAL, QuantityKind.DEATHS):
        return known | {"word": "not comparable"}
    old, new = earlier["estimate"], row["estimate"]
    if old is None or new is None or (not is_share and old <= 0):
        return known
    known["change"] = new - old if is_share else new / old
    if not all(one["se"] and one.get(SAMPLE_SE) and one["n_psu"] for one in (earlier, row)):
        return known  # a week that is all borrowed says nothing of a change
    return known | _interval(earlier, row, is_share=is_share, level=level)


def _interval(earlier: Row, row: Row, *, is_share: bool, level: float) -> Row:
    pair = (earlier, row)
    parts = [(one[SAMPLE_SE] / (1 if is_share else one["estimate"])) ** 2 for one in pair]
    if not all(one["df"] for one in pair):
        return {}
    df = sum(parts) ** 2 / sum(part**2 / one["df"] for part, one in zip(parts, pair, strict=True))
    spread = math.sqrt(sum(parts))
    old, new = earlier["estimate"], row["estimate"]
    if is_share:
        step = t_quantile(level, df) * spread
        low, high, nothing = new - old - step, new - old + step, 0.0
    else:
        low, high = log_t(new / old, new / old * spread, df=df, level=level)
        nothing = 1.0
    if math.isnan(low):
        return {}
    word = "up" if low > nothing else "down" if high < nothing else "no clear change"
    return {"ci_low": low, "ci_high": high, "word": word}
