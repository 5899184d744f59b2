"""Points with their intervals, one line a thing: the kernel of such figures, and the plain one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

from analytics.palette import axis_top
from analytics.precision import percent
from analytics.wording.numbers import Measurement, NumberKind
from dashboard.catalogue import phrase, say
from dashboard.charts import drawing
from dashboard.charts.drawing import Ends, Point, hover, label

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.palette import Palette
    from dashboard.charts.drawing import Figure

Line = dict[str, Any]

#: Pixels of a line, and of each further line of its label.
LINE_HEIGHT, MORE_HEIGHT = 30, 10
#: Characters of a label that stand on one line.
LABEL_WIDTH = 20
#: How far the axis reaches beyond its ends, so that a point on an end is seen in full.
ROOM = 0.03
#: Marker and glyph of each hue: no meaning rests on colour alone.
SYMBOLS = {"sea": "circle", "copper": "diamond-open", "quiet": "square-open"}
GLYPHS = {"sea": "●", "copper": "◇", "quiet": "□"}
#: The signs of the two intervals.
BARS = ("━", "─")
GAP = ("×", phrase("no figure"))
CUT = ("▶", phrase("the interval extends beyond the axis"))
#: Signs that are not drawn in the colour of estimates, and the colour of the palette they have.
HUES = {GLYPHS["copper"]: "copper", GLYPHS["quiet"]: "quiet", GAP[0]: "quiet"}
#: Coverage by area: a pooled share wears an open mark, and its label says so.
SHARE_SIGNS = (
    ("●", phrase("share of boats")),
    ("○", phrase("share of all areas together")),
    ("━", phrase("interval")),
)
POOLED = phrase("<br>(share of all areas)")


# The kernel: groups of points on labelled lines.


class Group(NamedTuple):
    """Points of one look; `thin` are those of a second interval, drawn as a thin line."""

    points: Sequence[Point]
    colour: str
    symbol: str = "circle"
    thin: Sequence[Point] = ()


def rows(
    groups: Sequence[Group],
    *,
    labels: Sequence[str],
    xaxis: dict[str, Any],
    palette: Palette,
    ends: Ends = (-math.inf, math.inf),
    inset: float = 1.0,
    line_height: float = LINE_HEIGHT,
    gap_ends: Ends | None = None,
    size: float = 10,
    margin: tuple[int, int, int, int] = (8, 18, 6, 26),
    shapes: Sequence[dict[str, Any]] = (),
    notes: Sequence[dict[str, Any]] = (),
    more: Sequence[Any] = (),
    meta: str | None = None,
) -> Figure:
    """Draw groups of points on labelled lines, values across.

    Of each group come its intervals, its second intervals where it has any, its points and the
    marks of intervals that extend beyond `ends`; then the gaps, near the low end of `gap_ends`, and
    `more` traces. `meta` is the data of the figure, as by `drawing.data`.
    """
    traces = []
    for one in groups:
        how: dict[str, Any] = {"colour": one.colour, "ends": ends, "down": True}
        traces.append(drawing.intervals(one.points, **how))
        if one.thin:
            traces.append(drawing.intervals(one.thin, width=1.5, opacity=1.0, **how))
        traces.append(drawing.marks(one.points, symbol=one.symbol, size=size, **how))
        traces.append(drawing.cuts([*one.points, *one.thin], inset=inset, **how))
    every = [point for one in groups for point in one.points]
    gap_ends = gap_ends or (0.0, ends[1])
    traces.append(drawing.gaps(every, ends=gap_ends, palette=palette, down=True))
    return drawing.figure(
        [*traces, *more],
        palette=palette,
        height=line_height * len(labels) + margin[2] + margin[3] + 8,
        margin=margin,
        xaxis=xaxis,
        yaxis=drawing.lines_down(labels, palette=palette),
        shapes=list(shapes),
        annotations=list(notes),
        **({} if meta is None else {"meta": meta}),
    )


# The plain figure.


@dataclass(frozen=True, slots=True)
class ForestRow:
    """One number of a figure, on the line that its `label` names.

    `amount` has its interval, drawn as a bar, `thin` a second one, drawn as a thin line; `hue` is a
    colour of the palette, which decides the marker too. The pointer shows label, number and
    `words`, or `hover` alone.
    """

    label: str
    amount: Measurement
    thin: tuple[float | None, float | None] = (None, None)
    hue: str = "sea"
    words: str = ""
    hover: str = ""


def known_rows(dots: list[ForestRow]) -> list[ForestRow]:
    """Return the numbers of a figure; none where not one of them is known."""
    return dots if any(dot.amount.value is not None for dot in dots) else []


def figure(
    dots: Sequence[ForestRow],
    *,
    palette: Palette,
    guide: float | None = None,
    shapes: Sequence[dict[str, Any]] = (),
) -> Figure:
    """Draw numbers of one sort, labels from top to bottom in the order in which they first occur.

    `guide` is a number to compare with, drawn as a dotted line.
    """
    labels = list(dict.fromkeys(dot.label for dot in dots))
    top = axis_end(dots, guide=guide)
    placed = list(zip(_places(dots, labels), dots, strict=True))
    groups = []
    for hue in dict.fromkeys(dot.hue for dot in dots):
        mine = [(at, dot) for at, dot in placed if dot.hue == hue]
        points = [point(at, dot.amount, _hover(dot)) for at, dot in mine]
        thin = [Point(at, None, *dot.thin) for at, dot in mine if dot.thin[1] is not None]
        groups.append(Group(points, getattr(palette, hue), SYMBOLS[hue], thin))
    shown = [label(one, LABEL_WIDTH) for one in labels]
    lines = [] if guide is None else [drawing.across(guide, colour=palette.quiet)]
    form = ".0%" if dots[0].amount.sort is NumberKind.SHARE else ",.2~f"
    return rows(
        groups,
        labels=shown,
        ends=(-math.inf, top),
        line_height=LINE_HEIGHT + MORE_HEIGHT * max(one.count("<br>") for one in shown),
        size=9,
        palette=palette,
        shapes=[*shapes, *lines],
        xaxis=drawing.axis(range=[-ROOM * top, (1 + ROOM) * top], tickformat=form, nticks=5),
        meta=_data(dots),
    )


def _data(dots: Sequence[ForestRow]) -> str:
    """Return the numbers of a figure as the table that it is downloaded with."""
    ends = [end for end in ("ci", "second_ci") if end == "ci" or any(dot.thin[1] for dot in dots)]
    heads = ["line", "estimate", *(f"{one}_{side}" for one in ends for side in ("low", "high"))]
    lines = [
        [
            dot.label,
            dot.amount.value,
            dot.amount.low,
            dot.amount.high,
            *(dot.thin if len(ends) > 1 else ()),
            dot.words.replace("\n", "; "),
        ]
        for dot in dots
    ]
    return drawing.data([*heads, "words"], lines)


def axis_end(dots: Sequence[ForestRow], *, guide: float | None = None) -> float:
    """Return the end of the axis: the guide stands inside it, and a share ends at 1."""
    values = [dot.amount.value or 0.0 for dot in dots]
    highs = [end for dot in dots for end in (dot.amount.high, dot.thin[1]) if end is not None]
    is_share = dots[0].amount.sort is NumberKind.SHARE
    return axis_top([*values, guide or 0.0], highs, is_share=is_share)


def is_cut(dots: Sequence[ForestRow], *, guide: float | None = None) -> bool:
    """Return whether an interval extends beyond the figure."""
    top = axis_end(dots, guide=guide)
    return any((end or 0.0) > top for dot in dots for end in (dot.amount.high, dot.thin[1]))


def signs(dots: Sequence[ForestRow], named: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    """Return the signs that occur in a figure with their words.

    `named` has words of each hue; ``bar`` and ``thin`` name the two intervals.
    """
    words = dict(named)
    hues = dict.fromkeys(dot.hue for dot in dots)
    found = [(GLYPHS[hue], words[hue]) for hue in hues if hue in words]
    if any(dot.amount.has_interval for dot in dots):
        found.append((BARS[0], words.get("bar", phrase("interval"))))
    if "thin" in words and any(dot.thin[1] is not None for dot in dots):
        found.append((BARS[1], words["thin"]))
    found += [GAP] if any(dot.amount.value is None for dot in dots) else []
    return found + ([CUT] if is_cut(dots) else [])


def description(
    dots: Sequence[ForestRow], *, of: str, names: Sequence[tuple[str, str]] = ()
) -> str:
    """Return a sentence that stands for the figure where it cannot be seen."""
    words = {hue: say(said) for hue, said in names}
    named = [
        (dot.label, words.get(dot.hue), _figure(dot.amount) or say("no figure")) for dot in dots
    ]
    return f"{of}: {'; '.join(' '.join(part for part in one if part) for one in named)}."


def _figure(amount: Measurement) -> str:
    return "" if amount.value is None else amount.figure()


def _hover(dot: ForestRow) -> str:
    return dot.hover or hover(dot.label, _figure(dot.amount), dot.words)


def point(at: float, amount: Measurement, words: str) -> Point:
    """Return a number with its interval as a point."""
    return Point(at, amount.value, amount.low, amount.high, words)


def _places(dots: Sequence[ForestRow], labels: Sequence[str]) -> list[float]:
    """Return the height of each dot; those of one line stand a little apart."""
    places = []
    for dot in dots:
        mates = [one.hue for one in dots if one.label == dot.label]
        off = 0.36 * mates.index(dot.hue) / (len(mates) - 1) - 0.18 if len(mates) > 1 else 0.0
        places.append(labels.index(dot.label) + off)
    return places


def coverage(lines: Sequence[Line], *, names: Mapping[str, str], palette: Palette) -> Figure:
    """Draw the share of boats for listed sites, one line an area, of one line or more."""
    areas = [
        drawing.escape(names.get(line["area"]) or line["area"])
        + (say(POOLED) if line["is_pooled"] else "")
        for line in lines
    ]
    points = []
    for at, (area, line) in enumerate(zip(areas, lines, strict=True)):
        words = say("{boats:,} boats on {n_days:,} days", **line)
        words = f"{area}: {percent(line['share'])}<br>{words}"
        symbol = "circle-open" if line["is_pooled"] else "circle"
        ends = line["share_low"], line["share_high"]
        points.append(Point(at, line["share"], *ends, words, symbol))
    return rows(
        [Group(points, palette.sea)],
        labels=areas,
        ends=(0.0, 1.0),
        palette=palette,
        xaxis=drawing.axis(range=[0, 1], tickformat=".0%", nticks=6),
    )
