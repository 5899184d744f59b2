"""How plotly draws in our colours: a template for each palette."""

from __future__ import annotations

import plotly.graph_objects as go
import plotly.io as pio

from analytics.palette import DARK, LIGHT, Palette

#: Plotly takes the font of the page; nothing is fetched.
FONT = '"Source Sans", sans-serif'


def _template(palette: Palette) -> go.layout.Template:
    """Return the layout that figures share; an axis has it unless a figure says otherwise."""
    title = {"font": {"size": 12, "color": palette.quiet}, "standoff": 4}
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "title": title}
    axis |= {"color": palette.quiet, "gridcolor": palette.grid}
    return go.layout.Template(
        layout={
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
    )


for _palette in (LIGHT, DARK):
    pio.templates[_palette.name] = _template(_palette)


def template_name(palette: Palette) -> str:
    """Return the name by which plotly knows the template of a palette."""
    return palette.name
