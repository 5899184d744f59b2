"""Outlines of areas: read from GeoJSON as other tables are, refused in words, kept and shown."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from analytics import outlines
from analytics.bulletin.build import bulletin_of
from analytics.cli.demo_store import demo_tables
from analytics.data import importing
from analytics.data.snapshot import Snapshot
from analytics.data.store import Store
from analytics.findings import Severity
from analytics.outlines import MOST_BYTES, area_of, outline_text, rings_of
from analytics.simulation.reference_tables import outlines_geojson
from analytics.simulation.scenario import demo_sound
from tests.unit.test_bulletin import two_weeks

DEMO = Path(__file__).parents[2] / "demo_parquet"
SQUARE = [[[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]]]
#: Two of its lines cross.
BOW = [[0, 0], [1, 1], [1, 0], [0, 1], [0, 0]]
HOLE = [[0.4, 0.4], [0.6, 0.4], [0.6, 0.6], [0.4, 0.6], [0.4, 0.4]]


def feature(area="A", coordinates=SQUARE, kind="Polygon", **more):
    geometry = {"type": kind, "coordinates": coordinates}
    return {"type": "Feature", "properties": {"area": area}, "geometry": geometry} | more


def read(folder, features, areas="A,B", **more):
    """Return what an import of areas and their outlines finds; nothing is stored."""
    folder.mkdir(exist_ok=True)
    lines = "".join(f"{one},Bank {one}\n" for one in areas.split(","))
    (folder / "areas.csv").write_text("area,area_name\n" + lines)
    content = {"type": "FeatureCollection", "features": features} | more
    text = features if isinstance(features, (str, bytes)) else json.dumps(content)
    path = folder / "areas.geojson"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    reading = importing.read_paths([folder])
    return importing.check(reading, Store(folder / "store"))


def errors(checked):
    return [str(one).partition("areas.geojson")[2] for one in checked.errors]


def test_outlines_are_stored_with_the_other_tables_in_one_form(tmp_path):
    clockwise = [SQUARE[0][::-1], HOLE]
    with_height = [[[*place, 12.5] for place in ring] for ring in SQUARE]
    two = [feature("A", clockwise), feature("B", [with_height], "MultiPolygon")]
    checked = read(tmp_path / "in", two)
    assert checked.findings == ()
    store = Store(tmp_path / "in" / "store")
    receipt = importing.store_checked(checked, store)
    assert receipt.counts["area_outlines"].new == 2
    kept = {one["area"]: one["outline"] for one in store.read("area_outlines").to_pylist()}
    (outer, hole), (other,) = rings_of(kept["A"])[0], rings_of(kept["B"])[0]
    assert area_of(outer) == pytest.approx(1)  # counterclockwise, and its hole the other way
    assert area_of(hole) == pytest.approx(-0.04)
    assert other.shape == (5, 2)
    again = importing.store_checked(importing.check(checked.reading, store), store)
    assert again.batch is None  # the same file again changes nothing


def test_a_file_of_outlines_alone_is_checked_against_the_store(tmp_path):
    importing.store_checked(read(tmp_path, []), Store(tmp_path / "store"))
    (tmp_path / "areas.csv").unlink()
    path = tmp_path / "areas.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature("C")]}))
    checked = importing.check(importing.read_paths([path]), Store(tmp_path / "store"))
    assert "feature 1, area: no area C in areas (there: A, B)" in errors(checked)[0]


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        (feature(coordinates=[SQUARE[0][:4]]), "ring 1 is not closed: it begins at 0, 0"),
        (feature(coordinates=[[[0, 0], [1, 1], [0, 0]]]), "ring 1: 3 positions"),
        (feature(coordinates=[[[0, 0], [1, 1], [2, 2], [0, 0]]]), "holds no water"),
        (feature(coordinates=[[[0, 0], [1e-7, 0], [1e-7, 1e-7], [0, 0]]]), "holds no water"),
        (feature(coordinates=[BOW]), "the line between positions 1 and 2, from 0, 0, and the line"),
        (feature(coordinates=[[[0, 0], [4, 0], [4, 3], [0, 3], [0, 0]], BOW]), "ring 2 crosses"),
        (feature(coordinates=[[[0, 0], [0, 91], [1, 1], [0, 0]]]), "position 2: 0, 91"),
        (feature(coordinates=[[[0, 0], [181, 9], [1, 1], [0, 0]]]), "longitude -180 to 180"),
        (feature(coordinates=[[[-179, 0], [179, 0], [179, 1], [-179, 0]]]), "spans 358 degrees"),
        (feature(coordinates=[[[0, 0], [0, "x"], [1, 1], [0, 0]]]), '[0, "x"]'),
        (feature(coordinates=[[[0, 0], [0, True], [1, 1], [0, 0]]]), "[0, true]"),
        (feature(coordinates=[[[0, 0], [0], [1, 1], [0, 0]]]), "two numbers"),
        (feature(coordinates=[]), "a Polygon without coordinates"),
        (feature(coordinates=[SQUARE, []], kind="MultiPolygon"), "polygon 2, no ring"),
        (feature(coordinates=[0, 0], kind="Point"), "a geometry of type Point"),
        (feature(geometry=None), "an empty cell"),
        (feature(geometry=[1]), "a list in the place of a geometry"),
        (feature(area=None), "an empty cell"),
        (feature(area="=A"), "a spreadsheet would run it"),
        (feature(area="C"), "no area C in areas"),
        ([1, 2], "[1, 2] in the place of a feature"),
        (feature(type="Polygon"), "the type Polygon"),
        (feature(properties=[1]), "properties that are no object"),
    ],
)
def test_a_faulty_feature_is_named_with_what_is_allowed(tmp_path, bad, words):
    checked = read(tmp_path, [feature("B"), bad])
    (said,) = errors(checked)
    assert said.startswith(" feature 2")
    assert words in said
    assert "; allowed: " in said
    aside = importing.check(checked.reading, Store(tmp_path / "store"), quarantine=True)
    assert not aside.errors  # the good feature can be stored without it
    assert aside.tables["area_outlines"].n_rows == 1


def shore(n: int) -> np.ndarray:
    """Return a closed ring of n places about a sound, with bays."""
    turn = np.linspace(0, 2 * np.pi, n, endpoint=False)
    far = 1 + 0.2 * np.sin(7 * turn)
    ring = np.c_[far * np.cos(turn) - 122, far * np.sin(turn) + 47]
    return np.r_[ring, ring[:1]]


@pytest.mark.parametrize("at", [0, 70, 450])
def test_a_crossing_is_found_wherever_it_is(at):
    ring = shore(500)
    assert outlines.crossing_of(ring) is None
    ring[[at + 1, at + 5]] = ring[[at + 5, at + 1]]
    one, other = outlines.crossing_of(ring)
    assert {one, other} <= set(range(at, at + 6))
    assert other > one + 1


def test_lines_that_touch_do_not_cross():
    ring = [[0, 0], [2, 0], [2, 2], [1, 0], [0, 2], [0, 0]]
    assert outlines.crossing_of(np.array(ring, dtype=float)) is None


def test_a_ring_too_intricate_to_look_through_is_refused(monkeypatch):
    monkeypatch.setattr(outlines, "_MOST_MEETING", 3)
    with pytest.raises(outlines.OutlineError, match="to and fro"):
        outlines.crossing_of(shore(500))


def test_an_area_outlined_twice_is_named(tmp_path):
    other = [[[0, 0], [2, 0], [2, 2], [0, 0]]]
    checked = read(tmp_path, [feature("A"), feature("B"), feature("A", other)])
    assert [one.partition(":")[0] for one in errors(checked)] == [
        " feature 1, area",
        " feature 3, area",
    ]
    assert "A again, as in feature 3" in errors(checked)[0]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no readable JSON"),
        ('{"type": "FeatureColl', "no readable JSON"),
        (b"\xff\xfe{}", "the byte 0xFF, which is not UTF-8"),
        ("[" * 200_000, "brackets nested too deeply"),
        ('{"type": "FeatureCollection", "features": [NaN]}', "NaN, which is no number"),
        ('{"a": ' + "9" * 6000 + "}", "thousands of digits"),
        ("[1]", "no GeoJSON object with a type"),
        ('{"type": "Feature"}', "the type Feature"),
        ('{"type": "FeatureCollection"}', "no list of features"),
        (" " * (MOST_BYTES + 1), "at most 10 MB"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused_in_words(tmp_path, text, words):
    (said,) = errors(read(tmp_path, text))
    assert words in said


def test_deep_nesting_inside_a_feature_is_refused_in_words(tmp_path):
    deep = "[" * 900 + "]" * 900
    inside = '{"type": "Polygon", "coordinates": ' + deep + "}"
    text = json.dumps({"type": "FeatureCollection", "features": [feature()]})
    (said,) = errors(read(tmp_path, text.replace(json.dumps(feature()["geometry"]), inside)))
    assert "feature 1" in said


@pytest.mark.parametrize(
    ("crs", "is_taken"),
    [
        ({"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}}, True),
        ({"type": "name", "properties": {"name": "EPSG:4326"}}, True),
        ({"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32610"}}, False),
        ("metres", False),
        (None, True),
    ],
)
def test_another_coordinate_system_is_refused(tmp_path, crs, is_taken):
    said = errors(read(tmp_path, [feature()], crs=crs))
    assert (said == []) is is_taken
    assert is_taken or "the coordinate system" in said[0]


def test_properties_and_empty_collections_are_noted_and_pass(tmp_path):
    checked = read(tmp_path / "a", [feature(properties={"area": "A", "depth": 3})])
    assert [one.severity for one in checked.findings] == [Severity.NOTE]
    assert "depth" in checked.findings[0].seen
    (warned,) = read(tmp_path / "b", []).findings
    assert warned.severity is Severity.WARNING


def test_another_name_is_refused_alone_and_left_out_of_a_folder(tmp_path):
    path = tmp_path / "piers.geojson"
    path.write_text("x")
    (fault,) = importing.read_paths([path]).faults
    assert "areas.geojson" in fault.advice


def test_an_outline_may_come_as_a_cell_of_a_table(tmp_path):
    cell = json.dumps({"type": "Polygon", "coordinates": SQUARE}).replace('"', '""')
    (tmp_path / "areas.csv").write_text("area\nA\n")
    (tmp_path / "area_outlines.csv").write_text(f'area,outline\nA,"{cell}"\n')
    checked = importing.check(importing.read_paths([tmp_path]), Store(tmp_path / "s"))
    assert checked.findings == ()
    (line,) = checked.tables["area_outlines"].data.to_pylist()
    assert line["outline"] == outline_text({"type": "Polygon", "coordinates": SQUARE})


def test_the_templates_have_an_empty_collection_that_can_be_imported(tmp_path):
    written = {path.name: path for path in importing.write_templates(tmp_path)}
    reading = importing.read_paths([written["areas.geojson"]])
    assert not reading.faults
    assert {one.severity for one in reading.findings} == {Severity.WARNING}


# The demo's sound.


@pytest.fixture(scope="module")
def rings():
    outlines = demo_tables(DEMO)["area_outlines"].to_pylist()
    return {one["area"]: rings_of(one["outline"])[0] for one in outlines}


def test_the_committed_outlines_are_those_of_the_sound():
    assert (DEMO / "areas.geojson").read_text("utf-8") == outlines_geojson(demo_sound())


def test_every_ramp_stands_on_the_shore_of_its_own_area(rings):
    for ramp in demo_sound().ramps:
        here = np.array([ramp.longitude, ramp.latitude])
        away = {area: np.abs(ring[0] - here).max(axis=1).min() for area, ring in rings.items()}
        assert min(away, key=away.get) == ramp.area
        assert away[ramp.area] < 0.001  # degrees: as rounded


def test_neighbours_share_a_border_and_others_do_not(rings):
    corners = {area: set(map(tuple, ring[0])) for area, ring in rings.items()}
    areas = demo_sound().areas
    for at, area in enumerate(areas):
        others = set(corners) - {area.area}
        touching = {one for one in others if len(corners[area.area] & corners[one]) >= 2}
        assert touching == {areas[n].area for n in (at - 1, at + 1) if 0 <= n < len(areas)}
        assert set(area.neighbours) <= touching


def test_outlines_do_not_overlap_in_area(rings):
    whole = sum(abs(area_of(ring[0])) for ring in rings.values())
    ends = np.concatenate([ring[0] for ring in rings.values()])
    assert 0 < whole < np.ptp(ends[:, 0]) * np.ptp(ends[:, 1])


# In a bulletin.


def test_a_bulletin_keeps_the_outlines_of_its_areas():
    tables = dict(two_weeks().tables)
    (season,) = tables["seasons"].to_pylist()
    lines = [
        {"area": area, "outline": outline_text({"type": "Polygon", "coordinates": SQUARE})}
        for area in (season["area"], "not open")
    ]
    schema = tables["area_outlines"].schema
    tables["area_outlines"] = type(tables["areas"]).from_pylist(lines, schema)
    made = bulletin_of(Snapshot.of(tables))
    assert made.table("area_outlines").to_pylist() == lines[:1]
