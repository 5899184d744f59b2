"""Reading ``areas.geojson`` (RFC 7946) as rows of `area_outlines`: one a feature.

A row is numbered as in a table, where the header is row 1: feature 1 is row 2.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.data.importing.input_files import OUTLINES_TABLE, Unreadable
from analytics.data.importing.reading import FileReading, Raw
from analytics.findings import Finding, Severity, shortened
from analytics.outlines import MOST_BYTES, OutlineError, brief, load_json

if TYPE_CHECKING:
    from pathlib import Path

#: More areas than a survey has are a file of something else (our choice, no source).
_MOST_FEATURES = 2_000
#: Names of the one coordinate system of the standard, which older files may give.
_WGS84 = ("CRS84", "EPSG::4326", "EPSG:4326", "WGS84")
_COLLECTION = "a FeatureCollection, each feature with a property area (RFC 7946)"
_FEATURE = "a Feature with properties and a geometry"


def read_outlines(path: Path) -> FileReading:
    """Read the outlines of areas; what stands against reading the file is a fault."""
    place: dict[str, Any] = {"table": OUTLINES_TABLE, "file": str(path)}
    try:
        features = _features(path)
    except Unreadable as error:
        return FileReading(None, faults=(Finding(severity=Severity.ERROR, **place, **error.said),))
    except OSError as error:
        seen = f"the file cannot be read: {error.strerror}"
        return FileReading(None, faults=(Finding(severity=Severity.ERROR, **place, seen=seen),))
    rows: dict[int, tuple[str | None, str | None]] = {}
    wrong_ones: dict[int, str] = {}
    findings: list[Finding] = []
    others: set[str] = set()
    for row, feature in enumerate(features, 2):
        wrong = _wrong_feature(feature)
        if wrong:
            wrong_ones[row] = _text(feature) or "null"
            findings.append(
                Finding(severity=Severity.ERROR, **place, row=row, seen=wrong, allowed=_FEATURE)
            )
            continue
        properties = feature["properties"] or {}
        rows[row] = (_area(properties.get("area")), _text(feature.get("geometry")))
        others |= set(properties) - {"area"}
    findings += _notes(place, len(features), others)
    areas, outlines = zip(*rows.values(), strict=True) if rows else ((), ())
    data = {"area": pa.array(areas, pa.string()), "outline": pa.array(outlines, pa.string())}
    places = np.array(list(rows), dtype=np.int64)
    raw = Raw(OUTLINES_TABLE, str(path), pa.table(data), places, wrong_ones)
    return FileReading(raw, findings=tuple(findings))


def _features(path: Path) -> list[Any]:
    """Return the features of a collection in degrees of WGS 84."""
    size = path.stat().st_size
    if size > MOST_BYTES:
        raise Unreadable(
            f"{size / (1 << 20):,.0f} MB",
            f"at most {MOST_BYTES >> 20} MB",
            "simplify the outlines: a hundred positions an area draw well",
        )
    try:
        content = load_json(path.read_bytes())
    except OutlineError as error:
        raise Unreadable(error.seen, error.allowed, error.advice) from None
    kind = content.get("type") if isinstance(content, dict) else None
    if kind != "FeatureCollection":
        seen = f"the type {shortened(kind)}" if kind else "no GeoJSON object with a type"
        raise Unreadable(seen, _COLLECTION, "export the areas as one GeoJSON layer")
    _require_wgs84(content.get("crs"))
    features = content.get("features")
    if not isinstance(features, list):
        raise Unreadable("no list of features", _COLLECTION, "export it again")
    if len(features) > _MOST_FEATURES:
        raise Unreadable(
            f"{len(features):,} features", f"at most {_MOST_FEATURES:,}", "one feature an area"
        )
    return features


def _require_wgs84(crs: Any) -> None:
    """Refuse another coordinate system than that of the standard."""
    if crs is None:
        return
    properties = crs.get("properties") if isinstance(crs, dict) else None
    name = str(properties.get("name")) if isinstance(properties, dict) else shortened(crs)
    if not name.upper().replace(" ", "").endswith(_WGS84):
        raise Unreadable(
            f"the coordinate system {shortened(name)}",
            "degrees of WGS 84 (longitude, latitude) and no member crs, as RFC 7946 has it",
            "export the layer in WGS 84 (EPSG:4326)",
        )


def _wrong_feature(feature: Any) -> str:
    """Return what is wrong with a feature's frame; empty where nothing is."""
    if not isinstance(feature, dict):
        return f"{shortened(brief(feature))} in the place of a feature"
    if feature.get("type") != "Feature":
        return f"the type {shortened(feature.get('type'))}"
    if not isinstance(feature.get("properties"), (dict, type(None))) or "properties" not in feature:
        return "properties that are no object"
    return ""


def _area(value: Any) -> str | None:
    """Return a property as the text of a cell; an id may be written as a number."""
    if isinstance(value, (dict, list)):
        return brief(value)
    return None if value is None else str(value)


def _text(value: Any) -> str | None:
    try:
        return None if value is None else json.dumps(value, separators=(",", ":"))
    except RecursionError:
        return brief(value)  # no geometry, which the check of the cell says


def _notes(place: dict[str, Any], n_features: int, others: set[str]) -> list[Finding]:
    found = []
    if not n_features:
        seen, advice = "a collection without features", "nothing to import; is that meant?"
        found.append(Finding(severity=Severity.WARNING, **place, seen=seen, advice=advice))
    if others:
        names = shortened(", ".join(sorted(others)))
        found.append(Finding(severity=Severity.NOTE, **place, seen=f"properties left out: {names}"))
    return found
