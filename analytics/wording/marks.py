"""One mark a status: the symbol in figures, its twin in legends and cells, its words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analytics.codes import has_code
from analytics.quantities import Status
from analytics.wording.reasons import lacks_error

if TYPE_CHECKING:
    from collections.abc import Iterable

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
