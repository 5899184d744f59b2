"""From a sound's settings to its reference tables: frame of one season, rates, limits, outlines.

Rates, limits and holding trials of the demo have their stated truth. The outlines of areas are the
shores of the sound: a few nodes and lines, made rough. A line between two nodes that two areas
share is rough in the same way for both, so that they meet.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from analytics.data.calendar import open_days
from analytics.data.schema import TABLES
from analytics.outlines import outline_text
from analytics.simulation.scenario import METHODS
from analytics.weeks import days_from, week_of_days, weekday_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.arrays import Bools, Floats, Ints
    from analytics.simulation.scenario import Habits, Opening, Season, Shores, Sound


_FRIDAY = 5


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """Every (ramp, open day) of one season: U units, D calendar days, A areas.

    By unit, shape (U,): index of its ramp, day and stratum (landing area × ISO week × day group);
    by stratum, (H,): its day group. By calendar day from the first open day to the last, (D,):
    `dates`, ISO `week`, `week_index` (weeks since the first), `kind` (0 weekday, 1 Friday, 2
    weekend or holiday). By area and day, (A, D): `is_open`, `mark_selective`, and `daily_limit`,
    the Chinook an angler may keep (0 where closed).
    """

    season: str
    site: Ints
    day: Ints
    stratum: Ints
    stratum_group: Ints
    dates: NDArray[np.datetime64]
    week: NDArray[np.str_]
    week_index: Ints
    kind: Ints
    is_open: Bools
    mark_selective: Bools
    daily_limit: Ints

    @property
    def weeks(self) -> list[str]:
        """The ISO weeks of the season, in order."""
        return [str(week) for week in np.unique(self.week)]


def reference_tables(sound: Sound) -> dict[str, pa.Table]:
    """Return areas, sites, seasons and holidays of a sound, in the schemas of their tables."""
    areas = [{"area": area.area, "area_name": area.name} for area in sound.areas]
    sites = [
        {
            "site": ramp.site,
            "site_name": ramp.name,
            "area": ramp.area,
            "longitude": ramp.longitude,
            "latitude": ramp.latitude,
            "draw_weight": ramp.weekend_boats,
        }
        for ramp in sound.ramps
    ]
    seasons = [
        _opening_row(sound, season, area.area, opening)
        for season in sound.seasons
        for area in sound.areas
        for opening in area.openings
    ]
    holidays = [row for season in sound.seasons for row in _holidays(season.year)]
    rows: dict[str, list[dict[str, Any]]] = {
        "areas": areas,
        "sites": sites,
        "seasons": seasons,
        "holidays": holidays,
    }
    return {name: table_of(name, found) for name, found in rows.items()}


def table_of(name: str, rows: list[dict[str, Any]]) -> pa.Table:
    """Return rows of one input table in its Arrow schema; a missing key is null."""
    return pa.Table.from_pylist(rows, schema=TABLES[name].arrow_schema)


def season_frame(sound: Sound, season: str) -> Frame:
    """Build the frame of one season from the same calendar that the estimators use."""
    tables = reference_tables(sound)
    mine = tables["seasons"].filter(pc.equal(tables["seasons"]["season"], season))
    days = open_days(mine, tables["holidays"])
    first, last = days["date"].min(), days["date"].max()
    dates = days_from(first.date(), (last - first).days + 1)
    days["day"] = (days["date"] - first).dt.days
    codes = {ramp.site: index for index, ramp in enumerate(sound.ramps)}
    ramps = tables["sites"].to_pandas()[["site", "area"]]
    units = days.merge(ramps, on="area").sort_values(["day", "site"], kind="stable")
    groups = units.groupby(["area", "week", "day_group"])
    return Frame(
        season=season,
        site=np.asarray(units["site"].map(codes), dtype=np.int64),
        day=units["day"].to_numpy(np.int64),
        stratum=np.asarray(groups.ngroup(), dtype=np.int64),
        stratum_group=groups["day_group"].first().to_numpy(np.int64),
        dates=dates,
        week=np.array(week_of_days(dates)),
        week_index=_week_index(dates),
        kind=_kinds(dates, tables["holidays"]),
        **_rules(sound, mine, days, len(dates)),
    )


def _opening_row(sound: Sound, season: Season, area: str, opening: Opening) -> dict[str, Any]:
    return {
        "season": season.season,
        "area": area,
        "open_date": _on(season.year, opening.start),
        "close_date": _on(season.year, opening.end),
        "open_weekdays": opening.weekdays,
        "day_groups": opening.day_groups,
        "design": opening.design,
        "min_length_mm": sound.min_length_mm,
        "daily_limit_fish": opening.daily_limit_fish,
        "mark_selective": opening.mark_selective,
    }


def _on(year: int, month_day: tuple[int, int]) -> date:
    month, day = month_day
    return date(year if month >= 7 else year + 1, month, day)


def _holidays(year: int) -> list[dict[str, Any]]:
    """Return the invented sound's four holidays of one season."""
    november, february = date(year, 11, 1), date(year + 1, 2, 1)
    fourth_thursday = november + timedelta(days=(3 - november.weekday()) % 7 + 21)
    third_monday = february + timedelta(days=-february.weekday() % 7 + 14)
    return [
        {"date": fourth_thursday, "holiday": "Late-autumn holiday"},
        {"date": date(year, 12, 25), "holiday": "Midwinter holiday"},
        {"date": date(year + 1, 1, 1), "holiday": "New year"},
        {"date": third_monday, "holiday": "Late-winter holiday"},
    ]


