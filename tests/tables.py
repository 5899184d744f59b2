"""Small surveys written out by hand, as snapshots of input tables."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics.data.snapshot import Snapshot

if TYPE_CHECKING:
    from collections.abc import Sequence

MONDAY = dt.date(2031, 1, 6)  # first day of 2031-W02


@dataclass(frozen=True)
class SiteDay:
    """One site-day: boats that returned and what the interviewed ones said."""

    boats: int | None
    interviews: Sequence[dict[str, Any]]
    stratum: str | None = None
    frame: int | None = None
    site: str = "r1"
    date: dt.date = MONDAY
    draw_probability: float | None = None
    extra: dict[str, Any] = field(default_factory=dict)


def interview(**given: Any) -> dict[str, Any]:
    """Return an interview with one angler, one hour and no fish, but for what is given."""
    plain: dict[str, Any] = {
        "area": "A",
        "anglers": 1,
        "hours_fished": 1.0,
        "kept": 0,
        "released_legal": 0,
        "released_sublegal": 0,
        "released_unknown": 0,
    }
    return plain | given


def survey(
    site_days: Sequence[SiteDay],
    *,
    sites: dict[str, str] | None = None,
    weights: dict[str, float] | None = None,
    seasons: Sequence[dict[str, Any]] | None = None,
    **tables: Sequence[dict[str, Any]],
) -> Snapshot:
    """Return a snapshot of a survey with one season, 2030-31, unless told otherwise.

    `sites` maps each site to its area, `weights` to its draw weight.
    """
    weights = weights or {}
    sites = sites or {"r1": "A"}
    areas = sorted(set(sites.values()))
    seasons = seasons or [
        {
            "season": "2030-31",
            "area": area,
            "open_date": MONDAY,
            "close_date": MONDAY + dt.timedelta(days=69),
        }
        for area in areas
    ]
    units, said = [], []
    for number, day in enumerate(site_days):
        sample_id = f"s{number:05d}"
        units.append(
            {
                "sample_id": sample_id,
                "site": day.site,
                "date": day.date,
                "boats_returned": day.boats,
                "frame_site_days": day.frame,
                "stratum": day.stratum,
                "draw_probability": day.draw_probability,
            }
        )
        said += [
            {"sample_id": sample_id, "interview_id": f"{sample_id}-{place}", **boat}
            for place, boat in enumerate(day.interviews)
        ]
    rows: dict[str, Sequence[dict[str, Any]]] = {
        "areas": [{"area": area} for area in areas],
        "sites": [
            {"site": site, "area": area, "draw_weight": weights.get(site)}
            for site, area in sites.items()
        ],
        "seasons": seasons,
        "site_days": units,
        "interviews": said,
        **tables,
    }
    return Snapshot.of({name: _table(part) for name, part in rows.items() if part})


def _table(rows: Sequence[dict[str, Any]]) -> pa.Table:
    """Return rows as Arrow; a key that some rows lack is null there."""
    names = dict.fromkeys(name for row in rows for name in row)
    return pa.table({name: [row.get(name) for row in rows] for name in names})


def figures(frame: Any, quantity: str, **domain: str) -> Any:
    """Return the one result row of a quantity and domain."""
    rows = frame[frame["quantity"] == quantity]
    for name, value in domain.items():
        rows = rows[rows[name] == value]
    assert len(rows) == 1, rows
    return rows.iloc[0]
