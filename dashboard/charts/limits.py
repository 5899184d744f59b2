"""Use of each limit: a bar of what is used, the limit as a line, what is expected as a diamond."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from textwrap import wrap
from typing import TYPE_CHECKING

import plotly.graph_objects as go

from dashboard.charts import theme
from dashboard.charts.series import HOVER_WIDTH
from dashboard.charts.theme import plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.charts.theme import Palette
    from dashboard.numbers import Measurement

#: Pixels of a bar, and characters of a label that stand on one line.
BAR_HEIGHT, LABEL_WIDTH = 54, 22
#: How far the axis runs at least and at most, in limits.
LEAST, MOST = 1.2, 2.5
#: How far below its bar the expected total stands, in bars.
LOWER = 0.33
SIGNS = (("▬", "used so far"), ("━", "its interval"), ("┃", "the limit"))
AHEAD = ("◇", "expected at the close, with its interval")
GAP = ("×", "no figure")
CUT = ("▶", "it runs on")
HUES = {"◇": "copper", "┃": "ink", "━": "ink", "×": "quiet"}


@dataclass(frozen=True, slots=True)
class Bar:
    """One limit; amounts are shares of it.

    Parameters
    ----------
    label, note : str
        What is limited, and what stands below it.
    used, expected : Measurement
    words : str
        What else the pointer shows.
    """

    label: str
    note: str
    used: Measurement
    expected: Measurement
    words: str = ""


def signs(bars: Sequence[Bar]) -> list[tuple[str, str]]:
    """Return the signs that occur in the figure with their words."""
    found = list(SIGNS)
    found += [AHEAD] * any(bar.expected.value is not None for bar in bars)
    found += [GAP] * any(bar.used.value is None for bar in bars)
    top = reach(bars)
    return found + [CUT] * any(
        _is_over(one, top) for bar in bars for one in (bar.used, bar.expected)
    )


def reach(bars: Sequence[Bar]) -> float:
    """Return the end of the axis in limits."""
    amounts = [one for bar in bars for one in (bar.used, bar.expected)]
    ends = [end for one in amounts for end in (one.value, one.high) if end is not None]
    return min(max([LEAST, *(1.04 * end for end in ends)]), MOST)


def figure(bars: Sequence[Bar], *, palette: Palette) -> go.Figure:
    """Draw limits from top to bottom in the order given; one or more."""
    top = reach(bars)
    drawn = go.Figure()
    drawn.add_trace(_bars(bars, top=top, palette=palette))
    drawn.add_trace(_span(bars, top=top, palette=palette))
    for trace in _expected(bars, top=top, palette=palette):
        drawn.add_trace(trace)
    gaps = [at for at, bar in enumerate(bars) if bar.used.value is None]
    said = [_hover(bars[at]) for at in gaps]
    drawn.add_trace(theme.gaps(gaps, words=said, top=top, palette=palette))
    for name, off, colour in (("used", 0.0, palette.ink), ("expected", LOWER, palette.copper)):
        over = [at + off for at, bar in enumerate(bars) if _is_over(getattr(bar, name), top)]
        drawn.add_trace(theme.cut(over, top=top, colour=colour))
    drawn.add_vline(1.0, line={"width": 2.2, "color": palette.ink})
    _lay_out(drawn, bars, top=top, palette=palette)
    return drawn


def description(bars: Sequence[Bar]) -> str:
    """Return a sentence that stands for the figure where it cannot be seen."""
    parts = []
    for bar in bars:
        said = f"{bar.label}: {bar.used.figure()} used" if bar.used.value is not None else ""
        ahead = f", {bar.expected.figure()} expected" if bar.expected.value is not None else ""
        parts.append(f"{said}{ahead}" if said else f"{bar.label}: no figure")
    return f"Use of each limit. {'; '.join(parts)}."


def _is_over(one: Measurement, top: float) -> bool:
    return any(end is not None and end > top for end in (one.value, one.high))


def _bars(bars: Sequence[Bar], *, top: float, palette: Palette) -> go.Bar:
    known = [(at, bar) for at, bar in enumerate(bars) if bar.used.value is not None]
    return go.Bar(
        x=[min(bar.used.value or 0.0, top) for _, bar in known],
        y=[at for at, _ in known],
        orientation="h",
        width=0.42,
        marker={"color": palette.sea, "opacity": 0.75, "line": {"width": 0}},
        customdata=[_hover(bar) for _, bar in known],
        hovertemplate="%{customdata}<extra></extra>",
        name="used",
    )


def _span(bars: Sequence[Bar], *, top: float, palette: Palette) -> go.Scatter:
    x: list[float | None] = []
    y: list[float | None] = []
    for at, bar in enumerate(bars):
        if bar.used.low is not None and bar.used.high is not None:
            x += [min(bar.used.low, top), min(bar.used.high, top), None]
            y += [at, at, None]
    line = {"width": 2.4, "color": palette.ink}
    return go.Scatter(x=x, y=y, mode="lines", line=line, hoverinfo="skip", name="interval")


def _expected(bars: Sequence[Bar], *, top: float, palette: Palette) -> list[go.Scatter]:
    known = [(at + LOWER, bar) for at, bar in enumerate(bars) if bar.expected.value is not None]
    x: list[float | None] = []
    y: list[float | None] = []
    for at, bar in known:
        if bar.expected.low is not None and bar.expected.high is not None:
            x += [min(bar.expected.low, top), min(bar.expected.high, top), None]
            y += [at, at, None]
    line = {"width": 1.8, "color": palette.copper}
    marker = {"symbol": "diamond-open", "size": 9, "color": palette.copper, "line": line}
    return [
        go.Scatter(x=x, y=y, mode="lines", line=line, hoverinfo="skip", name="expected interval"),
        go.Scatter(
            x=[min(bar.expected.value or 0.0, top) for _, bar in known],
            y=[at for at, _ in known],
            mode="markers",
            marker=marker,
            text=[_hover(bar) for _, bar in known],
            hovertemplate="%{text}<extra></extra>",
            cliponaxis=False,
            name="expected",
        ),
    ]


def _hover(bar: Bar) -> str:
    lines = [part for line in bar.words.split("\n") for part in wrap(line, HOVER_WIDTH)]
    return "<br>".join([f"<b>{escape(bar.label)}</b>", *(escape(line) for line in lines)])


def _lay_out(drawn: go.Figure, bars: Sequence[Bar], *, top: float, palette: Palette) -> None:
    labels = [
        "<br>".join([*(escape(part) for part in wrap(bar.label, LABEL_WIDTH)), escape(bar.note)])
        for bar in bars
    ]
    height = max([BAR_HEIGHT, *(17 * (one.count("<br>") + 1) for one in labels)])
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "color": palette.quiet}
    drawn.update_layout(
        height=height * len(bars) + 40,
        margin={"l": 8, "r": 18, "t": 6, "b": 26},
        bargap=0.3,
        **plain(palette),
    )
    drawn.update_xaxes(range=[0, top], tickformat=".0%", nticks=6, gridcolor=palette.grid, **axis)
    drawn.update_yaxes(
        tickvals=list(range(len(bars))),
        ticktext=labels,
        automargin=True,
        range=[len(bars) - 0.5, -0.5],
        showgrid=False,
        ticklabelstandoff=6,
        **(axis | {"color": palette.ink}),
    )