def _week_index(dates: NDArray[np.datetime64]) -> Ints:
    monday = dates[0] - np.timedelta64(dates[0].astype(object).weekday(), "D")
    since: Ints = (dates - monday).astype(np.int64)
    return since // 7


def _kinds(dates: NDArray[np.datetime64], holidays: pa.Table) -> Ints:
    weekday = weekday_of(dates)
    festive = np.isin(dates, holidays["date"].to_numpy().astype("M8[D]"))
    return np.where((weekday > _FRIDAY) | festive, 2, np.where(weekday == _FRIDAY, 1, 0))


def _rules(sound: Sound, seasons: pa.Table, days: Any, n_days: int) -> dict[str, NDArray[Any]]:
    """Return what is open, limited and mark-selective by area and day."""
    shape = (len(sound.areas), n_days)
    is_open, selective = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    limit = np.zeros(shape, dtype=np.int64)
    codes = {area: index for index, area in enumerate(sound.area_ids)}
    is_open[days["area"].map(codes), days["day"]] = True
    first = days["date"].min().date()
    for row in seasons.to_pylist():
        area = codes[row["area"]]
        stretch = slice((row["open_date"] - first).days, (row["close_date"] - first).days + 1)
        limit[area, stretch] = row["daily_limit_fish"]
        selective[area, stretch] = row["mark_selective"]
    return {
        "is_open": is_open,
        "mark_selective": selective & is_open,
        "daily_limit": limit * is_open,
    }


_SOURCE = "common practice, no source; the standard error is chosen for this demo"
_BY_WOUND = "invented for this demo"

#: Areas, quantity, and where the season stands against the limit: in progress, and when over.
_LIMITS: tuple[tuple[str, str, float, float], ...] = (
    ("OMB", "kept_fish", 0.62, 0.90),
    ("OMB", "released_sublegal_fish", 0.70, 1.04),
    ("VEL", "encounter_fish", 0.78, 0.85),
    ("VEL;SOR", "total_deaths_fish", 0.55, 0.93),
    ("DRU;KET", "kept_fish", 0.85, 0.97),
    ("VEL;SOR;DRU;OMB;KET;ILV", "total_deaths_fish", 0.52, 0.88),
    ("VEL;SOR;DRU;OMB;KET;ILV", "kept_fish", 1.03, 0.99),
    ("OMB", "encounter_legal_unmarked_fish;encounter_sublegal_unmarked_fish", 0.74, 0.96),
)

