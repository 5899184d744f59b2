"""Marks of figures whose values run across: what is cut at the right, and what has no figure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import plotly.graph_objects as go

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.charts.palette import Palette


def cut(lines: Sequence[int], *, top: float, colour: str) -> go.Scatter:
    """Mark the lines on which an interval runs on beyond the right end of the axis."""
    return go.Scatter(
        x=[top] * len(lines),
        y=lines,
        mode="markers",
        marker={"symbol": "arrow-right", "size": 8, "color": colour},
        hoverinfo="skip",
        cliponaxis=False,
    )


def gaps(lines: Sequence[int], *, words: Sequence[str], top: float, palette: Palette) -> go.Scatter:
    """Mark the lines that have no figure, each with its hover words."""
    return go.Scatter(
        x=[0.03 * top] * len(lines),
        y=lines,
        mode="markers",
        marker={
            "symbol": "x-thin",
            "size": 8,
            "color": palette.quiet,
            "line": {"width": 1.6, "color": palette.quiet},
        },
        text=words,
        hovertemplate="%{text}<extra></extra>",
        cliponaxis=False,
    )
