"""Past seasons, each by its own data alone: their weekly figures, kept as long as these last."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, fields
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.codes import error_code
from analytics.data import query
from analytics.data.kept import NOT_KEPT, Arrays, Kept, MakesOnce
from analytics.data.schema import TABLES
from analytics.data.snapshot import Snapshot, content_key
from analytics.errors import BlackmouthError
from analytics.outlook.day_effects import DayEffects, Weather
from analytics.outlook.seasonal_pattern import SeasonalPattern, pattern_of
from analytics.outlook.weekly_series import PROJECTED_FROM, WeeklySeries, weekly_of
from analytics.survey.build import build_design, seasons_before
from analytics.survey.design import StratumTreatments
from analytics.survey.estimators import DesignEstimator
from analytics.survey.reduction import Reduction, catch_analyses, catch_measures

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from analytics.outlook.seasonal_pattern import Figures

#: Tables of a past season beside its interviews: all that its projections read.
_WHOLE = ("areas", "sites", "release_rates", "drop_off")
#: Rows in any order: two sums of hashes, each hashed again so that cells do not cancel out.
_OF_ROWS = """
SELECT of_day.season, count(*) AS n, sum(hash(i.of_row)) AS total, bit_xor(hash(i.of_row, 1)) AS odd
FROM (SELECT sample_id, hash({columns}) AS of_row FROM interviews) i
JOIN of_day USING (sample_id) GROUP BY of_day.season
"""
_INTERVIEWS = "SELECT i.* FROM interviews i SEMI JOIN days USING (sample_id) ORDER BY interview_id"


@dataclass(frozen=True, slots=True, eq=False)
class PastSeasons:
    """Weekly figures of the seasons before one, oldest first.

    - `failed`: code of why a season with data has no weekly figures.
    - `keys`: by season, a hash of all that its projections read of it; empty where nothing is kept.
    """

    weekly: list[WeeklySeries] = field(default_factory=list)
    failed: Mapping[str, str] = field(default_factory=dict)
    keys: Mapping[str, str] = field(default_factory=dict)

    @property
    def key(self) -> str:
        """Names and hashes of the seasons that have weekly figures."""
        return json.dumps([[one.season, self.keys.get(one.season)] for one in self.weekly])


def past_seasons(snapshot: Snapshot, *, season: str, kept: Kept = NOT_KEPT) -> PastSeasons:
    """Return the weekly figures of every season with data before one; those kept are not made."""
    names = seasons_before(snapshot, season)
    keys = season_keys(snapshot, names) if kept.is_used else {}
    found: list[WeeklySeries] = []
    failed: dict[str, str] = {}
    for one in names:
        make = partial(_made, snapshot, one)
        arrays = Arrays.of(kept.table("past_weekly", keys.get(one, ""), make))
        if "reason" in arrays.about:
            failed[one] = arrays.about["reason"]
        else:
            found.append(_weekly(arrays))
    return PastSeasons(found, failed, keys)


def past_weekly(snapshot: Snapshot, *, season: str) -> list[WeeklySeries]:
    """Return the weekly figures of every season with data before one that has any."""
    return past_seasons(snapshot, season=season).weekly


def season_alone(snapshot: Snapshot, season: str) -> Snapshot:
    """Return a snapshot with what a past season's projections read of it, and no other row.

    Its site-days, their interviews, its openings and holidays, places and rates of death. Its fish
    are not needed. Of interviews that lie in memory it is made once.
    """
    source = snapshot.source("interviews")

    def make() -> Snapshot:
        tables = _beside_interviews(snapshot, season)
        days = tables["site_days"].select(["sample_id"])
        found = query.run(_INTERVIEWS, {"interviews": source, "days": days})
        return Snapshot.of(tables | {"interviews": found}, version=snapshot.version)

    is_held = isinstance(source, pa.Table)
    return snapshot.once(("season alone", season), make) if is_held else make()


def season_keys(snapshot: Snapshot, seasons: Sequence[str]) -> dict[str, str]:
    """Return a hash of the rows of `season_alone` by season; interviews are read in one pass."""
    tables = {one: _beside_interviews(snapshot, one) for one in seasons}
    if not tables:
        return {}
    of_day = pa.concat_tables(
        days.select(["sample_id"]).append_column("season", pa.repeat(name, len(days)))
        for name, one in tables.items()
        for days in [one["site_days"]]
    )
    columns = ", ".join(query.name(one.name) for one in TABLES["interviews"].columns)
    rows = query.run(
        _OF_ROWS.format(columns=columns),
        {"interviews": snapshot.source("interviews"), "of_day": of_day},
    ).to_pylist()
    of_rows = {row["season"]: f"{row['n']} {row['total']} {row['odd']}" for row in rows}
    return {name: f"{content_key(one)} {of_rows.get(name, 'none')}" for name, one in tables.items()}


def _beside_interviews(snapshot: Snapshot, season: str) -> dict[str, pa.Table]:
    """Return the rows of a season in the tables that its projections read, without interviews."""
    openings = snapshot["seasons"].filter(pc.equal(snapshot["seasons"]["season"], season))
    first, last = pc.min(openings["open_date"]), pc.max(openings["close_date"])

    def inside(name: str) -> pa.Table:
        table = snapshot[name]
        on = table["date"]
        return table.filter(pc.and_(pc.greater_equal(on, first), pc.less_equal(on, last)))

    days = inside("site_days")
    planned = snapshot["planned_site_days"]
    mine = pc.is_in(planned["sample_id"], value_set=days["sample_id"].combine_chunks())
    return {name: snapshot[name] for name in _WHOLE} | {
        "seasons": openings,
        "holidays": inside("holidays"),
        "site_days": days,
        "planned_site_days": planned.filter(mine),
    }


def _made(snapshot: Snapshot, season: str) -> pa.Table:
    """Make the weekly figures of a season; where they cannot be made, the code of why."""
    try:
        found = _arrays(_from_data(season_alone(snapshot, season), season=season))
    except BlackmouthError as error:
        found = Arrays({"reason": error_code(error)}, {})
    return found.to_table()


def _from_data(snapshot: Snapshot, *, season: str) -> WeeklySeries:
    design = build_design(snapshot, season=season)
    every = catch_analyses()
    analyses = {name: every[name] for name in PROJECTED_FROM}
    reduction = Reduction(
        snapshot.source("interviews"),
        design=design,
        measures=catch_measures(),
        analyses=analyses.values(),
    )
    estimator = DesignEstimator(design, StratumTreatments(design), reduction)
    return weekly_of(snapshot, design, [estimator], analyses)


# Weekly figures as they are kept.

#: Arrays of `DayEffects`, which are kept under their own names.
_OF_DAYS = ("weight", "kind", "log_se", "day_cv2", "has_boats")


def _arrays(weekly: WeeklySeries) -> Arrays:
    days = weekly.days
    arrays = {f"figure {name}": one for name, one in weekly.figure.items()}
    arrays |= {f"variance {name}": one for name, one in weekly.variance.items()}
    arrays |= {name: getattr(weekly, name) for name in ("weighted_open_days", "fishable_share")}
    arrays |= {name: getattr(days, name) for name in _OF_DAYS}
    return Arrays(
        {
            "season": weekly.season,
            "areas": weekly.areas,
            "weeks": weekly.weeks,
            "weather": [getattr(days.weather, one.name) for one in fields(Weather)],
            "unfishable": [[int(a), week, float(x)] for (a, week), x in days.unfishable.items()],
            "holidays": sorted(map(str, days.holidays)),
        },
        arrays,
    )


def _weekly(kept: Arrays) -> WeeklySeries:
    about, arrays = kept.about, kept.arrays
    days = DayEffects(
        weight=arrays["weight"],
        kind=arrays["kind"].astype(np.int64),
        log_se=arrays["log_se"],
        day_cv2=arrays["day_cv2"],
        weather=Weather(*about["weather"]),
        unfishable={(area, week): share for area, week, share in about["unfishable"]},
        holidays=frozenset(np.datetime64(day, "D") for day in about["holidays"]),
        has_boats=arrays["has_boats"].astype(bool),
    )
    return WeeklySeries(
        season=about["season"],
        areas=tuple(about["areas"]),
        weeks=tuple(about["weeks"]),
        figure={name: arrays[f"figure {name}"] for name in PROJECTED_FROM},
        variance={name: arrays[f"variance {name}"] for name in PROJECTED_FROM},
        weighted_open_days=arrays["weighted_open_days"],
        fishable_share=arrays["fishable_share"],
        days=days,
    )


# Courses of past seasons, as they are kept.


@dataclass(frozen=True, slots=True, eq=False)
class Patterns(MakesOnce):
    """Patterns of the same past seasons by name, each made once.

    Those of the seasons' own figures alone are kept where the data of these have a `key`.
    """

    kept: Kept = NOT_KEPT
    key: str = ""
    _made: dict[object, Any] = field(default_factory=dict, init=False)

    def of_past(
        self,
        name: str,
        figures: Callable[[], Sequence[Figures]],
        *,
        areas: Sequence[str],
        first: str,
    ) -> SeasonalPattern:
        """Return the pattern of the figures of past seasons, as `pattern_of`."""
        key = json.dumps([self.key, name, list(areas), first])

        def table() -> pa.Table:
            return _of_pattern(pattern_of(figures(), areas=areas, first=first)).to_table()

        def make() -> SeasonalPattern:
            return _pattern(Arrays.of(self.kept.table("past_pattern", key, table)))

        return self.once(name, make)


_VALUES = ("anchor", "level_variance", "rho", "is_known")
_ARRAYS = ("level", "shape", "growth", "log_weight", "departure")


def _of_pattern(pattern: SeasonalPattern) -> Arrays:
    arrays = {name: getattr(pattern, name) for name in _ARRAYS}
    known = {name: one for name, one in arrays.items() if one is not None}
    return Arrays({name: getattr(pattern, name) for name in _VALUES}, known)


def _pattern(kept: Arrays) -> SeasonalPattern:
    fields: dict[str, Any] = {**kept.about, **kept.arrays}
    return SeasonalPattern(**fields)
