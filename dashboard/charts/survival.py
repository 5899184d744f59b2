"""Held fish alive over time: a stair for each group, in its band."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go

from dashboard.charts.theme import plain
from dashboard.numbers import Measurement, NumberKind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.charts.theme import Palette

Line = dict[str, Any]

HEIGHT = 170
SIGNS = (("━", "share alive"), ("▒", "interval"))


def panel(steps: Sequence[Line], *, until: float, palette: Palette) -> go.Figure:
    """Draw the share of one group that is alive.

    Parameters
    ----------
    steps : sequence of dict
        Lines of the table of survival of one group, by hours.
    until : float
        End of the time axis, in hours; beyond the last step, so that its fall is seen.
    palette : Palette
    """
    hours = [0.0, *(one["hours"] for one in steps)]
    hours.append(max(until, hours[-1]))
    figure = go.Figure()
    ends = [(one["ci_low"], one["ci_high"]) for one in steps]
    if steps and all(low is not None and high is not None for low, high in ends):
        band = [(1.0, 1.0), *ends]
        lows, highs = (_stairs([pair[at] for pair in band], len(hours)) for at in (0, 1))
        figure.add_trace(_edge(hours, highs, fill=None, palette=palette))
        figure.add_trace(_edge(hours, lows, fill="tonexty", palette=palette))
    alive = _stairs([1.0, *(one["alive_prop"] for one in steps)], len(hours))
    figure.add_trace(
        go.Scatter(
            x=hours,
            y=alive,
            mode="lines",
            line={"width": 2.2, "color": palette.sea, "shape": "hv"},
            text=["all alive at the start", *(_words(one) for one in steps), ""][: len(hours)],
            hovertemplate="%{text}<extra></extra>",
        )
    )
    _lay_out(figure, until=until, palette=palette)
    return figure


def _stairs(values: Sequence[float], length: int) -> list[float]:
    return [*values, *[values[-1]] * (length - len(values))]


def _edge(
    hours: Sequence[float], values: Sequence[float], *, fill: str | None, palette: Palette
) -> go.Scatter:
    return go.Scatter(
        x=hours,
        y=values,
        mode="lines",
        line={"width": 0.6, "color": palette.sea, "shape": "hv"},
        fill=fill,
        fillcolor=_faint(palette.sea),
        hoverinfo="skip",
    )


def _faint(colour: str) -> str:
    red, green, blue = (int(colour[at : at + 2], 16) for at in (1, 3, 5))
    return f"rgba({red},{green},{blue},0.22)"


def _words(one: Line) -> str:
    alive = Measurement(one["alive_prop"], one["ci_low"], one["ci_high"], NumberKind.SHARE)
    return (
        f"<b>{one['hours']:g} hours</b><br>{alive.figure()} alive"
        f"<br>{one['died']:,} died of {one['at_risk']:,}"
    )


def _lay_out(figure: go.Figure, *, until: float, palette: Palette) -> None:
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "color": palette.quiet}
    titled = {"font": {"size": 12, "color": palette.quiet}, "standoff": 2}
    figure.update_layout(
        height=HEIGHT, margin={"l": 44, "r": 12, "t": 8, "b": 40}, **plain(palette)
    )
    figure.update_xaxes(
        title={"text": "hours held", **titled}, range=[0, until], nticks=5, showgrid=False, **axis
    )
    figure.update_yaxes(range=[0, 1.02], tickformat=".0%", nticks=4, gridcolor=palette.grid, **axis)
