"""What rule changes would do: options beside today's rule, and the chance of exceeding a limit.

Options are points with intervals about today's rule, one option a line. The chance of exceeding
stands against a rule's choices, and against opportunity.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import unescape
from itertools import pairwise, product
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.precision import chance
from dashboard.catalogue import phrase, say
from dashboard.charts import drawing, forest
from dashboard.charts.drawing import Point, hover, label
from dashboard.charts.forest import Group

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.palette import Palette
    from analytics.wording.numbers import Measurement
    from dashboard.charts.drawing import Figure, Trace


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


CURVE_SIGNS = (
    ("━", phrase("chance of exceeding")),
    ("▒", phrase("interval for the number of draws (95 %)")),
    ("◆", phrase("the answer")),
    ("▯", phrase("where the answer could fall with other draws (95 %)")),
)
FRONTIER_SIGNS = (
    ("●", phrase("not dominated")),
    ("○", phrase("dominated (another has no higher chance, as many trips and as much kept)")),
    ("◆", phrase("as it stands")),
    ("★", phrase("the most at the risk asked")),
)
RISK_HUES = {"◆": "copper", "▯": "copper", "○": "quiet"}
#: Ticks of the axis of a rule's choices, and how far the axis reaches beyond its ends.
_TICKS, _ROOM = 5, 0.03
#: Most lines that are named at their ends; of more, a point is named where it is pointed at.
_MOST_NAMED = 5
#: Part of the axes within which the ends of two lines are named together.
_NEAR = 0.07
#: From which part of the axis on words stand left of their point, and its end over the last point.
_FAR, _BEYOND = 0.7, 1.15
#: Height of the figure of opportunity and its margins (left, right, top, bottom), in pixels.
_HEIGHT, _MARGIN = 380, (58, 18, 26, 44)
#: Widths of its plot for which names are placed: a phone's to a wide screen's, in pixels.
_WIDTHS = (250, 330, 480, 700, 1000, 1250)
#: A letter's and a line's size, what stays clear about a point, letters a line of a name.
_LETTER, _LINE, _CLEAR, _NAME_WIDTH = 6.2, 14.5, 6.0, 26
#: Where a name may stand about its point, right and up, and how far off in pixels, tried in order.
_SIDES = ((1, -1), (-1, -1), (1, 1), (-1, 1), (0, -1), (0, 1), (1, 0), (-1, 0))
_DISTANCES = (9, 16, 26)
_ANCHORS = ({1: "left", 0: "center", -1: "right"}, {1: "bottom", 0: "middle", -1: "top"})
#: Ends of the axis of chances, wide enough for a point on an end.
_CHANCES = (-0.03, 1.03)


@dataclass(frozen=True, slots=True)
class Choice:
    """A choice of a rule: its name on the axis and its words, its chance with the interval."""

    name: str
    words: str
    chance: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Answered:
    """What is asked and answered: a risk, the place of the answer, the places of its band."""

    risk: float
    place: int | None = None
    band: tuple[int, int] | None = None


def curve(
    choices: Sequence[Choice], answer: Answered, *, of: str, is_steady: bool, palette: Palette
) -> Figure:
    """Draw the chance at each choice of a rule from strict to generous; one or more.

    `of` names the axis. Choices that are not steps of one scale (`is_steady` False) are points.
    """
    said = [
        hover(one.words, say("chance of exceeding {chance}", chance=chance(one.chance)))
        for one in choices
    ]
    places, chances = list(range(len(choices))), [one.chance for one in choices]
    points = [Point(at, one.chance, words=said[at]) for at, one in enumerate(choices)]
    traces: list[Trace] = []
    if is_steady:
        run = [(at, one.low, one.high) for at, one in enumerate(choices)]
        traces.append(drawing.band([run], colour=palette.sea, opacity=0.25))
        traces.append(drawing.line(places, chances, colour=palette.sea, words=said))
    else:
        traces.append(drawing.marks(points, colour=palette.sea, size=5))
    if answer.place is not None:
        found = points[answer.place]
        look: dict[str, Any] = {"colour": palette.copper, "symbol": "diamond", "size": 12}
        traces.append(drawing.marks([found], name=say("the answer"), **look))
    shapes = [_level(answer.risk, palette=palette)]
    if answer.band is not None:
        low, high = answer.band
        shapes.append(drawing.shade(low - 0.5, high + 0.5, colour=palette.band))
    ticks = list(range(0, len(choices), max(1, -(-len(choices) // _TICKS))))
    room = max(0.5, _ROOM * len(choices))
    return drawing.figure(
        traces,
        palette=palette,
        height=280,
        margin=(52, 18, 12, 44),
        shapes=shapes,
        annotations=[_risk_note(answer.risk, palette=palette)],
        meta=drawing.data(
            ("choice", "chance", "low", "high"),
            ((one.words, one.chance, one.low, one.high) for one in choices),
        ),
        xaxis=drawing.axis(
            of,
            tickvals=ticks,
            ticktext=[drawing.escape(choices[at].name) for at in ticks],
            range=[-room, len(choices) - 1 + room],
            showgrid=False,
            tickangle=0,
        ),
        yaxis=drawing.axis(range=list(_CHANCES), tickformat=".0%", nticks=6),
    )


def curve_alt(choices: Sequence[Choice], answer: Answered, *, of: str) -> str:
    """Return a sentence that stands for the curve where it cannot be seen."""
    first, last = choices[0], choices[-1]
    found = ""
    if answer.place is not None:
        found = say("; the answer: {rule}", rule=choices[answer.place].words)
    return say(
        "Chance of exceeding by {axis}: {low} ({first}) to {high} ({last}){answer}.",
        axis=of,
        low=chance(first.chance),
        first=first.words,
        high=chance(last.chance),
        last=last.words,
        answer=found,
    )


def _level(risk: float, *, palette: Palette) -> dict[str, Any]:
    line = {"width": 1.4, "color": palette.copper, "dash": "dot"}
    ends = {"xref": "paper", "x0": 0, "x1": 1, "y0": risk, "y1": risk}
    return {"type": "line", "layer": "below", "line": line, **ends}


def _risk_note(risk: float, *, palette: Palette) -> dict[str, Any]:
    place = {"yref": "y", "y": risk, "x": 0.01}
    return drawing.note(say("risk asked, {risk:.0%}", risk=risk), colour=palette.copper, **place)


@dataclass(frozen=True, slots=True)
class Spot:
    """A form of the rules: its chance, what it leaves, its words; `line` names its daily limit."""

    line: str
    words: str
    chance: float
    gain: float
    is_dominated: bool
    is_now: bool = False


def frontier(
    spots: Sequence[Spot], risk: float, best: Spot | None, *, of: str, now: str, palette: Palette
) -> Figure:
    """Draw what rules leave against their chance of exceeding, a thin line a daily limit.

    `of` names what is left, `now` the rule as it stands; `best` is named in words.
    """
    lines = {name: [one for one in spots if one.line == name] for name in _names(spots)}
    thin: dict[str, Any] = {"colour": palette.quiet, "width": 0.8}
    traces: list[Trace] = [
        drawing.line([one.chance for one in mine], [one.gain for one in mine], **thin)
        for mine in lines.values()
    ]
    for is_dominated, symbol, colour in (
        (True, "circle-open", palette.quiet),
        (False, "circle", palette.sea),
    ):
        mine = [one for one in spots if one.is_dominated is is_dominated and not one.is_now]
        points = [Point(one.chance, one.gain, words=_spot_words(one, of)) for one in mine]
        traces.append(drawing.marks(points, colour=colour, symbol=symbol, size=8))
    marked = [one for one in spots if one.is_now]
    points = [Point(one.chance, one.gain, words=_spot_words(one, of)) for one in marked]
    look: dict[str, Any] = {"colour": palette.copper, "symbol": "diamond", "size": 12}
    traces.append(drawing.marks(points, name=now, **look))
    if best is not None and not best.is_now:
        found = [Point(best.chance, best.gain, words=_spot_words(best, of))]
        look = {"colour": palette.sea, "symbol": "star", "size": 14}
        traces.append(drawing.marks(found, name=best.words, **look))
    top = max(one.gain for one in spots)
    bottom = min(one.gain for one in spots)
    room = 0.08 * (top - bottom or top or 1.0)
    end = min(max([risk, *(one.chance for one in spots)]) * _BEYOND, _CHANCES[1])
    across, up = (_CHANCES[0] * end, end), (bottom - room, top + 2 * room)
    sheet = _Sheet(across, up, spots, lines, risk)
    notes = [sheet.named(one, now, palette.copper) for one in marked]
    if best is not None and not best.is_now:
        notes.append(sheet.named(best, best.words, palette.sea))
    if len(lines) <= _MOST_NAMED:
        notes += [
            sheet.named(one, words, palette.quiet)
            for one, words in _risk_ends(lines, spread=top - bottom or 1.0)
        ]
    return drawing.figure(
        traces,
        palette=palette,
        height=_HEIGHT,
        margin=_MARGIN,
        shapes=[drawing.across(risk, colour=palette.copper)],
        annotations=[*(one for one in notes if one), _risk_above(risk, end=end, palette=palette)],
        meta=drawing.data(
            ("rules", "chance", of, "dominated"),
            ((one.words, one.chance, one.gain, one.is_dominated) for one in spots),
        ),
        xaxis=drawing.axis(
            say("chance of exceeding"), range=list(across), tickformat=".0%", nticks=6
        ),
        yaxis=drawing.axis(of, range=list(up), tickformat=",.3~s", nticks=6),
    )


def frontier_alt(spots: Sequence[Spot], best: Spot | None, *, of: str) -> str:
    """Return a sentence that stands for the frontier where it cannot be seen."""
    kept = [one for one in spots if not one.is_dominated]
    said = say(
        "{gain} against the chance of exceeding, forms that are not dominated: {forms}.",
        gain=of,
        forms="; ".join(f"{one.words}: {one.gain:,.0f}, {chance(one.chance)}" for one in kept),
    )
    if best is None:
        return said
    return f"{said} {say('Most at the risk asked: {rules}.', rules=best.words)}"


def _names(spots: Sequence[Spot]) -> list[str]:
    return list(dict.fromkeys(one.line for one in spots))


def _spot_words(one: Spot, of: str) -> str:
    dominated = say("dominated") if one.is_dominated else ""
    return hover(
        one.words,
        say("chance {chance}", chance=chance(one.chance)),
        f"{of} {one.gain:,.0f}",
        dominated,
    )


class _Sheet:
    """Where names of points stand free of points, lines, other names and the ends of the figure.

    A figure has the width of its reader's screen, so a place has to be free at several widths.
    Where none is, the name is left out: signs, title and pointer give it.
    """

    def __init__(
        self,
        across: tuple[float, float],
        up: tuple[float, float],
        spots: Sequence[Spot],
        lines: Mapping[str, Sequence[Spot]],
        risk: float,
    ) -> None:
        self.height = _HEIGHT - _MARGIN[2] - _MARGIN[3]
        (left, right), (low, high) = across, up
        self.left, self.across = left, right - left
        self.low, self.up = low, high - low
        grain = np.linspace(0, 1, 80)
        drawn = [np.array([self._at(one) for one in mine]) for mine in lines.values()]
        runs = [
            first + grain[:, None] * (second - first)
            for mine in drawn
            for first, second in pairwise(mine)
        ]
        level = np.column_stack([np.full(300, (risk - left) / self.across), np.linspace(0, 1, 300)])
        self.points = np.concatenate([level, *runs, [self._at(one) for one in spots]])
        #: Boxes of names by width: left, right, bottom, top in pixels. The first is of the risk.
        self.boxes: list[list[tuple[float, float, float, float]]] = []
        for width in _WIDTHS:
            at = (risk - left) / self.across * width
            end = at - 110 if risk > _FAR * right else at + 110
            self.boxes.append([(min(at, end), max(at, end), self.height - 4.0, self.height + 24.0)])

    def _at(self, one: Spot) -> tuple[float, float]:
        """Return the place of a point as parts of the axes."""
        return (one.chance - self.left) / self.across, (one.gain - self.low) / self.up

    def named(self, one: Spot, words: str, colour: str) -> dict[str, Any] | None:
        """Return the name of a point in the first place that is free at every width, if any."""
        said = drawing.label(words, _NAME_WIDTH)
        rows = said.split("<br>")
        size = _LETTER * max(map(len, map(unescape, rows))) + 4, _LINE * len(rows) + 2
        for far, (right, up) in product(_DISTANCES, _SIDES):
            found = [self._box(one, size, width, far * right, far * up) for width in _WIDTHS]
            if all(map(self._is_free, found, _WIDTHS, self.boxes)):
                for boxes, box in zip(self.boxes, found, strict=True):
                    boxes.append(box)
                place = {"xref": "x", "x": one.chance, "yref": "y", "y": one.gain}
                place |= {"xanchor": _ANCHORS[0][right], "xshift": far * right}
                place |= {"yanchor": _ANCHORS[1][up], "yshift": far * up}
                return drawing.note(said, colour=colour, align="left", borderpad=0, **place)
        return None

    def _box(
        self, one: Spot, size: tuple[float, float], width: int, right: float, up: float
    ) -> tuple[float, float, float, float]:
        x, y = self._at(one)
        x, y = x * width + right, y * self.height + up
        left = x - size[0] * (0.5 if not right else right < 0)
        low = y - size[1] * (0.5 if not up else up < 0)
        return left, left + size[0], low, low + size[1]

    def _is_free(
        self,
        box: tuple[float, float, float, float],
        width: int,
        boxes: Sequence[tuple[float, float, float, float]],
    ) -> bool:
        left, right, low, high = box
        if left < 0 or right > width + _MARGIN[1] or low < 0 or high > self.height:
            return False
        x, y = self.points[:, 0] * width, self.points[:, 1] * self.height
        meets = (x > left - _CLEAR) & (x < right + _CLEAR)
        meets &= (y > low - _CLEAR) & (y < high + _CLEAR)
        others = (
            left < other[1] and other[0] < right and low < other[3] and other[2] < high
            for other in boxes
        )
        return not meets.any() and not any(others)


def _risk_ends(lines: Mapping[str, Sequence[Spot]], *, spread: float) -> list[tuple[Spot, str]]:
    """Return the last points of lines with their names; ends that meet are named together."""
    groups: list[tuple[Spot, list[str]]] = []
    for name, mine in lines.items():
        end = mine[-1]
        for held, names in groups:
            near = abs(held.gain - end.gain) < _NEAR * spread
            if near and abs(held.chance - end.chance) < _NEAR:
                names.append(name)
                break
        else:
            groups.append((end, [name]))
    return [
        (end, say("all daily limits") if len(names) == len(lines) > 1 else ", ".join(names))
        for end, names in groups
    ]


def _risk_above(risk: float, *, end: float, palette: Palette) -> dict[str, Any]:
    place: dict[str, Any] = {"xref": "x", "x": risk}
    place["xanchor"] = "right" if risk > _FAR * end else "left"
    return drawing.note(say("risk asked, {risk:.0%}", risk=risk), colour=palette.copper, **place)
