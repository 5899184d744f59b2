"""Dots with their intervals, one line a thing: what most figures of released fish are made of."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go

from dashboard.charts import theme
from dashboard.charts.series import HOVER_WIDTH
from dashboard.charts.theme import plain
from dashboard.numbers import Measurement, NumberKind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.charts.theme import Palette

#: Pixels of a line, and of each further line of its label.
LINE_HEIGHT, MORE_HEIGHT = 30, 10
#: Characters of a label that stand on one line.
LABEL_WIDTH = 20
#: How far the axis reaches beyond its ends, so that a dot on an end is whole.
ROOM = 0.03
#: Marker and glyph of each hue: no meaning rests on colour alone.
SYMBOLS = {"sea": "circle", "copper": "diamond-open", "quiet": "square-open"}
GLYPHS = {"sea": "●", "copper": "◇", "quiet": "□"}
#: The signs of the two intervals.
BARS = ("━", "─")
GAP = ("×", "no figure")
CUT = ("▶", "the interval runs on")
#: Signs that are not drawn in the colour of estimates, and the colour of the palette they have.
HUES = {GLYPHS["copper"]: "copper", GLYPHS["quiet"]: "quiet", GAP[0]: "quiet"}


@dataclass(frozen=True, slots=True)
class ForestRow:
    """One number of a figure.

    Parameters
    ----------
    label : str
        The line it stands on; dots of one label share it.
    amount : Measurement
        The number and its interval, drawn as a bar.
    thin : tuple of (float or None, float or None)
        A second interval, drawn as a thin line.
    hue : str
        Colour of the palette, which decides the marker too.
    words : str
        What else the pointer shows.
    """

    label: str
    amount: Measurement
    thin: tuple[float | None, float | None] = (None, None)
    hue: str = "sea"
    words: str = ""


def figure(dots: Sequence[ForestRow], *, palette: Palette, guide: float | None = None) -> go.Figure:
    """Draw dots, labels from top to bottom in the order in which they first occur.

    Parameters
    ----------
    dots : sequence of ForestRow
        One or more, all of one sort.
    palette : Palette
    guide : float, optional
        A number to compare with, as a dotted line.
    """
    labels = list(dict.fromkeys(dot.label for dot in dots))
    at = _places(dots, labels)
    top = reach(dots, guide=guide)
    drawn = go.Figure()
    for hue in dict.fromkeys(dot.hue for dot in dots):
        mine = [(place, dot) for place, dot in zip(at, dots, strict=True) if dot.hue == hue]
        colour = getattr(palette, hue)
        drawn.add_trace(_bars(mine, top=top, colour=colour))
        drawn.add_trace(_thin(mine, top=top, colour=colour))
        drawn.add_trace(_marks(mine, hue=hue, colour=colour))
        drawn.add_trace(_cut(mine, top=top, colour=colour))
    drawn.add_trace(_gaps(list(zip(at, dots, strict=True)), top=top, palette=palette))
    if guide is not None:
        line = {"width": 1.3, "color": palette.quiet, "dash": "dot"}
        drawn.add_vline(guide, line=line, layer="below")
    _lay_out(drawn, labels=labels, palette=palette)
    ticks: dict[str, Any] = {"tickformat": _format(dots[0].amount.sort), "nticks": 5}
    drawn.update_xaxes(range=[-ROOM * top, (1 + ROOM) * top], **ticks)
    return drawn


def reach(dots: Sequence[ForestRow], *, guide: float | None = None) -> float:
    """Return the end of the axis: no more than 2.5 times the highest number; a share ends at 1."""
    top = max([dot.amount.value or 0.0 for dot in dots] + [guide or 0.0])
    ends = [end for dot in dots for end in (dot.amount.high, dot.thin[1]) if end is not None]
    end = 1.08 * (max(top, min(max(ends, default=0.0), 2.5 * top)) or 1.0)
    return min(end, 1.0) if dots[0].amount.sort is NumberKind.SHARE else end


def is_cut(dots: Sequence[ForestRow], *, guide: float | None = None) -> bool:
    """Return whether an interval runs on beyond the figure."""
    top = reach(dots, guide=guide)
    return any((end or 0.0) > top for dot in dots for end in (dot.amount.high, dot.thin[1]))


def signs(dots: Sequence[ForestRow], named: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    """Return the signs that occur in a figure with their words.

    Parameters
    ----------
    dots : sequence of ForestRow
    named : sequence of (str, str)
        Words of each hue; ``bar`` and ``thin`` name the two intervals.
    """
    words = dict(named)
    hues = dict.fromkeys(dot.hue for dot in dots)
    found = [(GLYPHS[hue], words[hue]) for hue in hues if hue in words]
    if any(dot.amount.has_interval for dot in dots):
        found.append((BARS[0], words.get("bar", "interval")))
    if "thin" in words and any(dot.thin[1] is not None for dot in dots):
        found.append((BARS[1], words["thin"]))
    found += [GAP] if any(dot.amount.value is None for dot in dots) else []
    return found + ([CUT] if is_cut(dots) else [])


def description(
    dots: Sequence[ForestRow], *, of: str, names: Sequence[tuple[str, str]] = ()
) -> str:
    """Return a sentence that stands for the figure where it cannot be seen."""
    words = dict(names)
    parts = [
        " ".join(
            part for part in (dot.label, words.get(dot.hue, ""), _figure_words(dot.amount)) if part
        )
        for dot in dots
    ]
    return f"{of}: {'; '.join(parts)}."


def _figure_words(amount: Measurement) -> str:
    return "no figure" if amount.value is None else amount.figure()


Placed = list[tuple[float, ForestRow]]


def _places(dots: Sequence[ForestRow], labels: Sequence[str]) -> list[float]:
    """Return the height of each dot; those of one line stand a little apart."""
    mates: dict[str, list[str]] = {}
    for dot in dots:
        mates.setdefault(dot.label, []).append(dot.hue)
    places = []
    for dot in dots:
        mine = mates[dot.label]
        step = 0.36 / max(1, len(mine) - 1) if len(mine) > 1 else 0.0
        off = step * mine.index(dot.hue) - (0.18 if len(mine) > 1 else 0.0)
        places.append(labels.index(dot.label) + off)
    return places


def _bars(mine: Placed, *, top: float, colour: str) -> go.Scatter:
    line = {"width": 6, "color": colour}
    x, y = _ends([(at, (dot.amount.low, dot.amount.high)) for at, dot in mine], top=top)
    return go.Scatter(x=x, y=y, mode="lines", line=line, opacity=0.4, hoverinfo="skip")


def _thin(mine: Placed, *, top: float, colour: str) -> go.Scatter:
    x, y = _ends([(at, dot.thin) for at, dot in mine], top=top)
    line = {"width": 1.5, "color": colour}
    return go.Scatter(x=x, y=y, mode="lines", line=line, hoverinfo="skip")


def _ends(
    spans: Sequence[tuple[float, tuple[float | None, float | None]]], *, top: float
) -> tuple[list[float | None], list[float | None]]:
    x: list[float | None] = []
    y: list[float | None] = []
    for at, (low, high) in spans:
        if low is not None and high is not None:
            x += [min(low, top), min(high, top), None]
            y += [at, at, None]
    return x, y


def _marks(mine: Placed, *, hue: str, colour: str) -> go.Scatter:
    known = [(at, dot) for at, dot in mine if dot.amount.value is not None]
    return go.Scatter(
        x=[dot.amount.value for _, dot in known],
        y=[at for at, _ in known],
        mode="markers",
        marker={
            "symbol": SYMBOLS[hue],
            "size": 9,
            "color": colour,
            "line": {"width": 1.8, "color": colour},
        },
        text=[_hover(dot) for _, dot in known],
        hovertemplate="%{text}<extra></extra>",
        cliponaxis=False,
    )


def _cut(mine: Placed, *, top: float, colour: str) -> go.Scatter:
    over = [
        at for at, dot in mine if any((end or 0.0) > top for end in (dot.amount.high, dot.thin[1]))
    ]
    return theme.cut(over, top=top, colour=colour)


def _gaps(placed: Placed, *, top: float, palette: Palette) -> go.Scatter:
    found = [(at, dot) for at, dot in placed if dot.amount.value is None]
    words = [_hover(dot) for _, dot in found]
    return theme.gaps([at for at, _ in found], words=words, top=top, palette=palette)


def _hover(dot: ForestRow) -> str:
    lines = [] if dot.amount.value is None else [dot.amount.figure()]
    lines += [part for line in dot.words.split("\n") for part in wrap(line, HOVER_WIDTH)]
    return "<br>".join([f"<b>{escape(dot.label)}</b>", *(escape(line) for line in lines)])


def _format(sort: NumberKind) -> str:
    return ".0%" if sort is NumberKind.SHARE else ",.2~f"


def _lay_out(drawn: go.Figure, *, labels: Sequence[str], palette: Palette) -> None:
    shown = ["<br>".join(escape(part) for part in wrap(one, LABEL_WIDTH)) for one in labels]
    height = LINE_HEIGHT + MORE_HEIGHT * max(one.count("<br>") for one in shown)
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "color": palette.quiet}
    drawn.update_layout(
        height=height * len(labels) + 40,
        margin={"l": 8, "r": 18, "t": 6, "b": 26},
        **plain(palette),
    )
    drawn.update_xaxes(gridcolor=palette.grid, **axis)
    drawn.update_yaxes(
        tickvals=list(range(len(labels))),
        ticktext=shown,
        automargin=True,
        range=[len(labels) - 0.5, -0.5],
        showgrid=False,
        **(axis | {"color": palette.ink}),
    )
