"""Figures that moved: each before and now, a dot with its interval, the largest revision on top."""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go

from analytics.quantities import QUANTITIES, QuantityKind
from dashboard import numbers
from dashboard.charts.series import HOVER_WIDTH
from dashboard.charts.theme import plain
from dashboard.revisions import moves as moved

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.bulletin_index import BulletinIndex, Row
    from dashboard.charts.theme import Palette
    from dashboard.revisions.moves import Move

ROW_HEIGHT = 52
#: Moves that a figure shows; the table has them all.
SHOWN = 10
#: How far the two dots of a move stand apart, in rows.
APART = 0.16
#: The signs of the figure with their words.
SIGNS = (("○", "before"), ("●", "now"), ("━", "interval"))
CUT = ("◀ ▶", "the interval runs on")
STEPS = ("↔", "logarithmic axis: equal steps are equal ratios")
LABEL_WIDTH = 18
#: How many times the outermost figure the axis reaches for the ends of intervals.
BEYOND = 4.0
#: How far inside the ends of the axis a sign stands: on the end itself it may not be drawn.
INSIDE = 1.03
#: Room beside the ends of shares.
ROOM = 0.03
#: Powers of ten under which an axis has ticks between them.
FEW_DECADES = 2.2


def drawn(moves: Sequence[Move]) -> list[Move]:
    """Return the moves that a figure shows: the largest that have a figure before or now."""
    known = [move for move in moves if move.kind == moved.REVISED and _ends(move)]
    return known[:SHOWN]


@dataclass(frozen=True, slots=True)
class Span:
    """The value axis: its ends, and whether it runs in powers of ten.

    Totals and rates of a large and a small area share a figure only on a logarithmic axis, on which
    their intervals are symmetric too; shares have a linear one.
    """

    low: float
    high: float
    is_log: bool

    def held(self, amount: float) -> float:
        """Return an amount moved inside the ends."""
        return min(max(amount, self.low), self.high)

    def cuts(self, row: Row) -> tuple[bool, bool]:
        """Return whether an interval runs on beyond the lower and beyond the upper end."""
        if row.ci_low is None or row.ci_high is None:
            return False, False
        return row.ci_low < self.low, row.ci_high > self.high


def span(moves: Sequence[Move]) -> Span:
    """Return the axis that holds every figure, and of intervals as much as leaves room for them."""
    rows = [row for move in moves for row in _ends(move)]
    if QUANTITIES[rows[0].quantity].kind is QuantityKind.SHARE:
        ends = [end for row in rows for end in (row.estimate, row.ci_low, row.ci_high) if end]
        low, high = min(ends, default=0.0) - ROOM, max(ends, default=1.0) + ROOM
        return Span(max(low, 0.0), min(high, 1.0), is_log=False)
    known = [row.estimate for row in rows if row.estimate] or [1.0]
    lows = [row.ci_low for row in rows if row.ci_low]
    highs = [row.ci_high for row in rows if row.ci_high]
    low = max(min(known + lows), min(known) / BEYOND)
    high = min(max(known + highs), max(known) * BEYOND)
    return Span(low / 1.1, high * 1.1, is_log=True)


def dumbbells(moves: Sequence[Move], *, book: BulletinIndex, palette: Palette) -> go.Figure:
    """Draw moves of one quantity, one a line.

    Parameters
    ----------
    moves : sequence of Move
        At least one, as `drawn` returns them.
    book : BulletinIndex
        Names the areas.
    palette : Palette
    """
    ends = span(moves)
    figure = go.Figure()
    now = [(at + APART, move, move.now) for at, move in enumerate(moves) if _has(move.now)]
    before = [(at - APART, move, move.before) for at, move in enumerate(moves) if _has(move.before)]
    for points, colour, symbol in (
        (before, palette.quiet, "circle-open"),
        (now, palette.sea, "circle"),
    ):
        figure.add_trace(_intervals(points, ends=ends, colour=colour))
        figure.add_trace(_dots(points, book=book, ends=ends, colour=colour, symbol=symbol))
        figure.add_trace(_cut(points, ends=ends, colour=colour))
    _lay_out(figure, labels=[_label(move, book=book) for move in moves], ends=ends, palette=palette)
    return figure


def is_cut(moves: Sequence[Move]) -> bool:
    """Return whether an interval runs on beyond the figure, on either side."""
    ends = span(moves)
    return any(any(ends.cuts(row)) for move in moves for row in _ends(move))


def description(moves: Sequence[Move], *, book: BulletinIndex, label: str) -> str:
    """Return a sentence that stands for the figure where it cannot be seen."""
    first = moves[0]
    place = moved.place_of(first)
    return (
        f"{label} before and now, with intervals, for the {len(moves)} largest moves; first "
        f"{moved.where(first, book=book)}: {numbers.figure(first.before, place=place)} before, "
        f"{numbers.figure(first.now, place=place)} now."
    )


