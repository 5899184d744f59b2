"""What options would change: points with intervals about today's rule, one option a line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dashboard.catalogue import phrase, say
from dashboard.charts import drawing, forest
from dashboard.charts.drawing import label
from dashboard.charts.forest import Group

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.palette import Palette
    from analytics.wording.numbers import Measurement

#: Pixels of a line, and characters of a label that stand on one line.
LINE_HEIGHT, LABEL_WIDTH = 38, 18
MEANING = phrase("Dots are differences from today's rules, bars their intervals.")
FEWER = ("▽", phrase("dominated (no better on any count)"))
NO_DOT = ("×", phrase("no figure"))
HUES = {"▽": "copper", "×": "quiet"}
#: Below so many fish every tick of the axis is a whole one.
FEW = 4
#: How much wider than its figures the axis is.
ROOM = 1.1


@dataclass(frozen=True, slots=True)
class Shift:
    """What an option changes in one quantity: the difference from today's rule, and its words."""

    name: str
    amount: Measurement
    words: str
    is_dominated: bool


def signs(shifts: Sequence[Shift]) -> list[tuple[str, str]]:
    """Return the rare signs that occur in figures with their words."""
    found = [FEWER] * any(one.is_dominated for one in shifts)
    return found + [NO_DOT] * any(one.amount.value is None for one in shifts)


def finding(shifts: Sequence[Shift]) -> str:
    """Return which option changes a quantity most, of those whose interval leaves out none.

    Where no difference is known, there is nothing to find.
    """
    if not any(one.amount.value is not None for one in shifts):
        return say("not known")
    clear = [
        one
        for one in shifts
        if one.amount.value
        and one.amount.low is not None
        and one.amount.high is not None
        and not one.amount.low <= 0 <= one.amount.high
    ]
    if not clear:
        return say("no clear change")
    most = max(clear, key=lambda one: abs(one.amount.value or 0.0))
    known = {"change": most.words.partition(" (")[0], "option": most.name}
    if len(shifts) == 1:
        return say("{change} under {option}", **known)
    return say("most changed, {change} under {option}", **known)


def figure(shifts: Sequence[Shift], *, palette: Palette, unit: str = "") -> drawing.Figure:
    """Draw one or more options from top to bottom in the order given; `unit` names the axis."""
    groups = []
    for is_dominated, hue, symbol in (
        (False, palette.sea, "circle"),
        (True, palette.copper, "triangle-down-open"),
    ):
        points = [
            forest.point(
                at, one.amount, f"<b>{drawing.escape(one.name)}</b><br>{drawing.escape(one.words)}"
            )
            for at, one in enumerate(shifts)
            if one.is_dominated is is_dominated
        ]
        groups.append(Group(points, hue, symbol))
    labels = [label(one.name, LABEL_WIDTH) for one in shifts]
    ends = _ends(shifts)
    axis = drawing.axis(unit, range=list(ends), nticks=5, tickformat=",.0f")
    axis |= {"dtick": 1} if ends[1] - ends[0] < FEW else {}
    return forest.rows(
        groups,
        labels=labels,
        gap_ends=(0.0, 0.0),
        line_height=drawing.line_height(labels, LINE_HEIGHT),
        margin=(8, 18, 20, 42 if unit else 26),
        xaxis=axis,
        palette=palette,
        shapes=[drawing.across(0.0, colour=palette.quiet)],
        notes=[_zero(ends, palette=palette)],
        meta=drawing.data(
            ("option", "difference", "ci_low", "ci_high", "unit", "is_dominated"),
            [
                (
                    one.name,
                    one.amount.value,
                    one.amount.low,
                    one.amount.high,
                    unit,
                    one.is_dominated,
                )
                for one in shifts
            ],
        ),
    )


def _zero(ends: tuple[float, float], *, palette: Palette) -> dict[str, Any]:
    """Return the name of the line at zero, on the side that has room."""
    is_right = ends[1] < -ends[0]
    place = {"xref": "x", "x": 0.0, "xanchor": "right" if is_right else "left"}
    return drawing.note(say("today's rules"), colour=palette.quiet, **place)


def description(shifts: Sequence[Shift], *, of: str) -> str:
    """Return a sentence that stands for the figure where it cannot be seen."""
    said = [
        f"{one.name} {one.words}" + (say(", dominated") if one.is_dominated else "")
        for one in shifts
    ]
    text = phrase("{quantity}, difference from today's rule: {options}.")
    return say(text, quantity=of, options="; ".join(said))


def _ends(shifts: Sequence[Shift]) -> tuple[float, float]:
    """Return the ends of the axis: today's rule and every interval stand inside."""
    ends = [end for one in shifts for end in one.amount.ends]
    low, high = min([-1.0, *ends]), max([1.0, *ends])
    room = (ROOM - 1) * (high - low)
    return low - room, high + room
