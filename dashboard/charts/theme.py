"""How plotly draws in our colours: what the layouts and the axes of all figures share."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analytics.palette import Palette

#: Plotly takes the font of the page; nothing is fetched.
FONT = '"Source Sans", sans-serif'


def layout(palette: Palette) -> dict[str, Any]:
    """Return the layout that figures share."""
    return {
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"family": FONT, "size": 12, "color": palette.ink},
        "showlegend": False,
        "dragmode": False,
        "hovermode": "closest",
        "hoverlabel": {"font": {"family": FONT, "size": 13}},
    }


def axis(palette: Palette, own: Mapping[str, Any]) -> dict[str, Any]:
    """Return an axis of a figure: what axes share, and what it says itself."""
    title = {"font": {"size": 12, "color": palette.quiet}, "standoff": 4} | own.get("title", {})
    shared = {"fixedrange": True, "zeroline": False, "ticks": ""}
    # Labels that overflow are looked after by the margins; to let plotly measure each takes long.
    shared |= {"color": palette.quiet, "gridcolor": palette.grid, "ticklabeloverflow": "allow"}
    return {**shared, **own, "title": title}
