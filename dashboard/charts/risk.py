"""The chance of exceeding a limit: against a rule's choices, and against opportunity."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

from analytics.rounding import chance
from dashboard.charts import drawing
from dashboard.charts.drawing import Point, hover

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.palette import Palette
    from dashboard.charts.drawing import Figure, Trace

CURVE_SIGNS = (
    ("━", "chance of exceeding"),
    ("▒", "interval for the number of draws (95 %)"),
    ("◆", "the answer"),
    ("▯", "where the answer could fall with other draws (95 %)"),
)
FRONTIER_SIGNS = (
    ("●", "not dominated"),
    ("○", "dominated (another has no higher chance, as many trips and as much kept)"),
    ("◆", "as it stands"),
)
HUES = {"◆": "copper", "▯": "copper", "○": "quiet"}
#: Ticks of the axis of a rule's choices, and how far the axis reaches beyond its ends.
_TICKS, _ROOM = 5, 0.03
#: Most lines that are named at their ends; of more, a point is named where it is pointed at.
_MOST_NAMED = 5
#: Part of the axes within which the ends of two lines are named together.
_NEAR = 0.07
#: From which part of the axis on words stand left of their point, and its end over the last point.
_FAR, _BEYOND = 0.7, 1.15
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
    said = [hover(one.words, f"chance of exceeding {chance(one.chance)}") for one in choices]
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
        traces.append(drawing.marks([found], name="the answer", **look))
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
            ticktext=[escape(choices[at].name) for at in ticks],
            range=[-room, len(choices) - 1 + room],
            showgrid=False,
            tickangle=0,
        ),
        yaxis=drawing.axis(range=list(_CHANCES), tickformat=".0%", nticks=6),
    )


def curve_alt(choices: Sequence[Choice], answer: Answered, *, of: str) -> str:
    """Return a sentence that stands for the curve where it cannot be seen."""
    first, last = choices[0], choices[-1]
    ends = f"{chance(first.chance)} ({first.words}) to {chance(last.chance)} ({last.words})"
    found = "" if answer.place is None else f"; the answer: {choices[answer.place].words}"
    return f"Chance of exceeding by {of}: {ends}{found}."


def _level(risk: float, *, palette: Palette) -> dict[str, Any]:
    line = {"width": 1.4, "color": palette.copper, "dash": "dot"}
    ends = {"xref": "paper", "x0": 0, "x1": 1, "y0": risk, "y1": risk}
    return {"type": "line", "layer": "below", "line": line, **ends}


def _risk_note(risk: float, *, palette: Palette) -> dict[str, Any]:
    place = {"yref": "y", "y": risk, "x": 0.01}
    return drawing.note(f"risk asked, {risk:.0%}", colour=palette.copper, **place)


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
    top = max(one.gain for one in spots)
    bottom = min(one.gain for one in spots)
    room = 0.08 * (top - bottom or top or 1.0)
    end = min(max([risk, *(one.chance for one in spots)]) * _BEYOND, _CHANCES[1])
    notes = [_beside(one, now, end=end, colour=palette.copper) for one in marked]
    if best is not None and not best.is_now:
        notes.append(_beside(best, best.words, end=end, colour=palette.sea))
    if len(lines) <= _MOST_NAMED:
        notes += _ends(lines, spread=top - bottom or 1.0, palette=palette)
    return drawing.figure(
        traces,
        palette=palette,
        height=380,
        margin=(58, 18, 26, 44),
        shapes=[drawing.across(risk, colour=palette.copper)],
        annotations=[*notes, _risk_above(risk, palette=palette)],
        meta=drawing.data(
            ("rules", "chance", of, "dominated"),
            ((one.words, one.chance, one.gain, one.is_dominated) for one in spots),
        ),
        xaxis=drawing.axis(
            "chance of exceeding", range=[_CHANCES[0] * end, end], tickformat=".0%", nticks=6
        ),
        yaxis=drawing.axis(of, range=[bottom - room, top + 2 * room], tickformat=",.3~s", nticks=6),
    )


def frontier_alt(spots: Sequence[Spot], best: Spot | None, *, of: str) -> str:
    """Return a sentence that stands for the frontier where it cannot be seen."""
    kept = [one for one in spots if not one.is_dominated]
    said = "; ".join(f"{one.words}: {one.gain:,.0f}, {chance(one.chance)}" for one in kept)
    most = "" if best is None else f" Most at the risk asked: {best.words}."
    return f"{of} against the chance of exceeding, forms that are not dominated: {said}.{most}"


def _names(spots: Sequence[Spot]) -> list[str]:
    return list(dict.fromkeys(one.line for one in spots))


def _spot_words(one: Spot, of: str) -> str:
    dominated = "dominated" if one.is_dominated else ""
    return hover(one.words, f"chance {chance(one.chance)}", f"{of} {one.gain:,.0f}", dominated)


def _beside(one: Spot, words: str, *, end: float, colour: str) -> dict[str, Any]:
    """Return words beside and below a point: right of it, where forms that are worse would lie."""
    is_left = one.chance > _FAR * end
    place = {"xref": "x", "x": one.chance, "yref": "y", "y": one.gain}
    place |= {"xanchor": "right" if is_left else "left", "xshift": -10 if is_left else 10}
    place |= {"yanchor": "top", "yshift": 0}
    return drawing.note(drawing.label(words, 26), colour=colour, align="left", **place)


def _ends(lines: dict[str, list[Spot]], *, spread: float, palette: Palette) -> list[dict[str, Any]]:
    """Return the names of lines over their last points; those of ends that meet stand together."""
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
    found = []
    for end, names in groups:
        place: dict[str, Any] = {"xref": "x", "x": end.chance, "yref": "y", "y": end.gain}
        place |= {"xanchor": "right" if end.chance > _FAR else "left", "yshift": 8}
        words = "all daily limits" if len(names) == len(lines) > 1 else ", ".join(names)
        found.append(drawing.note(escape(words), colour=palette.quiet, **place))
    return found


def _risk_above(risk: float, *, palette: Palette) -> dict[str, Any]:
    place: dict[str, Any] = {"xref": "x", "x": risk, "xanchor": "left"}
    return drawing.note(f"risk asked, {risk:.0%}", colour=palette.copper, **place)
