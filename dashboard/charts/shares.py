"""The sublegal share by week: points of the survey with intervals, the pooled line in its band."""

from __future__ import annotations

import math
from html import escape
from typing import TYPE_CHECKING

import plotly.graph_objects as go

from dashboard import numbers
from dashboard.charts.series import hover
from dashboard.charts.theme import mark, plain

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from dashboard.bulletin_index import Row
    from dashboard.charts.theme import Palette

HEIGHT = 225
#: The signs of the pooled line with their words, and their colour.
SIGNS = (("━", "pooled line"), ("▒", "its interval"))
HUES = {"━": "copper", "▒": "copper"}
#: How far the band reaches beyond its first and last week, so that a single week has one.
_END = 0.3
#: The axis of shares is never shorter, so that small moves stay small.
_LEAST_SPAN = 0.4


def panel(
    survey: Sequence[Row | None],
    pooled: Sequence[Row | None],
    *,
    weeks: Sequence[str],
    span: tuple[float, float],
    palette: Palette,
) -> go.Figure:
    """Draw the weeks of one area.

    Parameters
    ----------
    survey, pooled : sequence of Row or None
        One a week of `weeks`; None where there is no row.
    weeks : sequence of str
        The axis.
    span : tuple of (float, float)
        Ends of the axis of shares, the same for panels that are to be compared.
    palette : Palette
    """
    figure = go.Figure()
    figure.add_trace(_band(pooled, palette=palette))
    figure.add_trace(_line(pooled, weeks=weeks, palette=palette))
    figure.add_trace(_intervals(survey, palette=palette))
    figure.add_trace(_points(survey, weeks=weeks, palette=palette))
    figure.add_trace(_gaps(survey, weeks=weeks, span=span, palette=palette))
    _lay_out(figure, weeks=weeks, span=span, palette=palette)
    return figure


def axis(rows: Iterable[Row | None]) -> tuple[float, float]:
    """Return the ends of the axis that hold every share and interval, in whole tenths."""
    ends = [
        end
        for row in rows
        if row is not None
        for end in (row.estimate, row.ci_low, row.ci_high)
        if end is not None
    ]
    if not ends:
        return 0.0, 1.0
    low, high = math.floor(10 * min(ends)) / 10, math.ceil(10 * max(ends)) / 10
    short = max(_LEAST_SPAN - (high - low), 0.0)
    low = max(low - short, 0.0)
    high = min(max(high, low + _LEAST_SPAN), 1.0)
    return (low - 0.01, high + 0.01)


def description(
    survey: Sequence[Row | None],
    pooled: Sequence[Row | None],
    *,
    weeks: Sequence[str],
    area: str,
) -> str:
    """Return a sentence that stands for a panel where it cannot be seen."""
    told = [(week, row) for week, row in zip(weeks, survey, strict=True) if _has(row)]
    line = [(week, row) for week, row in zip(weeks, pooled, strict=True) if _has(row)]
    words = f"Sublegal share by week in {area}: {len(told)} weeks with a figure of the survey"
    if not line:
        return f"{words}; no pooled line."
    (first, start), (last, end) = line[0], line[-1]
    return (
        f"{words}; the pooled line goes from {numbers.figure(start)} in {first} to "
        f"{numbers.figure(end)} in {last}."
    )


def _has(row: Row | None) -> bool:
    return row is not None and row.estimate is not None


def _runs(rows: Sequence[Row | None]) -> list[list[tuple[int, float, float]]]:
    """Return the runs of weeks that have an interval, with its ends."""
    runs: list[list[tuple[int, float, float]]] = []
    for at, row in enumerate(rows):
        if row is None or row.ci_low is None or row.ci_high is None:
            continue
        if not runs or runs[-1][-1][0] != at - 1:
            runs.append([])
        runs[-1].append((at, row.ci_low, row.ci_high))
    return runs


