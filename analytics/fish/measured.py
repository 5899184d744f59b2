"""Measured fish of a season, each with its area, week and side of the legal line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.data import query
from analytics.data.calendar import trip_tables
from analytics.fish.lengths import (
    FORK,
    TOTAL,
    WEIGHT,
    Conversion,
    Pairs,
    total_from_fork,
    weight_from_length,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.data.snapshot import Snapshot

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
        ("is_legal", pa.bool_()),  # on the line or over; null where length or minimum is unknown
    ]
)

#: Fish with area, day, week and method: their own, else those of their interview.
_FISH = """
SELECT f.* REPLACE (coalesce(f.area, t.area) AS area, coalesce(f.date, t.on_day) AS date,
    coalesce(f.method, t.method) AS method),
    strftime(coalesce(f.date, t.on_day), '%G-W%V') AS week
FROM fish f LEFT JOIN trips t USING (interview_id)
"""
_PLACED = """
SELECT p.*, q.min_length_mm
FROM placed_fish p JOIN seasons q ON q.area = p.area AND q.season = $season
    AND p.date BETWEEN q.open_date AND q.close_date
WHERE week <= $through ORDER BY fish_id
"""

#: A fish belongs to the season whose days it is nearest to; without a day it may be of any.
_UNPLACED = """
WITH test_fish AS (
    SELECT fish_id, area, date AS day, week FROM placed_fish WHERE source = 'test_fishing'
), spans AS (
    SELECT season, min(open_date) AS first, max(close_date) AS last FROM seasons GROUP BY season
), placed AS (
    SELECT fish_id, arg_min(season, (greatest(first - day, day - last, 0), season)) AS season
    FROM test_fish, spans WHERE day IS NOT NULL GROUP BY fish_id
), mine AS (
    SELECT t.area, t.day FROM test_fish t LEFT JOIN placed p USING (fish_id)
    WHERE t.day IS NULL OR (p.season = $season AND t.week <= $through)
)
SELECT count(*) FILTER (area IS NULL) AS no_area_left_out,
    count(*) FILTER (area IS NOT NULL AND day IS NULL) AS no_day_left_out,
    count(*) FILTER (area IS NOT NULL AND day IS NOT NULL AND NOT EXISTS (
        SELECT 1 FROM seasons q WHERE q.area = mine.area AND q.season = $season
            AND mine.day BETWEEN q.open_date AND q.close_date
    )) AS outside_openings_left_out
FROM mine
"""

_SO_FAR = """
SELECT fork_length_mm, total_length_mm, weight_g FROM placed_fish
WHERE week <= $through AND (total_length_mm IS NOT NULL OR weight_g IS NOT NULL)
"""

_MEASURED = """
WITH sized AS (
    SELECT *, coalesce(total_length_mm, $intercept + $slope * fork_length_mm) AS total_mm
    FROM placed
)
SELECT fish_id, source, area, date, week, method, kept, marked, wound_site, total_mm,
    total_length_mm IS NULL AND total_mm IS NOT NULL AS is_converted, min_length_mm,
    total_mm >= min_length_mm AS is_legal
FROM sized ORDER BY fish_id
"""


def measured_fish(snapshot: Snapshot, *, season: str, through: str) -> pa.Table:
    """Return the measured fish of the openings of a season, dockside and test fishing.

    In `MEASURED_SCHEMA`, by fish_id, through an ISO week. A fish without area or day takes those of
    its interview; one of no open area and day is left out. A total length that was not measured
    follows from the fork length (`lengths.total_from_fork`).
    """
    placed = _placed(snapshot, season=season, through=through)
    conversion = total_from_fork(_pairs(placed, _so_far(snapshot, through), FORK, TOTAL))
    fit = conversion.regression
    intercept, slope = (fit.intercept, fit.slope) if fit else (0.0, conversion.factor)
    line = {"intercept": intercept, "slope": slope}
    return query.run(_MEASURED, {"placed": placed}, line).cast(MEASURED_SCHEMA)


def unplaced_test_fish(snapshot: Snapshot, *, season: str, through: str) -> dict[str, int]:
    """Return by code how many fish of test fishing have no place in a season.

    Without an area, without a day, outside the openings: a fish of a closed day counts to the
    season whose days it is nearest to.
    """
    found = query.run(
        _UNPLACED, _tables(snapshot), {"season": season, "through": through}
    ).to_pylist()[0]
    return {name: int(n) for name, n in found.items()}


def conversions(snapshot: Snapshot, *, season: str, through: str) -> tuple[Conversion, Conversion]:
    """Return how total length follows from fork length, and weight from length, in a season.

    Each is a regression over the season's fish with both measures; with too few of them, over the
    fish of all seasons of the store up to the last ISO week; else a stated factor. Weight is taken
    on the length that more of the season's weighed fish have, total where they are as many.
    """
    placed = _placed(snapshot, season=season, through=through)
    past = _so_far(snapshot, through)
    by_total, by_fork = (_pairs(placed, past, length, WEIGHT) for length in (TOTAL, FORK))
    n_total, n_fork = (tuple(len(one.given) for one in by) for by in (by_total, by_fork))
    given, pairs = (TOTAL, by_total) if n_total >= n_fork else (FORK, by_fork)
    return (
        total_from_fork(_pairs(placed, past, FORK, TOTAL)),
        weight_from_length(pairs, given=given),
    )


def _placed(snapshot: Snapshot, *, season: str, through: str) -> pa.Table:
    """Return the fish of a season with all they were measured for, their area, day and week."""
    return query.run(_PLACED, _tables(snapshot), {"season": season, "through": through})


def _so_far(snapshot: Snapshot, through: str) -> pa.Table:
    """Return the measures of the fish of all seasons of days up to a week."""
    return query.run(_SO_FAR, _tables(snapshot), {"through": through})


def _tables(snapshot: Snapshot) -> dict[str, query.Relation]:
    return trip_tables(snapshot) | {"fish": snapshot["fish"], "placed_fish": _FISH}


def _pairs(placed: pa.Table, past: pa.Table, given: str, target: str) -> tuple[Pairs, Pairs]:
    """Return the pairs of two measures of the season's fish, and of the fish of all seasons."""
    of_season, of_all = (_both(fish, given, target) for fish in (placed, past))
    return Pairs(*of_season, "season"), Pairs(*of_all, "all_seasons")


def _both(
    fish: pa.Table, given: str, target: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    x, y = (np.asarray(fish[name].to_numpy(), dtype=np.float64) for name in (given, target))
    known = (x > 0) & (y > 0)  # a null is NaN here
    return x[known], y[known]