#: Fish held and the chance of dying of the hook, by wound; and of the handling (control).
_TRIALS: dict[str, tuple[int, float]] = {
    "jaw": (60, 0.03),
    "tongue": (12, 0.15),
    "eye": (6, 0.05),
    "gills": (14, 0.75),
    "oesophagus_stomach": (18, 0.60),
    "control": (50, 0.0),
}
_HANDLING_DEATH_PROP, _TRIAL_HOURS = 0.03, 96.0


def rate_tables(habits: Habits) -> dict[str, pa.Table]:
    """Return `release_rates` and `drop_off`, each with an error chosen for the demo.

    Rates by wound and the drop-off are the true ones; those of any wound are what a biologist would
    take where the wound was not reported.
    """
    legal, sublegal = habits.legal_wound_death_prop, habits.sublegal_wound_death_prop
    releases = [
        {
            "size_class": size,
            "method": "any",
            "wound_class": wound,
            "rate_prop": rate,
            "rate_se": error,
            "source": source,
        }
        for size, wound, rate, error, source in (
            ("legal", "any", habits.legal_death_prop, 0.02, _SOURCE),
            ("legal", "shallow", legal[0], 0.02, _BY_WOUND),
            ("legal", "deep", legal[1], 0.06, _BY_WOUND),
            ("sublegal", "any", habits.sublegal_death_prop, 0.04, _SOURCE),
            ("sublegal", "shallow", sublegal[0], 0.03, _BY_WOUND),
            ("sublegal", "deep", sublegal[1], 0.08, _BY_WOUND),
        )
    ]
    drop_off = {
        "method": "any",
        "rate_prop": habits.drop_off_prop,
        "rate_se": 0.01,
        "base": "encounters",
        "source": _SOURCE,
    }
    return {
        "release_rates": table_of("release_rates", releases),
        "drop_off": table_of("drop_off", [drop_off]),
    }


def limit_rows(habits: Habits, season: Season, truth: pd.DataFrame) -> list[dict[str, object]]:
    """Return the limits of one season, set so that its totals as reported stand where we want.

    `truth` holds the season's `truth_rows` through its last sampled week; reported releases die as
    the true ones of the area did.
    """
    by_area = truth[truth["area"].notna() & truth["week"].isna()]
    true, totals = (
        by_area[by_area["basis"] == basis].pivot_table(
            index="area", columns="quantity", values="value"
        )
        for basis in ("true", "as_reported")
    )
    died_prop = true["release_deaths_fish"] / true["released_fish"]
    totals["total_deaths_fish"] = (
        totals["kept_fish"]
        + died_prop * totals["released_fish"]
        + habits.drop_off_prop * totals["encounter_fish"]
    )
    return [
        {
            "limit_id": f"{season.season}-L{number}",
            "season": season.season,
            "areas": areas,
            "quantity": quantity,
            "limit_fish": _two_digits(
                float(totals.loc[areas.split(";"), quantity.split(";")].sum().sum())
                / (so_far if season.through else at_end)
            ),
        }
        for number, (areas, quantity, so_far, at_end) in enumerate(_LIMITS, start=1)
    ]


def holding_trial_rows(season: Season, *, rng: np.random.Generator) -> list[dict[str, object]]:
    """Return one holding trial of a season: fish held four days, by wound and a control."""
    return [
        {
            "trial_id": f"H{season.year}",
            "group": group,
            "held": held,
            "died": int(rng.binomial(held, 1 - (1 - hooking) * (1 - _HANDLING_DEATH_PROP))),
            "hours": _TRIAL_HOURS,
        }
        for group, (held, hooking) in _TRIALS.items()
    ]


