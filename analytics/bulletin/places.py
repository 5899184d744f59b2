"""What a bulletin keeps of its season's rules and places: openings, outlines, landing sites."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc

from analytics.data.calendar import with_weekdays
from analytics.data.schema import cast_to_schema

if TYPE_CHECKING:
    from analytics.data.snapshot import Snapshot

#: Openings of the season with their rules, as the store has them: one row an opening of an area.
REGULATION_SCHEMA = pa.schema(
    [
        ("season", pa.string()),
        ("area", pa.string()),
        ("open_date", pa.date32()),  # first open day
        ("close_date", pa.date32()),  # last open day; null where none was given
        ("open_weekdays", pa.string()),  # ISO digits, 1 is Monday
        ("min_length_mm", pa.float64()),  # null: not recorded
        ("daily_limit_fish", pa.int64()),  # null: not recorded
        ("mark_selective", pa.bool_()),  # null: not recorded
    ]
)

#: Places where boats land.
LANDING_SITE_SCHEMA = pa.schema(
    [
        ("site", pa.string()),
        ("site_name", pa.string()),
        ("area", pa.string()),  # where the site lies
        ("longitude", pa.float64()),  # degrees, WGS 84
        ("latitude", pa.float64()),  # degrees, WGS 84
    ]
)

#: Outlines of the season's areas, for maps; those that the store has.
OUTLINE_SCHEMA = pa.schema(
    [
        ("area", pa.string()),
        ("outline", pa.string()),  # a GeoJSON MultiPolygon, degrees of WGS 84
    ]
)

#: The shapes of these tables, by name.
PLACE_SCHEMAS: dict[str, pa.Schema] = {
    "regulations": REGULATION_SCHEMA,
    "area_outlines": OUTLINE_SCHEMA,
    "landing_sites": LANDING_SITE_SCHEMA,
}


def place_tables(snapshot: Snapshot, season: str) -> dict[str, pa.Table]:
    """Return the tables of `PLACE_SCHEMAS` for a season of a snapshot.

    Areas without an opening in the season have neither outline nor landing site in them.
    """
    openings = snapshot["seasons"]
    openings = openings.filter(pc.equal(openings["season"], season))
    openings = openings.sort_by([("area", "ascending"), ("open_date", "ascending")])
    open_areas = openings["area"].combine_chunks()
    sites, outlines = (
        one.filter(pc.is_in(one["area"], open_areas))
        for one in (snapshot["sites"], snapshot["area_outlines"])
    )
    return {
        "regulations": cast_to_schema(with_weekdays(openings), REGULATION_SCHEMA),
        "area_outlines": cast_to_schema(outlines.sort_by("area"), OUTLINE_SCHEMA),
        "landing_sites": cast_to_schema(sites.sort_by("site"), LANDING_SITE_SCHEMA),
    }
