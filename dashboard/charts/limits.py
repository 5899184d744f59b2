"""Use of each limit: a bar of what is used, the limit as a line, what is expected as a diamond.

The first bar names what is drawn; a legend has the rare signs alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dashboard.catalogue import phrase, say
from dashboard.charts import drawing, forest
from dashboard.charts.drawing import hover, label

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.palette import Palette
    from analytics.wording.numbers import Measurement

#: Pixels of a bar, and characters of a label that stand on one line.
BAR_HEIGHT, LABEL_WIDTH = 54, 22
#: How far the axis runs at least and at most, in limits.
LEAST, MOST = 1.2, 2.5
#: How far below its bar the expected total stands, in bars.
LOWER = 0.33
GAP = ("×", phrase("no figure"))
CUT = ("▶", phrase("extends beyond the axis"))
HUES = {"×": "quiet", "▶": "ink"}
#: Part of the axis that the name of what is expected takes.
ROOM = 0.35
#: How far above its bar the first label stands, in bars.
HIGHER = 0.36


@dataclass(frozen=True, slots=True)
class Bar:
    """One limit: what is limited, a note below it, shares of it, what the pointer shows more."""

    label: str
    note: str
    used: Measurement
    expected: Measurement
    words: str = ""


def signs(bars: Sequence[Bar]) -> list[tuple[str, str]]:
    """Return the rare signs that occur in the figure with their words."""
    found = [GAP] * any(bar.used.value is None for bar in bars)
    every = [forest.point(0, one, "") for bar in bars for one in (bar.used, bar.expected)]
    return found + [CUT] * any(any(drawing.beyond(one, (0.0, axis_end(bars)))) for one in every)


def axis_end(bars: Sequence[Bar]) -> float:
    """Return the end of the axis in limits."""
    ends = [end for bar in bars for one in (bar.used, bar.expected) for end in one.ends]
    return min(max([LEAST, *(1.04 * end for end in ends)]), MOST)


def figure(bars: Sequence[Bar], *, palette: Palette) -> drawing.Figure:
    """Draw limits from top to bottom in the order given; one or more."""
    how: dict[str, Any] = {"ends": (0.0, axis_end(bars)), "down": True}
    said = [hover(bar.label, bar.words) for bar in bars]
    used = [forest.point(at, bar.used, said[at]) for at, bar in enumerate(bars)]
    ahead = [forest.point(at + LOWER, bar.expected, said[at]) for at, bar in enumerate(bars)]
    ink, copper = palette.ink, palette.copper
    bars_of: dict[str, Any] = {"opacity": 1, **how}
    diamond: dict[str, Any] = {"symbol": "diamond-open", "size": 9, "name": "expected", **how}
    known = [one for one in used if one.value is not None]
    block = drawing.trace(
        "bar",
        x=[drawing.clamp(one.value or 0.0, how["ends"]) for one in known],
        y=[one.at for one in known],
        orientation="h",
        width=0.42,
        marker={"color": palette.sea, "opacity": 0.75, "line": {"width": 0}},
        text=[one.words for one in known],
        textposition="none",
        hovertemplate=drawing.HOVER,
        name="used",
    )
    traces = [
        block,
        drawing.intervals(used, colour=ink, width=2.4, name="interval", **bars_of),
        drawing.intervals(ahead, colour=copper, width=1.8, name="expected interval", **bars_of),
        drawing.marks(ahead, colour=copper, **diamond),
        drawing.gaps(used, palette=palette, **how),
        drawing.cuts(used, colour=ink, **how),
        drawing.cuts(ahead, colour=copper, **how),
    ]
    labels = [f"{label(bar.label, LABEL_WIDTH)}<br>{drawing.escape(bar.note)}" for bar in bars]
    height = drawing.line_height(labels, BAR_HEIGHT)
    limit = drawing.across(1.0, colour=ink, width=2.2, dash="solid") | {"layer": "above"}
    return drawing.figure(
        traces,
        palette=palette,
        height=height * len(bars) + 56,
        margin=(8, 18, 22, 26),
        bargap=0.3,
        shapes=[limit],
        annotations=_names(bars, end=how["ends"][1], palette=palette),
        xaxis={"range": list(how["ends"]), "tickformat": ".0%", "nticks": 6},
        yaxis=drawing.lines_down(labels, palette=palette),
        meta=_data(bars),
    )


def _data(bars: Sequence[Bar]) -> str:
    """Return shares of limits as the table that the figure is downloaded with."""
    kinds = ("share_used", "share_expected")
    heads = [f"{kind}{end}" for kind in kinds for end in ("", "_low", "_high")]
    lines = [
        [bar.label, bar.note]
        + [end for one in (bar.used, bar.expected) for end in (one.value, one.low, one.high)]
        for bar in bars
    ]
    return drawing.data(["limit", "note", *heads], lines)


def _names(bars: Sequence[Bar], *, end: float, palette: Palette) -> list[dict[str, Any]]:
    """Return the names of what is drawn, each beside the first of its kind."""
    found = [_name(say("the limit"), palette.ink, xref="x", x=1.0, xanchor="center")]
    used = next((at for at, bar in enumerate(bars) if bar.used.value is not None), None)
    if used is not None:
        place: dict[str, Any] = {"y": used - HIGHER, "yanchor": "middle", "yshift": 0}
        found.append(_name(say("used so far"), palette.sea, yref="y", **place))
    ahead = [(at, bar.expected) for at, bar in enumerate(bars) if bar.expected.value is not None]
    if ahead:
        # Under the first bar whose expected interval begins far enough from the left end.
        at, _ = next((one for one in ahead if min(one[1].ends) > ROOM * end), ahead[0])
        place = {"y": at + LOWER, "yref": "y", "yanchor": "middle", "yshift": 0}
        found.append(_name(say("◇ expected"), palette.copper, **place))
    return found


def _name(words: str, colour: str, **place: Any) -> dict[str, Any]:
    """Return a name as large as the labels, which can be read on paper."""
    return drawing.note(words, colour=colour, font={"size": 12}, **place)


def description(bars: Sequence[Bar]) -> str:
    """Return a sentence that stands for the figure where it cannot be seen."""
    parts = []
    for bar in bars:
        known = {"limit": bar.label, "used": bar.used.figure(), "expected": bar.expected.figure()}
        if bar.used.value is None:
            parts.append(say("{limit}: no figure", **known))
        elif bar.expected.value is None:
            parts.append(say("{limit}: {used} used", **known))
        else:
            parts.append(say("{limit}: {used} used, {expected} expected", **known))
    return say("Use of each limit. {limits}.", limits="; ".join(parts))
