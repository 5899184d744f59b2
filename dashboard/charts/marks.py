"""One mark a status: the symbol in figures, its twin in legends and cells, its words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analytics.units import Status

if TYPE_CHECKING:
    from collections.abc import Iterable

    from dashboard.book import Row


@dataclass(frozen=True, slots=True)
class Mark:
    """How a status is drawn.

    Parameters
    ----------
    symbol : str
        Plotly's name of the marker.
    glyph : str
        The same mark as a character.
    words : str
        For the legend.
    """

    symbol: str
    glyph: str
    words: str


PLAIN = Mark("circle", "●", "estimate")
GAP = Mark("x-thin", "×", "no sample, no estimate")
EMPTY = Mark("circle-x-open", "⊗", "sampled, but nothing to divide by")
CLOSED = Mark("", "–", "no open day")
MARKS: dict[str, Mark] = {
    Status.OK: PLAIN,
    Status.CENSUS: Mark("square", "■", "every site-day sampled"),
    Status.ZERO_TOTAL: Mark("circle-open", "○", "none seen: zero, no interval"),
    Status.COLLAPSED: Mark("diamond-open", "◇", "error borrowed from a neighbour"),
    Status.IMPUTED: Mark("triangle-up-open", "△", "gap filled from neighbours"),
    Status.MODELLED: Mark("star", "★", "from a model"),
    Status.NO_SAMPLE: GAP,
    Status.NO_DESIGN: Mark("x-thin", "×", "no total: interviews of convenience"),
}

_WITHOUT_ESTIMATE = (Status.NO_SAMPLE, Status.NO_DESIGN)


def mark(row: Row | None) -> Mark:
    """Return the mark of a row; a missing row is closed, one without an estimate says why."""
    if row is None:
        return CLOSED
    if row.estimate is None:
        return MARKS[row.status] if row.status in _WITHOUT_ESTIMATE else EMPTY
    return PLAIN if row.status in _WITHOUT_ESTIMATE else MARKS.get(row.status, PLAIN)


def legend(rows: Iterable[Row | None]) -> list[Mark]:
    """Return the marks that occur among rows, in a fixed order and each once."""
    seen = {mark(row) for row in rows}
    return [one for one in dict.fromkeys((*MARKS.values(), EMPTY, CLOSED)) if one in seen]