Point = tuple[float, "Move", "Row"]


def _has(row: Row | None) -> bool:
    return row is not None and row.estimate is not None


def _ends(move: Move) -> list[Row]:
    return [row for row in (move.before, move.now) if row is not None and row.estimate is not None]


def _intervals(points: Sequence[Point], *, ends: Span, colour: str) -> go.Scatter:
    x: list[float | None] = []
    y: list[float | None] = []
    for at, _, row in points:
        if row.ci_low is not None and row.ci_high is not None:
            x += [ends.held(row.ci_low), ends.held(row.ci_high), None]
            y += [at, at, None]
    line = {"width": 5, "color": colour}
    return go.Scatter(x=x, y=y, mode="lines", line=line, opacity=0.35, hoverinfo="skip")


def _dots(
    points: Sequence[Point], *, book: BulletinIndex, ends: Span, colour: str, symbol: str
) -> go.Scatter:
    """Put a dot at each figure; a zero, which no logarithmic axis has, stands at its low end."""
    return go.Scatter(
        x=[ends.held(row.estimate or INSIDE * ends.low) for _, _, row in points],
        y=[at for at, _, _ in points],
        mode="markers+text",
        marker={
            "symbol": symbol,
            "size": 10,
            "color": colour,
            "line": {"width": 1.8, "color": colour},
        },
        text=["" if row.estimate else "0" for _, _, row in points],
        textposition="middle right",
        textfont={"color": colour},
        customdata=[_hover(move, book=book) for _, move, _ in points],
        hovertemplate="%{customdata}<extra></extra>",
        cliponaxis=False,
    )


def _cut(points: Sequence[Point], *, ends: Span, colour: str) -> go.Scatter:
    under = [at for at, _, row in points if ends.cuts(row)[0]]
    over = [at for at, _, row in points if ends.cuts(row)[1]]
    signs = ["arrow-left"] * len(under) + ["arrow-right"] * len(over)
    marker = {"symbol": signs, "size": 8, "color": colour}
    return go.Scatter(
        x=[INSIDE * ends.low] * len(under) + [ends.high / INSIDE] * len(over),
        y=under + over,
        mode="markers",
        marker=marker,
        hoverinfo="skip",
        cliponaxis=False,
    )


def _hover(move: Move, *, book: BulletinIndex) -> str:
    size = ", ".join(part for part in (moved.shift(move), moved.in_errors(move)) if part)
    place = moved.place_of(move)
    lines = [
        f"before: {numbers.figure(move.before, place=place)}",
        f"now: {numbers.figure(move.now, place=place)}",
        size,
        moved.cause_words(move.causes),
    ]
    told = [escape(part) for line in lines for part in wrap(line, HOVER_WIDTH)]
    return "<br>".join([f"<b>{escape(moved.where(move, book=book))}</b>", *told])


def _label(move: Move, *, book: BulletinIndex) -> str:
    name = book.name(move.row.area)
    parts = wrap(f"{name[:1].upper()}{name[1:]}", LABEL_WIDTH)
    return "<br>".join([*(escape(part) for part in parts), move.row.week or "season"])


def _lay_out(figure: go.Figure, *, labels: Sequence[str], ends: Span, palette: Palette) -> None:
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "color": palette.quiet}
    figure.update_layout(
        height=ROW_HEIGHT * len(labels) + 50,
        margin={"l": 8, "r": 16, "t": 8, "b": 30},
        **plain(palette),
    )
    figure.update_xaxes(gridcolor=palette.grid, **_scale(ends), **axis)
    figure.update_yaxes(
        tickvals=list(range(len(labels))),
        ticktext=list(labels),
        automargin=True,
        range=[len(labels) - 0.5, -0.5],
        showgrid=False,
        ticklabelstandoff=6,
        **(axis | {"color": palette.ink}),
    )


def _scale(ends: Span) -> dict[str, Any]:
    if not ends.is_log:
        return {"range": [ends.low, ends.high], "nticks": 6, "tickformat": ".0%"}
    decades = math.log10(ends.high / ends.low)
    ticks = [
        step * 10**power
        for power in range(math.floor(math.log10(ends.low)), math.ceil(math.log10(ends.high)) + 1)
        for step in ((1, 2, 5) if decades < FEW_DECADES else (1,))
    ]
    return {
        "type": "log",
        "range": [math.log10(ends.low), math.log10(ends.high)],
        "tickvals": ticks,
        "ticktext": [f"{tick:,.10g}" for tick in ticks],
    }
