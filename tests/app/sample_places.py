"""Rules and places of the sample bulletin: every state that an area can be in after its last week.

The newest bulletin reaches Sunday 10 February 2036, so that its rules are said for the 11th.
"""

from __future__ import annotations

from datetime import date
from typing import Any

import pyarrow as pa

from analytics.bulletin.places import LANDING_SITE_SCHEMA, REGULATION_SCHEMA


def tables(season: str, areas: tuple[str, ...]) -> dict[str, pa.Table]:
    """Return the tables of rules and places of a season from November on."""
    year = int(season[:4])
    lines = [_opening(season, area, **one) for area, one in _rules(year, areas)]
    sites = [_site(area, at) for at, area in enumerate(areas)]
    return {
        "regulations": pa.Table.from_pylist(lines, schema=REGULATION_SCHEMA),
        "landing_sites": pa.Table.from_pylist(sites, schema=LANDING_SITE_SCHEMA),
    }


def _rules(year: int, areas: tuple[str, ...]) -> list[tuple[str, dict[str, Any]]]:
    first, last = date(year, 11, 1), date(year + 1, 4, 30)
    every_day, weekend, narrows, over, unborn, bare = areas
    return [
        (every_day, {"open_date": first, "close_date": last}),
        (weekend, {"open_date": first, "close_date": last, "open_weekdays": "4567"}),
        (narrows, {"open_date": first, "close_date": date(year, 12, 31)}),
        (narrows, {"open_date": date(year + 1, 3, 1), "close_date": last, "daily_limit_fish": 1}),
        (over, {"open_date": first, "close_date": date(year + 1, 1, 31)}),
        (unborn, {"open_date": date(year + 1, 2, 16), "close_date": last, "mark_selective": True}),
        (bare, {"open_date": first, "close_date": last, "min_length_mm": None}),
    ]


def _opening(season: str, area: str, **given: Any) -> dict[str, Any]:
    usual = {
        "open_weekdays": "1234567",
        "min_length_mm": 559.0,
        "daily_limit_fish": 2,
        "mark_selective": False,
    }
    return {"season": season, "area": area} | usual | given


def _site(area: str, at: int) -> dict[str, Any]:
    return {
        "site": f"{area}1",
        "site_name": f"Ramp of {area}",
        "area": area,
        "longitude": -140.0 + 0.05 * at,
        "latitude": 47.0 - 0.03 * at,
    }
