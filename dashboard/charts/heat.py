"""The heat map: weeks down, the newest on top, areas across; a blank cell says why.

So few columns are readable on a phone too: one figure serves every width.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from statistics import median
from typing import TYPE_CHECKING, Any

from analytics.palette import on_scale
from analytics.quantities import QUANTITIES, QuantityKind
from analytics.units import tick_day
from analytics.wording import numbers, reasons
from analytics.wording.bulletin_index import monday
from analytics.wording.numbers import PLAIN, mark, week_dates
from dashboard.catalogue import say
from dashboard.charts import drawing
from dashboard.charts.drawing import FONT
from dashboard.charts.series import data_of_rows, hover

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from analytics.palette import Palette
    from analytics.wording.bulletin_index import Row
    from dashboard.charts.drawing import Figure, Trace

ROW_HEIGHT, HEAD_HEIGHT = 27, 46
_HOVER = "%{customdata}<extra></extra>"
#: Areas that a phone has room for; more are scrolled sideways within the figure.
NARROW_AREAS = 7
#: Characters on a line of an area's name.
NAME_WIDTH = 9


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
    quantity: str,
    palette: Palette,
) -> Figure:
    """Draw a rate or a share by week, the newest on top, and area.

    The page frames the chosen week in it (`line_of`), so that it stays when another is chosen.
    A missing or None row is a closed cell. `names` are the areas' names as they stand in the data.
    """
    is_share = QUANTITIES[quantity].kind is QuantityKind.SHARE
    newest = list(reversed(weeks))
    scale = palette.copper_scale if is_share else palette.sea_scale
    cells = [
        Cell(x, y, row, f"<b>{drawing.escape(names[area])}</b> · {hover(week, row)}")
        for x, area in enumerate(areas)
        for y, week in enumerate(newest)
        for row in [rows.get((area, week))]
    ]
    ends = span([row.estimate for row in rows.values() if row and row.estimate is not None])
    dates = [tick_day(monday(week)) for week in newest]
    rows_down = drawing.lines_down(dates, palette=palette)
    heads = [drawing.label(names[area], NAME_WIDTH) for area in areas]
    shown: dict[str, Any] = {"tickvals": list(range(len(areas))), "ticktext": heads, "tickangle": 0}
    shown["tickfont"] = {"size": 11}
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
        height=ROW_HEIGHT * len(weeks) + HEAD_HEIGHT + 4,
        margin=(52, 4, HEAD_HEIGHT, 4),
        xaxis=drawing.axis(
            side="top", range=[-0.5, len(areas) - 0.5], showgrid=False, color=palette.ink, **shown
        ),
        yaxis=rows_down | {"automargin": False},
        meta=data_of_rows((names[area], week, row) for (area, week), row in rows.items()),
    )


def line_of(week: str, weeks: Sequence[str]) -> int | None:
    """Return the place of a week among the lines of the map."""
    return len(weeks) - 1 - weeks.index(week) if week in weeks else None


def title(
    rows: Mapping[str, Row | None], *, week: str, names: Mapping[str, str], label: str
) -> str:
    """Return the finding of the map: where the figure of a week is highest; rows are by area.

    Figures without an interval, or too uncertain to publish, are not set beside the others.
    """
    known = {area: row for area, row in rows.items() if row and row.estimate is not None}
    when = f"{label}, {week_dates(week)}"
    if not known:
        return say("{when}: no area has a figure", when=when)
    if len(known) == 1:
        ((area, row),) = known.items()
        return f"{when}: {names[area]}, {numbers.short(row)}"
    sure = {area: row for area, row in known.items() if _is_sure(row)}
    if not sure:
        return say("{when}: no area has a figure sure enough to compare", when=when)
    area = max(sure, key=lambda one: sure[one].estimate or 0.0)
    named = {"when": when, "area": names[area], "figure": numbers.short(sure[area])}
    if len(sure) == 1:
        return say("{when}: {area}, {figure}, the only area with a sure figure", **named)
    if len(sure) == len(known):
        return say("{when}: highest in {area}, {figure}", **named)
    return say(
        "{when}: highest in {area}, {figure}, of {n} areas with a sure figure",
        n=len(sure),
        **named,
    )


def _is_sure(row: Row) -> bool:
    return row.ci_low is not None and reasons.caution(row)[0] != reasons.STRONG


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
    ends = {"low": numbers.coarse(known[0]), "high": numbers.coarse(top)}
    if high < (known[-1].estimate or 0.0):
        return say("Colour runs from {low} to {high} or more.", **ends)
    return say("Colour runs from {low} to {high}.", **ends)


def cell_text(row: Row | None) -> str:
    """Return the words in a cell: value, beside it the marks of status and of a wide error."""
    if row is None or row.estimate is None:
        return mark(row).glyph
    glyph = "" if mark(row) == PLAIN else mark(row).glyph
    signs = glyph + reasons.caution(row)[0]
    return numbers.coarse(row) + (f" {signs}" if signs else "")


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
