"""How plotly draws in our colours: a template for each palette."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analytics.palette import Palette

#: Plotly takes the font of the page; nothing is fetched.
FONT = '"Source Sans", sans-serif'


def template(palette: Palette) -> dict[str, Any]:
    """Return the layout that figures share; an axis has it unless a figure says otherwise."""
    title = {"font": {"size": 12, "color": palette.quiet}, "standoff": 4}
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "title": title}
    # Labels that overflow are looked after by the margins; to let plotly measure each takes long.
    axis |= {"color": palette.quiet, "gridcolor": palette.grid, "ticklabeloverflow": "allow"}
    shared = {
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": {"family": FONT, "size": 12, "color": palette.ink},
        "showlegend": False,
        "dragmode": False,
        "hovermode": "closest",
        "hoverlabel": {"font": {"family": FONT, "size": 13}},
        "xaxis": axis,
        "yaxis": axis,
    }
    return {"layout": shared}
