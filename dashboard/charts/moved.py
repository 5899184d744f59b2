"""Figures that moved: each before and now, a dot with its interval, the largest move on top."""

from __future__ import annotations

from html import escape
from textwrap import wrap
from typing import TYPE_CHECKING

import plotly.graph_objects as go

from analytics.units import QUANTITIES, Kind
from dashboard import moves as moved
from dashboard import text
from dashboard.charts.palette import FONT
from dashboard.charts.trends import HOVER_WIDTH, ceiling

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.book import Book, Row
    from dashboard.charts.palette import Palette
    from dashboard.moves import Move

ROW_HEIGHT = 46
#: Moves that a figure shows; the table has them all.
SHOWN = 10
#: How far the two dots of a move stand apart, in rows.
APART = 0.16
#: The signs of the figure with their words.
SIGNS = (("○", "before"), ("●", "now"), ("━", "interval"))
CUT = ("▶", "the interval runs on")
LABEL_WIDTH = 14


def drawn(moves: Sequence[Move]) -> list[Move]:
    """Return the moves that a figure shows: the largest that have a figure before or now."""
    known = [move for move in moves if move.kind == moved.REVISED and _ends(move)]
    return known[:SHOWN]


def dumbbells(moves: Sequence[Move], *, book: Book, palette: Palette) -> go.Figure:
    """Draw moves of one quantity, one a line.

    Parameters
    ----------
    moves : sequence of Move
        At least one, as `drawn` returns them.
    book : Book
        Names the areas.
    palette : Palette
    """
    top = ceiling(row for move in moves for row in _ends(move))
    figure = go.Figure()
    now = [(at + APART, move, move.now) for at, move in enumerate(moves) if _has(move.now)]
    before = [(at - APART, move, move.before) for at, move in enumerate(moves) if _has(move.before)]
    for points, colour, symbol in (
        (before, palette.quiet, "circle-open"),
        (now, palette.sea, "circle"),
    ):
        figure.add_trace(_intervals(points, top=top, colour=colour))
        figure.add_trace(_dots(points, book=book, colour=colour, symbol=symbol))
        figure.add_trace(_cut(points, top=top, colour=colour))
    labels = [_label(move, book=book) for move in moves]
    is_share = QUANTITIES[moves[0].row.quantity].kind is Kind.SHARE
    _lay_out(figure, labels=labels, top=top, is_share=is_share, palette=palette)
    return figure


def is_cut(moves: Sequence[Move]) -> bool:
    """Return whether an interval runs on beyond the figure."""
    rows = [row for move in moves for row in _ends(move)]
    top = ceiling(rows)
    return any((row.ci_high or 0.0) > top for row in rows)


def description(moves: Sequence[Move], *, book: Book, label: str) -> str:
    """Return a sentence that stands for the figure where it cannot be seen."""
    first = moves[0]
    return (
        f"{label} before and now, with intervals, for the {len(moves)} largest moves; first "
        f"{moved.where(first, book=book)}: {text.figure(first.before)} before, "
        f"{text.figure(first.now)} now."
    )


Point = tuple[float, "Move", "Row"]


def _has(row: Row | None) -> bool:
    return row is not None and row.estimate is not None


def _ends(move: Move) -> list[Row]:
    return [row for row in (move.before, move.now) if row is not None and row.estimate is not None]


def _intervals(points: Sequence[Point], *, top: float, colour: str) -> go.Scatter:
    x: list[float | None] = []
    y: list[float | None] = []
    for at, _, row in points:
        if row.ci_low is not None and row.ci_high is not None:
            x += [min(row.ci_low, top), min(row.ci_high, top), None]
            y += [at, at, None]
    line = {"width": 5, "color": colour}
    return go.Scatter(x=x, y=y, mode="lines", line=line, opacity=0.35, hoverinfo="skip")


def _dots(points: Sequence[Point], *, book: Book, colour: str, symbol: str) -> go.Scatter:
    return go.Scatter(
        x=[row.estimate for _, _, row in points],
        y=[at for at, _, _ in points],
        mode="markers",
        marker={
            "symbol": symbol,
            "size": 10,
            "color": colour,
            "line": {"width": 1.8, "color": colour},
        },
        text=[_hover(move, book=book) for _, move, _ in points],
        hovertemplate="%{text}<extra></extra>",
        cliponaxis=False,
    )


def _cut(points: Sequence[Point], *, top: float, colour: str) -> go.Scatter:
    over = [at for at, _, row in points if (row.ci_high or 0.0) > top]
    marker = {"symbol": "arrow-right", "size": 8, "color": colour}
    return go.Scatter(
        x=[top] * len(over),
        y=over,
        mode="markers",
        marker=marker,
        hoverinfo="skip",
        cliponaxis=False,
    )


def _hover(move: Move, *, book: Book) -> str:
    size = ", ".join(part for part in (moved.shift(move), moved.in_errors(move)) if part)
    lines = [
        f"before: {text.figure(move.before)}",
        f"now: {text.figure(move.now)}",
        size,
        moved.cause_words(move.causes),
    ]
    told = [escape(part) for line in lines for part in wrap(line, HOVER_WIDTH)]
    return "<br>".join([f"<b>{escape(moved.where(move, book=book))}</b>", *told])


def _label(move: Move, *, book: Book) -> str:
    name = book.name(move.row.area)
    parts = wrap(f"{name[:1].upper()}{name[1:]}", LABEL_WIDTH)
    return "<br>".join([*(escape(part) for part in parts), move.row.week or "season"])


def _lay_out(
    figure: go.Figure, *, labels: Sequence[str], top: float, is_share: bool, palette: Palette
) -> None:
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "color": palette.quiet}
    figure.update_layout(
        height=ROW_HEIGHT * len(labels) + 50,
        margin={"l": 8, "r": 16, "t": 8, "b": 30},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        font={"family": FONT, "size": 12, "color": palette.ink},
        showlegend=False,
        dragmode=False,
        hovermode="closest",
        hoverlabel={"font": {"family": FONT, "size": 13}},
        template="none",
    )
    figure.update_xaxes(
        range=[0, top],
        nticks=6,
        gridcolor=palette.grid,
        tickformat=".0%" if is_share else ",.2~f",
        **axis,
    )
    figure.update_yaxes(
        tickvals=list(range(len(labels))),
        ticktext=list(labels),
        automargin=True,
        range=[len(labels) - 0.5, -0.5],
        showgrid=False,
        **(axis | {"color": palette.ink}),
    )
