"""A map of areas without a tile server, or tiles in rows where an area has no outline.

Areas are coloured by one figure; a pattern says where it is unsure; ramps are points. Longitude is
shortened by the cosine of the middle latitude, which keeps shapes on the scale of a sound. No boat
is drawn: the figures are of whole areas.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.outlines import rings_of
from analytics.palette import on_scale
from analytics.wording.reasons import MILD
from dashboard.charts import drawing

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import plotly.graph_objects as go

    from analytics.arrays import Floats
    from analytics.palette import Palette

#: Tiles across where there are no outlines, and their size of one.
TILES_ACROSS, _TILE = 3, 0.94
#: Positions nearer to the last one than this part of the map are left out: nobody sees them.
_FINEST = 1 / 700
_HEIGHT, _LABEL_WIDTH, _LABEL_LINES = 420, 15, 3
#: Pixels of a letter, from the middle of a label to its first and last line, and beside a shape.
_LETTER_PIXELS, _LINE_PIXELS, _GAP_PIXELS = 6.4, 14.0, 7.0
#: Signs of certainty: in the fill, and before the figure.
SURE, UNSURE, NONE = "sure", "unsure", "none"
_HATCH = {UNSURE: "/", NONE: "."}
SIGNS = {SURE: "", UNSURE: f"{MILD} ", NONE: ""}

Place = tuple[float, float]


@dataclass(frozen=True, slots=True)
class MapArea:
    """An area of the map.

    `outline` is a stored outline, empty where there is none; `value` the figure that colours it,
    None where there is none to show, with its `label`; `certainty` one of `SURE`, `UNSURE`, `NONE`;
    `words` say it all, for the pointer.
    """

    area: str
    name: str
    outline: str
    value: float | None
    label: str
    certainty: str
    words: str


def figure(
    areas: Sequence[MapArea],
    *,
    palette: Palette,
    chosen: str = "",
    ramps: Mapping[str, Place] | None = None,
    height: float = _HEIGHT,
) -> go.Figure:
    """Draw areas on a map, or as tiles where one of them has no outline.

    Parameters
    ----------
    areas : sequence of MapArea
    palette : Palette
    chosen : str
        Code of the area that is marked.
    ramps : mapping of str to (float, float), optional
        Names of landing sites with longitude and latitude; drawn on outlines alone.
    height : float
        Pixels.
    """
    is_map = is_drawn_to_scale(areas)
    shapes = _outlines(areas) if is_map else _tiles(len(areas))
    top = max((one.value for one in areas if one.value is not None), default=0.0) or 1.0
    traces: list[Any] = []
    # The chosen one comes last, so that its border lies on top.
    for one, shape in sorted(
        zip(areas, shapes, strict=True), key=lambda pair: pair[0].area == chosen
    ):
        traces.append(_filled(one, shape, top=top, palette=palette, is_chosen=one.area == chosen))
    if ramps and is_map:
        traces.append(_ramps(areas, ramps, palette))
    traces += _labels(areas, shapes, top=top, palette=palette, height=height)
    bare = {"visible": False, "fixedrange": True}
    return drawing.figure(
        traces,
        palette=palette,
        height=height,
        margin=(4, 4, 4, 4),
        xaxis=bare,
        yaxis=bare | {"scaleanchor": "x", "scaleratio": 1},
        meta=drawing.data(
            ("area", "area_name", "estimate", "certainty", "words"),
            [(one.area, one.name, one.value, one.certainty, one.words) for one in areas],
        ),
    )


def is_drawn_to_scale(areas: Sequence[MapArea]) -> bool:
    """Return whether every area has an outline, so that a map can be drawn."""
    return bool(areas) and all(one.outline for one in areas)


def _project(place: Floats, middle: float) -> Floats:
    return place * np.array([math.cos(math.radians(middle)), 1.0])


def _middle(areas: Sequence[MapArea]) -> float:
    """Return the middle latitude of the outlines."""
    rings = [ring for one in areas for polygon in rings_of(one.outline) for ring in polygon[:1]]
    latitudes = np.concatenate([ring[:, 1] for ring in rings])
    return float((latitudes.min() + latitudes.max()) / 2)


def _outlines(areas: Sequence[MapArea]) -> list[list[Floats]]:
    """Return the rings of each area, projected and thinned."""
    middle = _middle(areas)
    every = [
        [_project(ring, middle) for polygon in rings_of(one.outline) for ring in polygon]
        for one in areas
    ]
    whole = np.concatenate([ring for rings in every for ring in rings])
    finest = float(np.ptp(whole, axis=0).max()) * _FINEST
    return [[_thinned(ring, finest) for ring in rings] for rings in every]


def _thinned(ring: Floats, finest: float) -> Floats:
    """Leave out positions that are nearer to the last kept one than `finest`; the ends stay."""
    kept = [ring[0]]
    for place in ring[1:-1]:
        if abs(place - kept[-1]).max() >= finest:
            kept.append(place)
    return np.array([*kept, ring[-1]])


def _tiles(n: int) -> list[list[Floats]]:
    """Return squares in rows from the top."""
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]]) * _TILE
    corners = [(at % TILES_ACROSS, -(at // TILES_ACROSS) * 0.62) for at in range(n)]
    return [[square * [1, 0.6] + corner] for corner in corners]


def _filled(
    one: MapArea, shape: list[Floats], *, top: float, palette: Palette, is_chosen: bool
) -> dict[str, Any]:
    """Return an area with its colour and, where the figure is unsure, a pattern."""
    x: list[float | None] = []
    y: list[float | None] = []
    for ring in shape:
        x += [None] * bool(x) + ring[:, 0].round(5).tolist()
        y += [None] * bool(y) + ring[:, 1].round(5).tolist()
    colour = _colour(one, top, palette)
    trace: dict[str, Any] = {
        "type": "scatter",
        "x": x,
        "y": y,
        "mode": "lines",
        "fill": "toself",
        "fillcolor": colour,
        "line": {
            "width": 3.5 if is_chosen else 1.2,
            "color": palette.copper if is_chosen else palette.quiet,
        },
        "hoverinfo": "skip",
        "name": one.area,
    }
    if one.certainty in _HATCH:
        pattern = {"shape": _HATCH[one.certainty], "bgcolor": colour, "fgcolor": palette.quiet}
        trace["fillpattern"] = pattern | {"size": 9, "solidity": 0.16}
    return trace


def _colour(one: MapArea, top: float, palette: Palette) -> str:
    """Return the colour of a figure on the scale from none to the highest."""
    if one.value is None:
        return palette.grid
    # Of five colours the darkest would leave no room for a label.
    steps = palette.sea_scale[:4]
    at = min(max(one.value / top, 0.0), 1.0) * (len(steps) - 1)
    left = min(int(at), len(steps) - 2)
    parts = [_channels(steps[left]), _channels(steps[left + 1])]
    mixed = (round(a + (b - a) * (at - left)) for a, b in zip(*parts, strict=True))
    return "#" + "".join(f"{part:02X}" for part in mixed)


def _channels(colour: str) -> list[int]:
    return [int(colour[at : at + 2], 16) for at in (1, 3, 5)]


def _ramps(
    areas: Sequence[MapArea], ramps: Mapping[str, Place], palette: Palette
) -> dict[str, Any]:
    places = _project(np.array(list(ramps.values()), dtype=float), _middle(areas))
    return {
        "type": "scatter",
        "x": places[:, 0].tolist(),
        "y": places[:, 1].tolist(),
        "mode": "markers",
        "marker": {
            "symbol": "triangle-up",
            "size": 8,
            "color": palette.ink,
            "line": {"width": 1, "color": palette.sea_scale[0]},
        },
        "text": [f"<b>{drawing.escape(name)}</b>" for name in ramps],
        "hovertemplate": drawing.HOVER,
        "name": "ramps",
    }


def _labels(
    areas: Sequence[MapArea],
    shapes: Sequence[list[Floats]],
    *,
    top: float,
    palette: Palette,
    height: float,
) -> list[dict[str, Any]]:
    """Return points to press that bear the codes of areas, and names with figures.

    A label that is wider than its area stands beside it.
    """
    whole = np.concatenate([ring for shape in shapes for ring in shape])
    pixels = height / float(np.ptp(whole[:, 1]))
    spots = [_inside(shape, reach=_LINE_PIXELS / pixels) for shape in shapes]
    fits = [
        2 * half * pixels >= _LETTER_PIXELS * max(map(len, _lines(one)))
        for one, (_, _, half) in zip(areas, spots, strict=True)
    ]
    reach, gap = _LINE_PIXELS / pixels, _GAP_PIXELS / pixels
    rights = [
        max(_right_of(shape, y + step) for step in (-reach, 0.0, reach)) + gap
        for shape, (_, y, _) in zip(shapes, spots, strict=True)
    ]
    colours = [_colour(one, top, palette) for one in areas]
    press = {
        "type": "scatter",
        "x": [x for x, _, _ in spots],
        "y": [y for _, y, _ in spots],
        "mode": "markers",
        "marker": {"size": 44, "color": "rgba(0,0,0,0)"},
        "customdata": [one.area for one in areas],
        "text": [drawing.hover(one.name, one.words) for one in areas],
        "hovertemplate": drawing.HOVER,
        "name": "areas",
    }
    words = {
        "type": "scatter",
        "x": [
            spot[0] if fit else right for spot, fit, right in zip(spots, fits, rights, strict=True)
        ],
        "y": press["y"],
        "mode": "text",
        "text": [_label(one) for one in areas],
        "textposition": ["middle center" if fit else "middle right" for fit in fits],
        "textfont": {
            "size": 12,
            "color": [
                on_scale((colour, colour), 0) if fit else palette.ink
                for colour, fit in zip(colours, fits, strict=True)
            ],
        },
        "cliponaxis": False,
        "hoverinfo": "skip",
        "name": "labels",
    }
    return [words, press]


def _label(one: MapArea) -> str:
    *name, label = _lines(one)
    return "<br>".join([*map(drawing.escape, name), f"<b>{drawing.escape(label)}</b>"])


def _lines(one: MapArea) -> list[str]:
    name = wrap(one.name, _LABEL_WIDTH, max_lines=_LABEL_LINES, placeholder="…")
    return [*name, one.label]


def _right_of(shape: list[Floats], y: float) -> float:
    """Return the right end of a shape at a height, or its middle above and below it."""
    return max(_crossings(shape[0], y), default=float(shape[0][:, 0].mean()))


def _inside(shape: list[Floats], *, reach: float) -> tuple[float, float, float]:
    """Return a place well inside a shape, and how far it is from there to the nearest shore.

    Of places in the middle of the stretches of water at some heights, the one with most room to its
    sides, as far as `reach` above and below.
    """
    low, high = float(shape[0][:, 1].min()), float(shape[0][:, 1].max())
    best, most = (float(shape[0][:, 0].mean()), (low + high) / 2, 0.0), 0.0
    for y in np.linspace(low, high, 42)[1:-1].tolist():
        for left, right in _stretches(shape, y):
            x = (left + right) / 2
            heights = (y - reach, y, y + reach)
            half = min(_room(shape, x, height) for height in heights)
            # Of places with as much room, the one in the middle of the height.
            worth = half * (1 - abs((y - low) / (high - low) - 0.5))
            if worth > most:
                best, most = (x, y, half), worth
    return best


def _stretches(shape: list[Floats], y: float) -> list[tuple[float, float]]:
    """Return the ends of the stretches of a shape at a height."""
    cuts = sorted(x for ring in shape for x in _crossings(ring, y))
    return list(zip(cuts[::2], cuts[1::2], strict=False))


def _room(shape: list[Floats], x: float, y: float) -> float:
    """Return how far it is from a place to the nearer end of its stretch; none outside."""
    ends = [one for one in _stretches(shape, y) if one[0] < x < one[1]]
    return min(x - ends[0][0], ends[0][1] - x) if ends else 0.0


def _crossings(ring: Floats, y: float) -> list[float]:
    """Return where a ring crosses a height."""
    below = ring[:, 1] < y
    at = np.flatnonzero(below[:-1] != below[1:])
    one, two = ring[at], ring[at + 1]
    share = (y - one[:, 1]) / (two[:, 1] - one[:, 1])
    found: list[float] = (one[:, 0] + share * (two[:, 0] - one[:, 0])).tolist()
    return found
