"""Revisions: each figure before and now, a point with its interval, the most important on top."""

from __future__ import annotations

import math
from textwrap import wrap
from typing import TYPE_CHECKING, Any, NamedTuple

from analytics.quantities import QUANTITIES, QuantityKind, capitalised
from analytics.wording import numbers
from dashboard.catalogue import phrase, say
from dashboard.charts import drawing, forest
from dashboard.charts.drawing import Point, hover
from dashboard.charts.forest import Group
from dashboard.revisions import moves as changes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.palette import Palette
    from analytics.wording.bulletin_index import BulletinIndex, Row
    from dashboard.charts.drawing import Figure, Trace
    from dashboard.revisions.moves import Move

ROW_HEIGHT, LABEL_WIDTH = 52, 18
#: Moves that a figure shows; the table has them all.
SHOWN = 10
#: How far the two points of a move stand apart, in rows.
APART = 0.16
#: The signs of the figure with their words.
SIGNS = (("○", phrase("before")), ("●", phrase("now")), ("━", phrase("interval")))
CUT = ("◀ ▶", phrase("the interval extends beyond the axis"))
STEPS = ("↔", phrase("logarithmic axis: equal steps are equal ratios"))
#: How many times the outermost figure the axis reaches for the ends of intervals.
BEYOND = 4.0
#: How far inside the ends of the axis a sign stands: on the end itself it may not be drawn.
INSIDE = 1.03
#: Room beside the ends of shares.
ROOM = 0.03
#: Powers of ten under which an axis has ticks between them.
FEW_DECADES = 2.2


def plotted(moves: Sequence[Move]) -> list[Move]:
    """Return the moves that a figure shows: the first that have a figure before or now."""
    known = [move for move in moves if move.kind == changes.REVISED and _sides(move)]
    return known[:SHOWN]


class Span(NamedTuple):
    """The value axis: its ends, and whether it runs in powers of ten.

    Totals and rates of a large and a small area share a figure only on a logarithmic axis, on which
    their intervals are symmetric too; shares have a linear one.
    """

    low: float
    high: float
    is_log: bool


def span(moves: Sequence[Move]) -> Span:
    """Return the axis that holds every figure, and of intervals as much as leaves room for them."""
    rows = [row for move in moves for row in _sides(move)]
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


def dumbbells(moves: Sequence[Move], *, index: BulletinIndex, palette: Palette) -> Figure:
    """Draw one or more moves of one quantity, as `plotted` returns them, one a line.

    A zero, which no logarithmic axis has, stands at its low end with its figure beside it.
    """
    axis = span(moves)
    groups, zeros = [], []
    for side, off, colour, symbol in (
        ("before", -APART, palette.quiet, "circle-open"),
        ("now", APART, palette.sea, "circle"),
    ):
        found = [
            (at + off, row, move)
            for at, move in enumerate(moves)
            if (row := getattr(move, side)) is not None and row.estimate is not None
        ]
        points = [
            Point(
                at,
                row.estimate or INSIDE * axis.low,
                row.ci_low,
                row.ci_high,
                _hover(move, index=index),
            )
            for at, row, move in found
        ]
        groups.append(Group(points, colour, symbol))
        zeros += [(at, colour) for at, row, _ in found if row.estimate == 0]
    return forest.rows(
        groups,
        labels=[_label(move, index=index) for move in moves],
        ends=axis[:2],
        inset=INSIDE,
        palette=palette,
        line_height=ROW_HEIGHT,
        xaxis=_scale(axis),
        more=[_zeros(zeros, at=INSIDE * axis.low)],
        meta=_data(moves, index=index),
    )


def _data(moves: Sequence[Move], *, index: BulletinIndex) -> str:
    """Return moves as the table that the figure is downloaded with, named as in the bulletin."""
    ends = ("estimate", "ci_low", "ci_high")
    heads = ["area", "area_name", "week", "quantity", "previous", "previous_ci_low"]
    heads += ["previous_ci_high", *ends, "change_in_se"]
    lines = [
        [
            one.row.area,
            one.row.area and index.name(one.row.area),
            one.row.week,
            one.row.quantity,
            *(getattr(side, end, None) for side in (one.before, one.now) for end in ends),
            one.change_in_se,
        ]
        for one in moves
    ]
    return drawing.data(heads, lines)


def is_cut(moves: Sequence[Move]) -> bool:
    """Return whether an interval extends beyond the figure, on either side."""
    ends = span(moves)[:2]
    points = (Point(0, None, row.ci_low, row.ci_high) for move in moves for row in _sides(move))
    return any(any(drawing.beyond(one, ends)) for one in points)


def description(moves: Sequence[Move], *, index: BulletinIndex, label: str) -> str:
    """Return a sentence that stands for the figure where it cannot be seen."""
    first = moves[0]
    place = changes.place_of(first)
    return say(
        "{quantity} before and now, with intervals, for the {n} most important moves; "
        "first {where}: {before} before, {now} now.",
        quantity=label,
        n=len(moves),
        where=changes.where(first, index=index),
        before=numbers.figure(first.before, place=place),
        now=numbers.figure(first.now, place=place),
    )


def _sides(move: Move) -> list[Row]:
    return [row for row in (move.before, move.now) if row is not None and row.estimate is not None]


def _zeros(found: Sequence[tuple[float, str]], *, at: float) -> Trace:
    """Write a zero beside each point on the low end of the axis, by its height and colour."""
    return drawing.trace(
        "scatter",
        x=[at] * len(found),
        y=[height for height, _ in found],
        mode="text",
        text=["\u2002 0"] * len(found),
        textposition="middle right",
        textfont={"color": [colour for _, colour in found]},
        hoverinfo="skip",
        cliponaxis=False,
    )


def _hover(move: Move, *, index: BulletinIndex) -> str:
    place = changes.place_of(move)
    return hover(
        changes.where(move, index=index),
        say("before: {figure}", figure=numbers.figure(move.before, place=place)),
        say("now: {figure}", figure=numbers.figure(move.now, place=place)),
        ", ".join(part for part in (changes.shift(move), changes.in_errors(move)) if part),
        changes.cause_words(move.causes),
    )


def _label(move: Move, *, index: BulletinIndex) -> str:
    name = index.name(move.row.area)
    parts = wrap(capitalised(name), LABEL_WIDTH)
    return "<br>".join([*(drawing.escape(part) for part in parts), move.row.week or "season"])


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
