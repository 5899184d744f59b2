"""The heat map: areas down, weeks across, one figure a cell; a blank cell says why."""

from __future__ import annotations

from dataclasses import dataclass, replace
from statistics import median
from typing import TYPE_CHECKING, Any

from analytics.palette import on_scale
from analytics.quantities import QUANTITIES, QuantityKind
from analytics.wording import numbers, reasons
from analytics.wording.marks import PLAIN, mark
from dashboard.charts import drawing
from dashboard.charts.series import hover
from dashboard.charts.theme import FONT

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from analytics.palette import Palette
    from analytics.wording.bulletin_index import Row
    from dashboard.charts.drawing import Figure, Trace

ROW_HEIGHT = 46
_HOVER = "%{customdata}<extra></extra>"
#: Weeks whose figures stay readable on a phone.
NARROW_WEEKS = 6


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: where it is, its row, and its hover words."""

    x: int
    y: int
    row: Row | None
    words: str

    @property
    def amount(self) -> float | None:
        """The estimate; None in a blank cell."""
        return None if self.row is None else self.row.estimate


def heat(
    rows: Mapping[tuple[str, str], Row | None],
    *,
    areas: Sequence[str],
    names: Mapping[str, str],
    weeks: Sequence[str],
    chosen: str,
    quantity: str,
    palette: Palette,
) -> Figure:
    """Draw a rate or a share by area, first on top, and week, the chosen one marked.

    A missing or None row is a closed cell. The colours run over all rows; `weeks` may be some of
    theirs. `names` are the areas' names for people, already harmless.
    """
    is_share = QUANTITIES[quantity].kind is QuantityKind.SHARE
    scale = palette.copper_scale if is_share else palette.sea_scale
    cells = [
        Cell(x, y, row, f"<b>{names[area]}</b> · {hover(week, row)}")
        for y, area in enumerate(areas)
        for x, week in enumerate(weeks)
        for row in [rows.get((area, week))]
    ]
    ends = span([row.estimate for row in rows.values() if row and row.estimate is not None])
    frame: dict[str, Any] = {"type": "rect", "line": {"color": palette.ink, "width": 2}}
    frame |= {"y0": -0.5, "y1": len(areas) - 0.5}
    rows_down = drawing.lines_down([names[area] for area in areas], palette=palette)
    blank = [cell for cell in cells if cell.amount is None]
    return drawing.figure(
        [
            _colours(cells, scale=scale, ends=ends),
            _figures(cells, scale=scale, ends=ends),
            # The reason's mark and words where there is no number.
            _text(
                blank,
                {"size": 14, "color": palette.quiet},
                customdata=[cell.words for cell in blank],
                hovertemplate=_HOVER,
            ),
        ],
        palette=palette,
        height=ROW_HEIGHT * len(areas) + 40,
        margin=(8, 8, 4, 30),
        shapes=[
            frame | {"x0": at - 0.5, "x1": at + 0.5}
            for at, week in enumerate(weeks)
            if week == chosen
        ],
        xaxis=drawing.weeks_across(weeks, ticks=14, room=0) | {"tickangle": None},
        yaxis=rows_down | {"ticklabelstandoff": None},
    )


def weeks_at_hand(weeks: Sequence[str], *, chosen: str) -> tuple[str, ...]:
    """Return the few weeks up to the chosen one that a narrow screen has room for."""
    at = list(weeks).index(chosen) if chosen in weeks else len(weeks) - 1
    last = max(at + 1, min(NARROW_WEEKS, len(weeks)))
    return tuple(weeks[max(0, last - NARROW_WEEKS) : last])


def span(known: Sequence[float]) -> tuple[float, float]:
    """Return the values of the first and the last colour.

    The lowest and the highest figure in view; but no more than three times the middle one, so
    that a single odd week does not take the colour from the rest.
    """
    low, high = min(known, default=0.0), max(known, default=1.0)
    middle = median(known) if known else 0.0
    high = min(high, 3 * middle) if middle > low else high
    return (low, high) if high > low else (low - 0.5, low + 0.5)


def span_words(rows: Iterable[Row | None]) -> str:
    """Return what the colours run from and to; empty where there is no figure."""
    known = sorted(
        (row for row in rows if row is not None and row.estimate is not None),
        key=lambda row: row.estimate or 0.0,
    )
    if not known:
        return ""
    _, high = span([row.estimate or 0.0 for row in known])
    top = replace(known[-1], estimate=min(high, known[-1].estimate or 0.0))
    more = " or more" if high < (known[-1].estimate or 0.0) else ""
    return f"Colour runs from {numbers.coarse(known[0])} to {numbers.coarse(top)}{more}."


def cell_text(row: Row | None) -> str:
    """Return the words in a cell: value, below it the marks of status and of a wide error."""
    if row is None or row.estimate is None:
        return mark(row).glyph
    glyph = "" if mark(row) == PLAIN else mark(row).glyph
    signs = glyph + reasons.caution(row)[0]
    return numbers.coarse(row) + (f"<br>{signs}" if signs else "")


def _colours(cells: list[Cell], *, scale: Sequence[str], ends: tuple[float, float]) -> Trace:
    return drawing.trace(
        "heatmap",
        x=[cell.x for cell in cells],
        y=[cell.y for cell in cells],
        z=[cell.amount for cell in cells],
        customdata=[cell.words for cell in cells],
        hovertemplate=_HOVER,
        colorscale=[[at / (len(scale) - 1), colour] for at, colour in enumerate(scale)],
        zmin=ends[0],
        zmax=ends[1],
        xgap=2,
        ygap=2,
        showscale=False,
        hoverongaps=False,
    )


def _figures(cells: list[Cell], *, scale: Sequence[str], ends: tuple[float, float]) -> Trace:
    """Write the figures, each in the colour that stands out from its cell."""
    low, high = ends
    known = [cell for cell in cells if cell.amount is not None]
    parts = [((cell.amount or 0.0) - low) / (high - low) for cell in known]
    font = {"size": 12, "color": [on_scale(scale, part) for part in parts]}
    return _text(known, font, hoverinfo="skip")


def _text(cells: list[Cell], font: dict[str, Any], **how: Any) -> Trace:
    x, y = [cell.x for cell in cells], [cell.y for cell in cells]
    text = [cell_text(cell.row) for cell in cells]
    return drawing.trace(
        "scatter", x=x, y=y, mode="text", text=text, textfont={"family": FONT, **font}, **how
    )
