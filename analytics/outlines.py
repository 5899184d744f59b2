"""Outlines of areas: GeoJSON geometries (RFC 7946) read, checked and written in one form.

The form is a MultiPolygon with two numbers a position, six decimals, and rings in the order of the
standard: the outer one counterclockwise, holes clockwise.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.findings import shortened

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.arrays import Bools, Floats

#: Largest file, and largest outline as text (our choice, no source).
MOST_BYTES = 10 << 20
#: Decimals of a degree that are kept: a tenth of a metre, as the standard recommends.
_DECIMALS = 6
_LOW, _HIGH = np.array([-180.0, -90.0]), np.array([180.0, 90.0])
_LEAST_POSITIONS = 4
#: Lines of a ring that are compared together, and how many pairs of such runs may meet: some 10 s.
_RUN, _MOST_MEETING = 64, 100_000
#: A ring that spans more has crossed the line at 180 degrees.
_WIDEST = 180.0
_DEEPEST = "a file that is nested as GeoJSON is, at most some ten levels deep"

ALLOWED = "a GeoJSON geometry of type Polygon or MultiPolygon (RFC 7946)"


class OutlineError(ValueError):
    """A geometry is no outline: what was seen, what is allowed, what to do."""

    def __init__(self, seen: str, allowed: str = ALLOWED, advice: str = "") -> None:
        super().__init__(seen)
        self.seen, self.allowed, self.advice = seen, allowed, advice


class _NoNumberError(Exception):
    """NaN or an infinity, which JSON does not have."""


def load_json(text: str | bytes) -> Any:
    """Return what a JSON text holds; `OutlineError` where it is none that we read."""
    try:
        content = text.decode("utf-8-sig") if isinstance(text, bytes) else text
        return json.loads(content, parse_constant=_no_number)
    except RecursionError:
        raise OutlineError("brackets nested too deeply", _DEEPEST, "export it again") from None
    except UnicodeDecodeError as error:
        raise OutlineError(
            f"the byte 0x{error.object[error.start]:02X}, which is not UTF-8",
            "text in UTF-8",
            "export it again as GeoJSON",
        ) from None
    except json.JSONDecodeError as error:
        raise OutlineError(
            f"no readable JSON: {error.msg} in line {error.lineno}, character {error.colno}",
            "a GeoJSON file (RFC 7946)",
            "it may be cut short: export it again",
        ) from None
    except _NoNumberError as error:
        raise OutlineError(f"{error}, which is no number", "numbers as JSON has them") from None
    except ValueError:
        raise OutlineError("a number of thousands of digits", "numbers of degrees") from None


def outline_text(value: object) -> str:
    """Return an outline in its one form, from a geometry or its JSON text.

    Raises
    ------
    OutlineError
        If it is no Polygon or MultiPolygon with closed rings on the globe that do not cross
        themselves.
    """
    if isinstance(value, str):
        if len(value) > MOST_BYTES:
            raise OutlineError(f"{len(value) >> 20} MB", f"at most {MOST_BYTES >> 20} MB")
        value = load_json(value)
    polygons = [_wound(polygon) for polygon in _polygons(value)]
    shape = {"type": "MultiPolygon", "coordinates": polygons}
    return json.dumps(shape, separators=(",", ":"))


def rings_of(text: str) -> list[list[Floats]]:
    """Return the polygons of a stored outline: the outer ring and its holes, shape (n, 2) each."""
    return [
        [np.array(ring, dtype=float) for ring in polygon]
        for polygon in json.loads(text)["coordinates"]
    ]


def _no_number(word: str) -> float:
    raise _NoNumberError(word)


def _polygons(shape: object) -> list[list[Floats]]:
    """Return the rings of a geometry, checked, by polygon."""
    if not isinstance(shape, dict):
        raise OutlineError(f"{_kind(shape)} in the place of a geometry")
    kind, coordinates = shape.get("type"), shape.get("coordinates")
    if kind not in ("Polygon", "MultiPolygon"):
        raise OutlineError(
            f"a geometry of type {shortened(kind)}", advice="draw the area as a closed shape"
        )
    if not isinstance(coordinates, list) or not coordinates:
        raise OutlineError(f"a {kind} without coordinates", advice="export it again")
    polygons = [coordinates] if kind == "Polygon" else coordinates
    found = []
    for at, polygon in enumerate(polygons, 1):
        where = f"polygon {at}, " if len(polygons) > 1 else ""
        if not isinstance(polygon, list) or not polygon:
            raise OutlineError(f"{where}no ring in it", "an outer ring, then its holes")
        found.append([_ring(ring, f"{where}ring {n}") for n, ring in enumerate(polygon, 1)])
    return found


def _ring(ring: object, where: str) -> Floats:
    """Return the positions of a closed ring."""
    if not isinstance(ring, list) or len(ring) < _LEAST_POSITIONS:
        n = len(ring) if isinstance(ring, list) else 0
        allowed = f"at least {_LEAST_POSITIONS} positions, the last one the first again"
        raise OutlineError(f"{where}: {n} positions", allowed, "draw the shape again")
    places = np.array([_position(one, f"{where}, position {n}") for n, one in enumerate(ring, 1)])
    if (places[0] != places[-1]).any():
        raise OutlineError(
            f"{where} is not closed: it begins at {_shown(places[0])} and ends at "
            f"{_shown(places[-1])}",
            "a ring whose last position is its first",
            "repeat the first position at the end",
        )
    outside = np.flatnonzero(((places < _LOW) | (places > _HIGH)).any(axis=1))
    if len(outside):
        raise OutlineError(
            f"{where}, position {outside[0] + 1}: {_shown(places[outside[0]])}",
            "degrees of WGS 84: longitude -180 to 180, then latitude -90 to 90",
            "swap the two numbers, or export the file in WGS 84 (longitude, latitude)",
        )
    if np.ptp(places[:, 0]) > _WIDEST:
        raise OutlineError(
            f"{where} spans {np.ptp(places[:, 0]):.0f} degrees of longitude",
            f"at most {_WIDEST:.0f} degrees",
            "cut the area at 180 degrees into two polygons",
        )
    if (crossed := crossing_of(places)) is not None:
        one, other = (f"positions {at + 1} and {at + 2}" for at in crossed)
        raise OutlineError(
            f"{where} crosses itself: the line between {one}, from {_shown(places[crossed[0]])}, "
            f"and the line between {other}, from {_shown(places[crossed[1]])}",
            "a ring whose lines do not cross",
            "put these positions in the order of the shore, or repair the shape where it was drawn",
        )
    if area_of(np.round(places, _DECIMALS)) == 0:
        raise OutlineError(
            f"{where} holds no water: its positions lie on one line or in one place", "a ring"
        )
    return places


def crossing_of(ring: Floats) -> tuple[int, int] | None:
    """Return two lines of a closed ring that cross, each by its first position; None if none do.

    Lines that only touch do not cross. Lines are compared where the boxes around runs of them meet.

    Raises
    ------
    OutlineError
        If so many boxes meet that it would take minutes.
    """
    places = ring - ring[0]
    starts, ends = places[:-1], places[1:]
    n_runs = -(-len(starts) // _RUN)
    firsts = np.arange(n_runs) * _RUN
    lows = np.minimum.reduceat(np.minimum(starts, ends), firsts)
    highs = np.maximum.reduceat(np.maximum(starts, ends), firsts)
    n_met = 0
    for run in range(n_runs):
        meet = (lows[run] <= highs[run:]).all(axis=1) & (lows[run:] <= highs[run]).all(axis=1)
        others = run + np.flatnonzero(meet)
        n_met += len(others)
        if n_met > _MOST_MEETING:
            raise OutlineError(
                f"a ring of {len(ring):,} positions whose lines run to and fro over each other",
                "an outline of a shore",
                "make it simpler where it was drawn, such as to one position every 10 m",
            )
        mine = np.arange(firsts[run], min(firsts[run] + _RUN, len(starts)))
        theirs = (firsts[others][:, None] + np.arange(_RUN)).ravel()
        theirs = theirs[theirs < len(starts)]
        found = _crossed(starts[mine], ends[mine], starts[theirs], ends[theirs])
        if found.any():
            at, other = np.argwhere(found)[0]
            one, two = sorted((int(mine[at]), int(theirs[other])))
            return one, two
    return None


def _crossed(a: Floats, b: Floats, c: Floats, d: Floats) -> Bools:
    """Return which lines ``a b`` cross which lines ``c d``, shape (lines, other lines)."""

    def side(start: Floats, end: Floats, point: Floats) -> Floats:
        along, to = end - start, point - start
        found: Floats = along[..., 0] * to[..., 1] - along[..., 1] * to[..., 0]
        return found

    a, b = a[:, None], b[:, None]
    found: Bools = (side(a, b, c) * side(a, b, d) < 0) & (side(c, d, a) * side(c, d, b) < 0)
    return found


def _position(value: object, where: str) -> tuple[float, float]:
    """Return longitude and latitude; a height after them is left out."""
    numbers = value[:2] if isinstance(value, list) else []
    are_numbers = [type(one) in (int, float) for one in numbers]
    if are_numbers != [True, True]:
        raise OutlineError(
            f"{where}: {brief(value)}",
            "two numbers, longitude and latitude",
            "export it again",
        )
    try:
        lon, lat = (float(one) for one in numbers)
    except OverflowError:
        lon = lat = float("inf")
    return lon, lat


def area_of(ring: Floats) -> float:
    """Return the signed area of a closed ring in square degrees, over 0 counterclockwise."""
    # About its first position, so that far from the origin no digit is lost.
    x, y = (ring - ring[0]).T
    return float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) / 2)


def _wound(polygon: Sequence[Floats]) -> list[list[list[float]]]:
    """Return rings in the standard's order: the outer one counterclockwise, holes clockwise."""
    turned = [
        ring if (area_of(ring) > 0) == (at == 0) else ring[::-1] for at, ring in enumerate(polygon)
    ]
    return [np.round(ring, _DECIMALS).tolist() for ring in turned]


def _shown(place: Floats) -> str:
    return f"{place[0]:.6g}, {place[1]:.6g}"


def brief(value: object) -> str:
    """Return a value of JSON as its text, at most 40 characters of it."""
    try:
        return json.dumps(value)[:40]
    except RecursionError:
        return "brackets nested too deeply"


def _kind(value: object) -> str:
    names = {dict: "an object", list: "a list", str: "text", bool: "true or false"}
    if value is None:
        return "nothing"
    return names.get(type(value), "a number")
