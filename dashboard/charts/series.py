"""Trend panels: one small figure an area, weeks across, every interval drawn."""

from __future__ import annotations

from html import escape
from textwrap import wrap
from typing import TYPE_CHECKING

import plotly.graph_objects as go

from analytics.quantities import QUANTITIES, QuantityKind
from dashboard import numbers, reasons
from dashboard.charts.theme import mark, plain

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from dashboard.bulletin_index import Row
    from dashboard.charts.theme import Palette

HEIGHT = 190
#: Characters a line of hover words holds.
HOVER_WIDTH = 60
#: The sign of an interval that runs on above its panel, with its words.
CUT = ("▲", "the interval runs on above the panel")


def ceiling(rows: Iterable[Row | None]) -> float:
    """Return the top of the axis for some panels.

    The highest interval end, but no more than 2.5 times the highest estimate, so that one very
    uncertain week does not flatten the rest; an interval that runs on is marked in its panel.
    """
    known = [row for row in rows if row is not None and row.estimate is not None]
    top = max((row.estimate or 0.0 for row in known), default=0.0)
    reach = max((row.ci_high or 0.0 for row in known), default=0.0)
    return 1.08 * (max(top, min(reach, 2.5 * top)) or 1.0)


def panel(
    rows: Sequence[Row | None],
    *,
    weeks: Sequence[str],
    chosen: str,
    quantity: str,
    top: float,
    palette: Palette,
) -> go.Figure:
    """Draw the weeks of one area.

    Parameters
    ----------
    rows : sequence of Row or None
        One a week of `weeks`; None where the bulletin has no row.
    weeks : sequence of str
        The shared axis.
    chosen : str
        Week to highlight.
    quantity : str
        What is drawn; decides the axis.
    top : float
        Top of the value axis.
    palette : Palette
    """
    drawn = list(zip(weeks, rows, strict=True))
    figure = go.Figure()
    figure.add_trace(_intervals(drawn, top=top, palette=palette))
    figure.add_trace(_line(drawn, palette=palette))
    figure.add_trace(_points(drawn, chosen=chosen, palette=palette))
    figure.add_trace(_gaps(drawn, top=top, palette=palette))
    figure.add_trace(_cut(drawn, top=top, palette=palette))
    if chosen in weeks:
        at = list(weeks).index(chosen)
        figure.add_vrect(at - 0.5, at + 0.5, fillcolor=palette.band, line_width=0, layer="below")
    _lay_out(figure, weeks=weeks, chosen=chosen, top=top, palette=palette)
    is_share = QUANTITIES[quantity].kind is QuantityKind.SHARE
    figure.update_yaxes(tickformat=".0%" if is_share else ",.2~f")
    return figure


def is_cut(rows: Iterable[Row | None], *, top: float) -> bool:
    """Return whether an interval runs on above a panel."""
    return any((row.ci_high or 0.0) > top for row in rows if row is not None)


def description(rows: Sequence[Row | None], *, weeks: Sequence[str], area: str, label: str) -> str:
    """Return a sentence that stands for a panel where it cannot be seen."""
    known = [(week, row) for week, row in zip(weeks, rows, strict=True) if _has(row)]
    if not known:
        return f"{label} by week in {area}: no week has an estimate."
    low = min(known, key=lambda one: one[1].estimate)
    high = max(known, key=lambda one: one[1].estimate)
    return (
        f"{label} by week in {area}, with intervals; {len(known)} of {len(weeks)} weeks have an "
        f"estimate, lowest {numbers.figure(low[1])} in {low[0]}, "
        f"highest {numbers.figure(high[1])} in {high[0]}."
    )


def hover(week: str, row: Row | None) -> str:
    """Return the words of a point: week, figure, what stands behind it."""
    lines = wrap(numbers.figure(row), HOVER_WIDTH)
    if row is not None and row.estimate is not None:
        sign, words = reasons.caution(row)
        lines += [reasons.precision(row), f"{sign} {words}".strip()]
        lines += wrap(reasons.behind(row), HOVER_WIDTH)
    return "<br>".join([f"<b>{week}</b>", *(escape(line) for line in lines if line)])