def _band(pooled: Sequence[Row | None], *, palette: Palette) -> go.Scatter:
    x: list[float | None] = []
    y: list[float | None] = []
    for run in _runs(pooled):
        (first, low, high), (last, low_end, high_end) = run[0], run[-1]
        x += [first - _END, *(at for at, _, _ in run), last + _END]
        y += [high, *(end for _, _, end in run), high_end]
        x += [last + _END, *(at for at, _, _ in reversed(run)), first - _END, None]
        y += [low_end, *(end for _, end, _ in reversed(run)), low, None]
    return go.Scatter(
        x=x,
        y=y,
        mode="lines",
        fill="toself",
        fillcolor=palette.band,
        line={"width": 0.8, "color": palette.copper},
        opacity=0.7,
        hoverinfo="skip",
    )


def _line(pooled: Sequence[Row | None], *, weeks: Sequence[str], palette: Palette) -> go.Scatter:
    return go.Scatter(
        x=list(range(len(weeks))),
        y=[row.estimate if row is not None else None for row in pooled],
        mode="lines+markers",
        marker={"size": 3, "color": palette.copper},
        line={"width": 2.2, "color": palette.copper},
        connectgaps=False,
        text=[
            f"<b>{week}, pooled line</b><br>{escape(numbers.figure(row))}"
            for week, row in zip(weeks, pooled, strict=True)
        ],
        hovertemplate="%{text}<extra></extra>",
    )


def _intervals(survey: Sequence[Row | None], *, palette: Palette) -> go.Scatter:
    x: list[int | None] = []
    y: list[float | None] = []
    for at, row in enumerate(survey):
        if row is not None and row.ci_low is not None and row.ci_high is not None:
            x += [at, at, None]
            y += [row.ci_low, row.ci_high, None]
    line = {"width": 4, "color": palette.sea}
    return go.Scatter(x=x, y=y, mode="lines", line=line, opacity=0.35, hoverinfo="skip")


def _points(survey: Sequence[Row | None], *, weeks: Sequence[str], palette: Palette) -> go.Scatter:
    known = [(at, row) for at, row in enumerate(survey) if row is not None and _has(row)]
    return go.Scatter(
        x=[at for at, _ in known],
        y=[row.estimate for _, row in known],
        mode="markers",
        marker={
            "symbol": [mark(row).symbol for _, row in known],
            "size": 7,
            "color": palette.sea,
            "line": {"width": 1.6, "color": palette.sea},
        },
        text=[hover(weeks[at], row) for at, row in known],
        hovertemplate="%{text}<extra></extra>",
        cliponaxis=False,
    )


def _gaps(
    survey: Sequence[Row | None],
    *,
    weeks: Sequence[str],
    span: tuple[float, float],
    palette: Palette,
) -> go.Scatter:
    gaps = [(at, row) for at, row in enumerate(survey) if row is not None and not _has(row)]
    return go.Scatter(
        x=[at for at, _ in gaps],
        y=[span[0] + 0.04 * (span[1] - span[0])] * len(gaps),
        mode="markers",
        marker={
            "symbol": [mark(row).symbol for _, row in gaps],
            "size": 8,
            "color": palette.quiet,
            "line": {"width": 1.6, "color": palette.quiet},
        },
        text=[hover(weeks[at], row) for at, row in gaps],
        hovertemplate="%{text}<extra></extra>",
        cliponaxis=False,
    )


def _lay_out(
    figure: go.Figure, *, weeks: Sequence[str], span: tuple[float, float], palette: Palette
) -> None:
    step = max(1, -(-len(weeks) // 5))
    ticks = list(range(0, len(weeks), step))
    shared = {"fixedrange": True, "zeroline": False, "ticks": "", "color": palette.quiet}
    figure.update_layout(
        height=HEIGHT, margin={"l": 44, "r": 10, "t": 8, "b": 26}, **plain(palette)
    )
    figure.update_xaxes(
        tickvals=ticks,
        ticktext=[weeks[at][5:] for at in ticks],
        range=[-0.6, len(weeks) - 0.4],
        showgrid=False,
        tickangle=0,
        **shared,
    )
    figure.update_yaxes(
        range=list(span), tickformat=".0%", nticks=5, gridcolor=palette.grid, **shared
    )
