"""How result rows are drawn, on pages and in documents: mark, interval, end of the axis, words.

One mark a status: the symbol in figures, its twin in legends and cells, its words.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analytics.codes import has_code
from analytics.palette import axis_top
from analytics.quantities import Status
from analytics.wording import numbers, reasons
from analytics.wording.reasons import lacks_error

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analytics.wording.bulletin_index import Row


@dataclass(frozen=True, slots=True)
class Mark:
    """How a status is drawn: plotly's name of the marker, the same as a character, its words."""

    symbol: str
    glyph: str
    words: str


PLAIN = Mark("circle", "●", "estimate")
GAP = Mark("x-thin", "×", "nothing to estimate from")
PARTIAL = Mark("x", "×", "without an area that was open and never sampled")
EMPTY = Mark("circle-x-open", "⊗", "sampled, but nothing to divide by")
WITHHELD = Mark("square-x-open", "⊠", "withheld: too uncertain to publish")
UNSURE = Mark("circle-open-dot", "⊙", "interval not available")
CLOSED = Mark("", "–", "no open day")
MARKS: dict[str, Mark] = {
    Status.OK: PLAIN,
    Status.CENSUS: Mark("square", "■", "every site-day sampled"),
    Status.ZERO_TOTAL: Mark("circle-open", "○", "none seen, or nothing else: no interval"),
    Status.COLLAPSED: Mark("diamond-open", "◇", "variance pooled with a neighbour"),
    Status.IMPUTED: Mark("triangle-up-open", "△", "imputed from neighbours"),
    Status.MODELLED: Mark("star", "★", "from a model"),
    Status.NO_SAMPLE: GAP,
    Status.NO_DESIGN: Mark("x-thin", "×", "interviews of convenience: rates and shares, no totals"),
}

_WITHOUT_ESTIMATE = (Status.NO_SAMPLE, Status.NO_DESIGN)
#: The code of a figure withheld from the public.
_WITHHELD = "withheld"


def mark(row: Row | None) -> Mark:
    """Return the mark of a row; a missing row is closed, one without an estimate says why.

    A lacking error outranks the status, so that no figure looks surer than its neighbours.
    """
    if row is None:
        return CLOSED
    if row.estimate is None:
        if has_code(row.method, _WITHHELD):
            return WITHHELD
        return MARKS[row.status] if row.status in _WITHOUT_ESTIMATE else EMPTY
    if row.status == Status.NO_SAMPLE:
        return PARTIAL
    if lacks_error(row):
        return UNSURE
    return PLAIN if row.status == Status.NO_DESIGN else MARKS.get(row.status, PLAIN)


def legend(rows: Iterable[Row | None]) -> list[Mark]:
    """Return the marks that occur among rows, in a fixed order and each once."""
    seen = {mark(row) for row in rows}
    order = dict.fromkeys((*MARKS.values(), PARTIAL, UNSURE, EMPTY, WITHHELD, CLOSED))
    return [one for one in order if one in seen]


def signs(rows: Iterable[Row | None]) -> list[tuple[str, str]]:
    """Return the glyphs of the marks among rows with their words; no row is no sign."""
    return [(one.glyph, one.words) for one in legend(row for row in rows if row)]


# A row on an axis, and a figure in words.


def axis_end(rows: Iterable[Row | None]) -> float:
    """Return the top of the axis for some panels; intervals beyond it are marked in their panel.

    It follows no interval of a figure that is marked as not for publication or very uncertain.
    """
    known = [row for row in rows if row is not None and row.estimate is not None]
    sure = (row for row in known if reasons.caution(row)[0] != reasons.STRONG)
    highs = [row.ci_high or 0.0 for row in sure]
    return axis_top([row.estimate or 0.0 for row in known], highs, is_share=False)


def drawn_interval(row: Row) -> tuple[float | None, float | None]:
    """Return the interval to draw; of one too wide to be useful only that it extends upwards."""
    if row.estimate is not None and row.has_interval and not reasons.is_useful(row):
        return None, math.inf
    return row.ci_low, row.ci_high


def trend_description(
    rows: Sequence[Row | None], *, weeks: Sequence[str], area: str, label: str
) -> str:
    """Return a sentence that stands for a panel where it cannot be seen."""
    known = estimated(rows, weeks)
    if not known:
        return f"{label} by week in {area}: no week has an estimate."
    low, high = (pick(known, key=lambda one: one[1].estimate or 0.0) for pick in (min, max))
    return (
        f"{label} by week in {area}, with intervals; {len(known)} of {len(weeks)} weeks have an "
        f"estimate, lowest {numbers.figure(low[1])} in {low[0]}, "
        f"highest {numbers.figure(high[1])} in {high[0]}."
    )


def estimated(rows: Sequence[Row | None], weeks: Sequence[str]) -> list[tuple[str, Row]]:
    """Return the weeks that have an estimate, each with its row."""
    pairs = zip(weeks, rows, strict=True)
    return [(week, row) for week, row in pairs if row is not None and row.estimate is not None]
