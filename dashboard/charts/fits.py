"""Ordered residuals of a regression against those of a standard normal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go

from dashboard.charts.theme import plain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.charts.theme import Palette

Line = dict[str, Any]

HEIGHT = 300
SIGNS = (("●", "residuals in order"), ("┈", "where the distribution of the counts is right"))
HUES = {"┈": "quiet"}


def quantiles(lines: Sequence[Line], *, palette: Palette) -> go.Figure:
    """Draw ordered residuals.

    Parameters
    ----------
    lines : sequence of dict
        ``normal`` and ``residual`` of each, one or more.
    palette : Palette
    """
    normal = [one["normal"] for one in lines]
    ends = [min(normal), max(normal)]
    dotted = {"width": 1.4, "color": palette.quiet, "dash": "dot"}
    figure = go.Figure(
        [
            go.Scatter(x=ends, y=ends, mode="lines", line=dotted, hoverinfo="skip"),
            go.Scatter(
                x=normal,
                y=[one["residual"] for one in lines],
                mode="markers",
                marker={"size": 6, "color": palette.sea},
                hovertemplate="normal %{x:.2f}, residual %{y:.2f}<extra></extra>",
            ),
        ]
    )
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "color": palette.quiet}
    axis |= {"gridcolor": palette.grid, "nticks": 7}
    titled = {"font": {"size": 12, "color": palette.quiet}, "standoff": 4}
    figure.update_layout(
        height=HEIGHT, margin={"l": 52, "r": 12, "t": 8, "b": 44}, **plain(palette)
    )
    figure.update_xaxes(title={"text": "standard normal", **titled}, **axis)
    figure.update_yaxes(title={"text": "residual", **titled}, **axis)
    return figure
