"""The heat map: areas down, weeks across, one figure a cell; a blank cell says why."""

from __future__ import annotations

from typing import TYPE_CHECKING

import plotly.graph_objects as go

from analytics.units import QUANTITIES, Kind
from dashboard import text
from dashboard.charts.marks import PLAIN, mark
from dashboard.charts.palette import FONT
from dashboard.charts.trends import hover

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dashboard.book import Row
    from dashboard.charts.palette import Palette

ROW_HEIGHT = 46


def heat(
    rows: Mapping[tuple[str, str], Row | None],
    *,
    areas: Sequence[str],
    names: Mapping[str, str],
    weeks: Sequence[str],
    chosen: str,
    quantity: str,
    palette: Palette,
) -> go.Figure:
    """Draw one quantity by area and week.

    Parameters
    ----------
    rows : mapping of (area, week) to Row or None
        A missing or None row is a closed cell.
    areas, weeks : sequence of str
        Down (first on top) and across.
    names : mapping of str to str
        Area names for people, already harmless.
    chosen : str
        Week to frame.
    quantity : str
        A rate or a share.
    palette : Palette

    Returns
    -------
    plotly.graph_objects.Figure
    """
    share = QUANTITIES[quantity].kind is Kind.SHARE
    cells = [[rows.get((area, week)) for week in weeks] for area in areas]
    figure = go.Figure(
        _cells(
            cells,
            names=[names[area] for area in areas],
            weeks=weeks,
            scale=palette.copper_scale if share else palette.sea_scale,
        )
    )
    figure.add_trace(
        _blanks(cells, names=[names[area] for area in areas], weeks=weeks, palette=palette)
    )
    if chosen in weeks:
        at = list(weeks).index(chosen)
        figure.add_shape(
            type="rect",
            x0=at - 0.5,
            x1=at + 0.5,
            y0=-0.5,
            y1=len(areas) - 0.5,
            line={"color": palette.ink, "width": 2},
        )
    _lay_out(figure, areas=[names[area] for area in areas], weeks=weeks, palette=palette)
    return figure


def cell_text(row: Row | None) -> str:
    """Return the words in a cell: value, then the marks of its status and of a wide error."""
    if row is None or row.estimate is None:
        return mark(row).glyph
    glyph = "" if mark(row) == PLAIN else mark(row).glyph
    return text.coarse(row) + glyph + text.caution(row)[0]


def _cells(
    cells: list[list[Row | None]],
    *,
    names: list[str],
    weeks: Sequence[str],
    scale: Sequence[str],
) -> go.Heatmap:
    low, high = _span(cells)
    return go.Heatmap(
        x=list(range(len(weeks))),
        y=list(range(len(names))),
        z=[[row.estimate if row else None for row in line] for line in cells],
        text=[[cell_text(row) for row in line] for line in cells],
        texttemplate="%{text}",
        textfont={"family": FONT, "size": 12},
        customdata=[
            [f"<b>{name}</b> · {hover(week, row)}" for week, row in zip(weeks, line, strict=True)]
            for name, line in zip(names, cells, strict=True)
        ],
        hovertemplate="%{customdata}<extra></extra>",
        colorscale=[[at / (len(scale) - 1), colour] for at, colour in enumerate(scale)],
        zmin=low,
        zmax=high,
        xgap=2,
        ygap=2,
        showscale=False,
        hoverongaps=False,
    )


def _span(cells: list[list[Row | None]]) -> tuple[float, float]:
    """Return the values of the palest and the deepest colour: the lowest and highest in view."""
    known = [row.estimate for line in cells for row in line if row and row.estimate is not None]
    low, high = min(known, default=0.0), max(known, default=1.0)
    return (low, high) if high > low else (low - 0.5, low + 0.5)


def _blanks(
    cells: list[list[Row | None]], *, names: list[str], weeks: Sequence[str], palette: Palette
) -> go.Scatter:
    """Put the reason's mark and words where there is no number."""
    blank = [
        (x, y, f"<b>{names[y]}</b> · {hover(weeks[x], row)}", mark(row).glyph)
        for y, line in enumerate(cells)
        for x, row in enumerate(line)
        if row is None or row.estimate is None
    ]
    return go.Scatter(
        x=[one[0] for one in blank],
        y=[one[1] for one in blank],
        mode="text",
        text=[one[3] for one in blank],
        textfont={"family": FONT, "size": 14, "color": palette.quiet},
        customdata=[one[2] for one in blank],
        hovertemplate="%{customdata}<extra></extra>",
    )


def _lay_out(
    figure: go.Figure, *, areas: Sequence[str], weeks: Sequence[str], palette: Palette
) -> None:
    axis = {"fixedrange": True, "showgrid": False, "zeroline": False, "ticks": ""}
    step = max(1, -(-len(weeks) // 14))
    ticks = list(range(0, len(weeks), step))
    figure.update_layout(
        height=ROW_HEIGHT * len(areas) + 40,
        margin={"l": 8, "r": 8, "t": 4, "b": 30},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        font={"family": FONT, "size": 12, "color": palette.ink},
        showlegend=False,
        dragmode=False,
        hoverlabel={"font": {"family": FONT, "size": 13}},
        template="none",
    )
    figure.update_xaxes(
        tickvals=ticks,
        ticktext=[weeks[at][5:] for at in ticks],
        range=[-0.5, len(weeks) - 0.5],
        color=palette.quiet,
        **axis,
    )
    figure.update_yaxes(
        tickvals=list(range(len(areas))),
        ticktext=list(areas),
        automargin=True,
        range=[len(areas) - 0.5, -0.5],
        **axis,
    )