def _has(row: Row | None) -> bool:
    return row is not None and row.estimate is not None


def _intervals(drawn: list[tuple[str, Row | None]], *, top: float, palette: Palette) -> go.Scatter:
    x: list[int | None] = []
    y: list[float | None] = []
    for at, (_, row) in enumerate(drawn):
        if row is not None and row.ci_low is not None and row.ci_high is not None:
            x += [at, at, None]
            y += [row.ci_low, min(row.ci_high, top), None]
    line = {"width": 5, "color": palette.sea}
    return go.Scatter(x=x, y=y, mode="lines", line=line, opacity=0.35, hoverinfo="skip")


def _line(drawn: list[tuple[str, Row | None]], *, palette: Palette) -> go.Scatter:
    y = [row.estimate if row is not None else None for _, row in drawn]
    line = {"width": 1.4, "color": palette.sea}
    return go.Scatter(
        x=list(range(len(y))), y=y, mode="lines", line=line, connectgaps=False, hoverinfo="skip"
    )


def _points(drawn: list[tuple[str, Row | None]], *, chosen: str, palette: Palette) -> go.Scatter:
    known = [(at, week, row) for at, (week, row) in enumerate(drawn) if _has(row)]
    colours = [palette.copper if week == chosen else palette.sea for _, week, _ in known]
    return go.Scatter(
        x=[at for at, _, _ in known],
        y=[row.estimate for _, _, row in known if row is not None],
        mode="markers",
        marker={
            "symbol": [mark(row).symbol for _, _, row in known],
            "size": [10 if week == chosen else 7 for _, week, _ in known],
            "color": colours,
            "line": {"width": 1.8, "color": colours},
        },
        text=[hover(week, row) for _, week, row in known],
        hovertemplate="%{text}<extra></extra>",
        cliponaxis=False,
    )


def _gaps(drawn: list[tuple[str, Row | None]], *, top: float, palette: Palette) -> go.Scatter:
    """Mark the weeks that were open and have no estimate, on the axis."""
    gaps = [(at, week, row) for at, (week, row) in enumerate(drawn) if row and not _has(row)]
    return go.Scatter(
        x=[at for at, _, _ in gaps],
        y=[0.04 * top] * len(gaps),
        mode="markers",
        marker={
            "symbol": [mark(row).symbol for _, _, row in gaps],
            "size": 8,
            "color": palette.quiet,
            "line": {"width": 1.6, "color": palette.quiet},
        },
        text=[hover(week, row) for _, week, row in gaps],
        hovertemplate="%{text}<extra></extra>",
        cliponaxis=False,
    )


def _cut(drawn: list[tuple[str, Row | None]], *, top: float, palette: Palette) -> go.Scatter:
    """Mark the intervals that run on above the panel."""
    over = [at for at, (_, row) in enumerate(drawn) if row and (row.ci_high or 0) > top]
    marker = {"symbol": "arrow-up", "size": 8, "color": palette.sea}
    return go.Scatter(
        x=over,
        y=[top] * len(over),
        mode="markers",
        marker=marker,
        hoverinfo="skip",
        cliponaxis=False,
    )


def _lay_out(
    figure: go.Figure, *, weeks: Sequence[str], chosen: str, top: float, palette: Palette
) -> None:
    step = max(1, -(-len(weeks) // 5))
    ticks = list(range(0, len(weeks), step))
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "color": palette.quiet}
    figure.update_layout(
        height=HEIGHT,
        margin={"l": 44, "r": 10, "t": 8, "b": 26},
        **plain(palette),
    )
    figure.update_xaxes(
        tickvals=ticks,
        ticktext=[weeks[at][5:] for at in ticks],
        range=[-0.6, len(weeks) - 0.4],
        showgrid=False,
        tickangle=0,
        **axis,
    )
    figure.update_yaxes(range=[0, top], nticks=4, gridcolor=palette.grid, **axis)