def parameter_rows(sound: Sound) -> pd.DataFrame:
    """Return the numbers of the simulator that a program could estimate: the known truth."""
    habits = sound.habits
    known = {
        "release_death_prop legal shallow": habits.legal_wound_death_prop[0],
        "release_death_prop legal deep": habits.legal_wound_death_prop[1],
        "release_death_prop sublegal shallow": habits.sublegal_wound_death_prop[0],
        "release_death_prop sublegal deep": habits.sublegal_wound_death_prop[1],
        **{
            f"deep_hooked_prop {method}": prop
            for method, prop in zip(METHODS, habits.method_deep_prop, strict=True)
        },
        "drop_off_death_prop per encounter": habits.drop_off_prop,
        "handling_death_prop": _HANDLING_DEATH_PROP,
        "marked_prop": habits.marked_prop,
        "over_report_prop": habits.over_report_prop,
        "heap_prop": habits.heap_prop,
    }
    known |= {
        f"hooking_death_prop {group}": rate
        for group, (_, rate) in _TRIALS.items()
        if group != "control"
    }
    known |= {f"listed_prop {area.area}": area.listed_prop for area in sound.areas}
    return pd.DataFrame({"parameter": list(known), "value": list(known.values())})


def _two_digits(value: float) -> float:
    """Round to two significant digits, as limits are set."""
    if value <= 0:
        return 0.0
    return round(value, 1 - math.floor(math.log10(value)))


#: Kilometres of a degree of latitude (working rule).
_KM_A_DEGREE = 111.2
#: How often a line is halved, and how far its middle may leave it, as a share of its length.
_HALVINGS, _ROUGHNESS = 5, 0.15
_DECIMALS = 5


def outlines_geojson(sound: Sound) -> str:
    """Return the areas of a sound as the content of ``areas.geojson``."""
    features = [
        {
            "type": "Feature",
            "properties": {"area": area.area},
            "geometry": json.loads(outline_text(_geometry(sound.shores, area.area))),
        }
        for area in sound.areas
    ]
    head = '{"type": "FeatureCollection", "features": [\n'
    lines = (json.dumps(one, separators=(",", ":")) for one in features)
    return head + ",\n".join(lines) + "\n]}\n"


def _geometry(shores: Shores, area: str) -> dict[str, Any]:
    rings = [_ring(shores, ring) for ring in shores.rings[area]]
    return {"type": "Polygon", "coordinates": rings}


def _ring(shores: Shores, nodes: tuple[str, ...]) -> list[list[float]]:
    """Return a closed ring through nodes; a line between two shore nodes is rough."""
    parts = [
        _line(shores, one, two)[:-1] for one, two in zip(nodes, [*nodes[1:], nodes[0]], strict=True)
    ]
    km = np.concatenate([*parts, parts[0][:1]])
    found: list[list[float]] = np.round(_degrees(shores, km), _DECIMALS).tolist()
    return found


def _line(shores: Shores, one: str, two: str) -> Floats:
    """Return the places from one node to another in km, shape (n, 2)."""
    first, last = sorted((one, two))
    ends = np.array([shores.nodes[first], shores.nodes[last]], dtype=float)
    is_border = f"{first}-{last}" in shores.borders
    line = ends if is_border else _rough(ends, seed=[*first.encode(), *last.encode()])
    return line if one == first else line[::-1]


def _rough(line: Floats, *, seed: list[int]) -> Floats:
    """Return a line whose middles were moved sideways, again and again."""
    rng = np.random.default_rng(seed)
    for _ in range(_HALVINGS):
        step = np.diff(line, axis=0)
        sideways = np.column_stack([-step[:, 1], step[:, 0]])
        moved = rng.uniform(-_ROUGHNESS, _ROUGHNESS, len(step))[:, None] * sideways
        middles = line[:-1] + step / 2 + moved
        line = np.insert(line, range(1, len(line)), middles, axis=0)
    return line


def _degrees(shores: Shores, km: Floats) -> Floats:
    """Return places in degrees from kilometres east and north of the middle of the sound."""
    lon, lat = shores.middle
    wide = _KM_A_DEGREE * np.cos(np.radians(lat))
    return np.column_stack([lon + km[:, 0] / wide, lat + km[:, 1] / _KM_A_DEGREE])
