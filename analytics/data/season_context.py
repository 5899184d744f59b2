"""What every step of a run shares: the calendar of open days, and trips in their place and day.

Both belong to a snapshot and are made once for it. A trip is an interview with the site and day of
its site-day, or its own where it has none.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.data.calendar import open_days

if TYPE_CHECKING:
    import pandas as pd

    from analytics.data.query import Relation, Source
    from analytics.data.snapshot import Snapshot

#: Interviews with ``at_site, on_day`` and, of their site-day, ``is_sampled, tide_range_m``.
_TRIPS = """
SELECT i.*, coalesce(d.site, i.site) AS at_site, coalesce(d.date, i.date) AS on_day,
    d.sample_id IS NOT NULL AS is_sampled, d.tide_range_m
FROM interviews i LEFT JOIN site_days d ON d.sample_id = i.sample_id
"""
#: Trips on a day in an opening of their landing area: ``landing_area, season, design``, too.
_LANDED_TRIPS = """
SELECT t.*, s.area AS landing_area, q.season, q.design
FROM trips t JOIN sites s ON s.site = t.at_site
JOIN seasons q ON q.area = s.area AND t.on_day BETWEEN q.open_date AND q.close_date
"""


def calendar(
    snapshot: Snapshot, season: str | None = None, through: str | None = None
) -> pd.DataFrame:
    """Return the open days of a snapshot, which are made once.

    Parameters
    ----------
    snapshot : Snapshot
    season : str, optional
        Of one season only.
    through : str, optional
        Last ISO week.

    Returns
    -------
    pandas.DataFrame
        As `analytics.data.calendar.open_days`.
    """
    days: pd.DataFrame = snapshot.once(
        "calendar", lambda: open_days(snapshot["seasons"], snapshot["holidays"])
    )
    if season is not None:
        days = days[days["season"] == season]
    if through is not None:
        days = days[days["week"] <= through]
    return days.copy()


def trip_tables(snapshot: Snapshot, *, interviews: Source | None = None) -> dict[str, Relation]:
    """Return what a query needs to place trips: tables, and the views over them.

    Parameters
    ----------
    snapshot : Snapshot
    interviews : pyarrow.Table or ParquetRows, optional
        In the place of those of the snapshot.

    Returns
    -------
    dict of str to (pyarrow.Table or ParquetRows or str)
        ``interviews, site_days, sites, seasons`` and the views ``trips`` and ``landed_trips``.
    """
    tables: dict[str, Relation] = {
        name: snapshot[name] for name in ("site_days", "sites", "seasons")
    }
    tables["interviews"] = snapshot.source("interviews") if interviews is None else interviews
    return tables | {"trips": _TRIPS, "landed_trips": _LANDED_TRIPS}
