"""Marks that figures share: where something is cut by the axis, and what has no figure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import plotly.graph_objects as go

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.charts.palette import Palette


def cut(lines: Sequence[float], *, top: float, colour: str) -> go.Scatter:
    """Mark the lines on which an interval runs on beyond the right end of the axis."""
    x, y = [top] * len(lines), list(lines)
    return _marks(x, y, _arrow("right", colour), hoverinfo="skip")


def cut_above(places: Sequence[int], *, top: float, colour: str) -> go.Scatter:
    """Mark the places at which something runs on above the top of the axis."""
    x, y = list(places), [top] * len(places)
    return _marks(x, y, _arrow("up", colour), hoverinfo="skip", name="cut")


def gaps(lines: Sequence[int], *, words: Sequence[str], top: float, palette: Palette) -> go.Scatter:
    """Mark the lines that have no figure, each with its hover words."""
    return _gaps([0.03 * top] * len(lines), lines, words=words, palette=palette)


def gaps_below(
    places: Sequence[int], *, words: Sequence[str], at: float, palette: Palette
) -> go.Scatter:
    """Mark the places that have no figure at a height, each with its hover words."""
    return _gaps(places, [at] * len(places), words=words, palette=palette)


def _gaps(
    x: Sequence[float], y: Sequence[float], *, words: Sequence[str], palette: Palette
) -> go.Scatter:
    line = {"width": 1.6, "color": palette.quiet}
    marker = {"symbol": "x-thin", "size": 8, "color": palette.quiet, "line": line}
    how = {"text": words, "hovertemplate": "%{text}<extra></extra>", "name": "gaps"}
    return _marks(x, y, marker, **how)


def _arrow(way: str, colour: str) -> dict[str, Any]:
    return {"symbol": f"arrow-{way}", "size": 8, "color": colour}


def _marks(
    x: Sequence[float], y: Sequence[float], marker: dict[str, Any], **how: Any
) -> go.Scatter:
    return go.Scatter(x=x, y=y, mode="markers", marker=marker, cliponaxis=False, **how)
