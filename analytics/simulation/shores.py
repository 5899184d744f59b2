"""The shores of an invented sound: a few nodes and lines, made rough, as outlines of its areas.

A line between two nodes that two areas share is rough in the same way for both, so that they meet.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.outlines import outline_text

if TYPE_CHECKING:
    from analytics.arrays import Floats
    from analytics.simulation.scenario import Shores, Sound

#: Kilometres of a degree of latitude (working rule).
_KM_A_DEGREE = 111.2
#: How often a line is halved, and how far its middle may leave it, as a share of its length.
_HALVINGS, _ROUGHNESS = 5, 0.15
_DECIMALS = 5


def outlines_geojson(sound: Sound) -> str:
    """Return the areas of a sound as the content of ``areas.geojson``."""
    features = [
        {
            "type": "Feature",
            "properties": {"area": area.area},
            "geometry": json.loads(outline_text(_geometry(sound.shores, area.area))),
        }
        for area in sound.areas
    ]
    head = '{"type": "FeatureCollection", "features": [\n'
    lines = (json.dumps(one, separators=(",", ":")) for one in features)
    return head + ",\n".join(lines) + "\n]}\n"


def _geometry(shores: Shores, area: str) -> dict[str, Any]:
    rings = [_ring(shores, ring) for ring in shores.rings[area]]
    return {"type": "Polygon", "coordinates": rings}


def _ring(shores: Shores, nodes: tuple[str, ...]) -> list[list[float]]:
    """Return a closed ring through nodes; a line between two shore nodes is rough."""
    parts = [
        _line(shores, one, two)[:-1] for one, two in zip(nodes, [*nodes[1:], nodes[0]], strict=True)
    ]
    km = np.concatenate([*parts, parts[0][:1]])
    found: list[list[float]] = np.round(_degrees(shores, km), _DECIMALS).tolist()
    return found


def _line(shores: Shores, one: str, two: str) -> Floats:
    """Return the places from one node to another in km, shape (n, 2)."""
    first, last = sorted((one, two))
    ends = np.array([shores.nodes[first], shores.nodes[last]], dtype=float)
    is_border = f"{first}-{last}" in shores.borders
    line = ends if is_border else _rough(ends, seed=[*first.encode(), *last.encode()])
    return line if one == first else line[::-1]


def _rough(line: Floats, *, seed: list[int]) -> Floats:
    """Return a line whose middles were moved sideways, again and again."""
    rng = np.random.default_rng(seed)
    for _ in range(_HALVINGS):
        step = np.diff(line, axis=0)
        sideways = np.column_stack([-step[:, 1], step[:, 0]])
        moved = rng.uniform(-_ROUGHNESS, _ROUGHNESS, len(step))[:, None] * sideways
        middles = line[:-1] + step / 2 + moved
        line = np.insert(line, range(1, len(line)), middles, axis=0)
    return line


def _degrees(shores: Shores, km: Floats) -> Floats:
    """Return places in degrees from kilometres east and north of the middle of the sound."""
    lon, lat = shores.middle
    wide = _KM_A_DEGREE * np.cos(np.radians(lat))
    return np.column_stack([lon + km[:, 0] / wide, lat + km[:, 1] / _KM_A_DEGREE])
