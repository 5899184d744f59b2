"""What options would change: dots with intervals about today's rule, one option a line."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go

from dashboard.charts.theme import plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.charts.theme import Palette
    from dashboard.numbers import Measurement

#: Pixels of a line, and characters of a label that stand on one line.
LINE_HEIGHT, LABEL_WIDTH = 38, 18
SIGNS = (("●", "difference from today's rule"), ("━", "its interval"), ("┊", "today's rule"))
FEWER, NO_DOT = ("▽", "beaten on every count"), ("×", "no figure")
HUES = {"┊": "quiet", "▽": "copper", "×": "quiet"}
#: Below so many fish every tick of the axis is a whole one.
FEW = 4
#: How much wider than its figures the axis is.
ROOM = 1.1


@dataclass(frozen=True, slots=True)
class Shift:
    """What an option changes in one quantity.

    Parameters
    ----------
    name : str
    amount : Measurement
        The difference from today's rule.
    words : str
        The difference and its interval, for the pointer and those who cannot see the figure.
    is_beaten : bool
    """

    name: str
    amount: Measurement
    words: str
    is_beaten: bool


def signs(shifts: Sequence[Shift]) -> list[tuple[str, str]]:
    """Return the signs that occur in figures with their words."""
    found = list(SIGNS) + [FEWER] * any(one.is_beaten for one in shifts)
    return found + [NO_DOT] * any(one.amount.value is None for one in shifts)


def figure(shifts: Sequence[Shift], *, palette: Palette, unit: str = "") -> go.Figure:
    """Draw one or more options from top to bottom in the order given; `unit` names the axis."""
    traces = []
    for is_beaten, hue, symbol in (
        (False, palette.sea, "circle"),
        (True, palette.copper, "triangle-down-open"),
    ):
        mine = [(at, one) for at, one in enumerate(shifts) if one.is_beaten is is_beaten]
        traces += [_spans(mine, colour=hue), _dots(mine, colour=hue, symbol=symbol)]
    traces.append(_gaps(shifts, palette=palette))
    # Made in one step: a figure that is updated piece by piece takes many times as long.
    return go.Figure(traces, layout=_layout(shifts, palette=palette, unit=unit))


def description(shifts: Sequence[Shift], *, of: str) -> str:
    """Return a sentence that stands for the figure where it cannot be seen."""
    said = (f"{one.name} {one.words}{', beaten' if one.is_beaten else ''}" for one in shifts)
    return f"{of}, difference from today's rule: {'; '.join(said)}."


def _reach(shifts: Sequence[Shift]) -> list[float]:
    """Return the ends of the axis: today's rule and every interval stand inside."""
    ends = [
        end
        for one in shifts
        for end in (one.amount.low, one.amount.value, one.amount.high)
        if end is not None
    ]
    low, high = min([0.0, *ends]), max([0.0, *ends])
    low, high = min(low, -1.0), max(high, 1.0)
    room = (ROOM - 1) * (high - low)
    return [low - room, high + room]


Placed = list[tuple[int, Shift]]


def _spans(mine: Placed, *, colour: str) -> go.Scatter:
    x: list[float | None] = []
    y: list[float | None] = []
    for at, one in mine:
        if one.amount.low is not None and one.amount.high is not None:
            x += [one.amount.low, one.amount.high, None]
            y += [at, at, None]
    line = {"width": 6, "color": colour}
    return go.Scatter(x=x, y=y, mode="lines", line=line, opacity=0.4, hoverinfo="skip")


def _dots(mine: Placed, *, colour: str, symbol: str) -> go.Scatter:
    known = [(at, one) for at, one in mine if one.amount.value is not None]
    return go.Scatter(
        x=[one.amount.value for _, one in known],
        y=[at for at, _ in known],
        mode="markers",
        marker={
            "symbol": symbol,
            "size": 10,
            "color": colour,
            "line": {"width": 1.8, "color": colour},
        },
        text=[f"<b>{escape(one.name)}</b><br>{escape(one.words)}" for _, one in known],
        hovertemplate="%{text}<extra></extra>",
        cliponaxis=False,
    )


def _gaps(shifts: Sequence[Shift], *, palette: Palette) -> go.Scatter:
    lost = [at for at, one in enumerate(shifts) if one.amount.value is None]
    line = {"width": 1.6, "color": palette.quiet}
    return go.Scatter(
        x=[0.0] * len(lost),
        y=lost,
        mode="markers",
        marker={"symbol": "x-thin", "size": 8, "color": palette.quiet, "line": line},
        hoverinfo="skip",
        cliponaxis=False,
    )


def _layout(shifts: Sequence[Shift], *, palette: Palette, unit: str) -> dict[str, Any]:
    labels = ["<br>".join(escape(part) for part in wrap(one.name, LABEL_WIDTH)) for one in shifts]
    height = max([LINE_HEIGHT, *(17 * (one.count("<br>") + 1) for one in labels)])
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "color": palette.quiet}
    ends = _reach(shifts)
    across = {"range": ends, "gridcolor": palette.grid, "nticks": 5, "tickformat": ",.0f"}
    across |= {"title": {"text": unit, "standoff": 4}} if unit else {}
    if ends[1] - ends[0] < FEW:
        across |= {"dtick": 1}
    down = {
        "tickvals": list(range(len(shifts))),
        "ticktext": labels,
        "automargin": True,
        "range": [len(shifts) - 0.5, -0.5],
        "showgrid": False,
        "ticklabelstandoff": 6,
    }
    line = {"width": 1.5, "color": palette.quiet, "dash": "dot"}
    today = {"type": "line", "x0": 0.0, "x1": 0.0, "yref": "paper", "y0": 0, "y1": 1}
    return plain(palette) | {
        "height": height * len(shifts) + 40 + 16 * bool(unit),
        "margin": {"l": 8, "r": 18, "t": 6, "b": 26 + 16 * bool(unit)},
        "shapes": [today | {"line": line, "layer": "below"}],
        "xaxis": axis | across,
        "yaxis": axis | down | {"color": palette.ink},
    }
