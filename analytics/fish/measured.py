"""Measured fish of a season, each with its area, week and side of the legal line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyarrow as pa

from analytics.data import sql

if TYPE_CHECKING:
    from analytics.data.snapshot import Snapshot
    from analytics.data.sql import Source

#: Total over fork length where no fish of the season has both: the middle of 0.928 to 0.95 for
#: fork over total (reference range; from memory of common practice).
TOTAL_PER_FORK = 1 / 0.939

MEASURED_SCHEMA = pa.schema(
    [
        ("fish_id", pa.string()),
        ("source", pa.string()),
        ("area", pa.string()),
        ("date", pa.date32()),
        ("week", pa.string()),
        ("method", pa.string()),
        ("kept", pa.bool_()),
        ("marked", pa.bool_()),
        ("wound_site", pa.string()),
        ("total_mm", pa.float64()),  # measured, else converted; null where neither length is known
        ("is_converted", pa.bool_()),
        ("min_length_mm", pa.float64()),  # of the area's opening that day
        ("is_legal", pa.bool_()),  # null where length or minimum is unknown
    ]
)

_MEASURED = """
WITH told AS (
    SELECT f.*, coalesce(f.area, i.area) AS at_area, coalesce(f.date, i.date, d.date) AS on_day,
        coalesce(f.method, i.method) AS by_method
    FROM fish f LEFT JOIN interviews i USING (interview_id) LEFT JOIN site_days d USING (sample_id)
), placed AS (
    SELECT t.*, q.min_length_mm, strftime(t.on_day, '%G-W%V') AS iso_week,
        coalesce(t.total_length_mm, t.fork_length_mm * $total_per_fork) AS total_mm
    FROM told t JOIN seasons q ON q.area = t.at_area AND q.season = $season
        AND t.on_day BETWEEN q.open_date AND q.close_date
)
SELECT fish_id, source, at_area AS area, on_day AS date, iso_week AS week, by_method AS method,
    kept, marked, wound_site, total_mm,
    total_length_mm IS NULL AND total_mm IS NOT NULL AS is_converted, min_length_mm,
    total_mm >= min_length_mm AS is_legal
FROM placed WHERE iso_week <= $through ORDER BY fish_id
"""


def measured_fish(snapshot: Snapshot, *, season: str, through: str) -> pa.Table:
    """Return the measured fish of the openings of a season, dockside and test fishing.

    Parameters
    ----------
    snapshot : Snapshot
    season : str
    through : str
        Last ISO week.

    Returns
    -------
    pyarrow.Table
        In `MEASURED_SCHEMA`, by fish_id. A fish without area or day takes those of its interview;
        one of no open area and day is left out.
    """
    tables: dict[str, Source] = {
        name: snapshot[name] for name in ("fish", "site_days", "seasons")
    } | {"interviews": snapshot.source("interviews")}
    asked = {"season": season, "through": through, "total_per_fork": TOTAL_PER_FORK}
    return sql.run(_MEASURED, tables, asked).cast(MEASURED_SCHEMA)
