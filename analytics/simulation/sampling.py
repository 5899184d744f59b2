"""Draw the `site_day` design from a simulated season, as its input tables, and what is seen afloat.

On the water boats are counted at a moment and asked where they land; other fish are met there too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa

from analytics.data.calendar import daylight_hours
from analytics.data.schema import TABLES
from analytics.simulation.scenario import METHODS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from analytics.arrays import Floats, Ints
    from analytics.simulation.fishery import Population
    from analytics.simulation.scenario import Sound


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleOptions:
    """How hard the samplers work.

    Site-days of a stratum are as likely any number from `units_low` to `units_high` (never more
    than there are); the draw knows nothing of the fishing. `capacity`: boats a sampler can
    interview in a day; `missed_prop`: share of sampled site-days with boats on which none could be
    interviewed; `one_unit_prop`, `no_unit_prop`: share of strata cut down to one site-day, and to
    none; `marks_read_prop`, `hooks_read_prop`: share of interviews in which marks, and deep
    hooking, were recorded.
    """

    units_low: int = 2
    units_high: int = 3
    capacity: int = 10
    missed_prop: float = 0.0
    one_unit_prop: float = 0.0
    no_unit_prop: float = 0.0
    marks_read_prop: float = 0.9
    hooks_read_prop: float = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """What the samplers brought home from one season.

    `units` (n,): sampled site-days, as ascending indices of the frame; `trips` (k,): interviewed
    boat trips, as ascending indices of the population; `interview_id` (k,): their keys; `tables`:
    ``site_days`` and ``interviews`` in their schemas.
    """

    units: Ints
    trips: Ints
    tables: dict[str, pa.Table]
    interview_id: NDArray[np.str_]


def draw_sample(
    sound: Sound,
    population: Population,
    *,
    rng: np.random.Generator,
    options: SampleOptions | None = None,
    through: str | None = None,
) -> Sample:
    """Draw site-days within strata, then boats within site-days, both without replacement.

    `through` is the last ISO week that is sampled.
    """
    options = options or SampleOptions()
    units = draw_units(population, rng=rng, options=options, through=through)
    return sample_at(sound, population, units, rng=rng, options=options)


def sample_at(
    sound: Sound,
    population: Population,
    units: Ints,
    *,
    rng: np.random.Generator,
    options: SampleOptions,
    columns: Mapping[str, NDArray[np.generic]] | None = None,
) -> Sample:
    """Draw the boats of site-days already drawn, equal probabilities without replacement.

    `units` (n,) are ascending indices of the frame; `columns` (n,) further columns of
    ``site_days``.
    """
    missed = rng.random(len(units)) < options.missed_prop
    trips = draw_boats(population, units[~missed], rng=rng, capacity=options.capacity)
    sample_id = site_day_ids(sound, population, units)
    place = np.searchsorted(units, population.trips.unit[trips])
    ids = interview_ids(sample_id[place], place)
    keys = {"interview_id": ids, "sample_id": sample_id[place]}
    site_days = _site_days(sound, population, units, sample_id) | dict(columns or {})
    tables = {
        "site_days": in_schema("site_days", site_days),
        "interviews": interviews_table(
            sound, population, trips, keys=keys, options=options, rng=rng
        ),
    }
    return Sample(units=units, trips=trips, tables=tables, interview_id=ids)


def draw_units(
    population: Population,
    *,
    rng: np.random.Generator,
    options: SampleOptions,
    through: str | None = None,
) -> Ints:
    """Return the sampled site-days, equal probabilities without replacement in each stratum."""
    frame = population.frame
    n_strata = len(frame.stratum_group)
    n_units = rng.integers(options.units_low, options.units_high + 1, n_strata)
    lot = rng.random(n_strata)
    n_units[lot < options.no_unit_prop + options.one_unit_prop] = 1
    n_units[lot < options.no_unit_prop] = 0
    sampled = rank_within(frame.stratum, rng) < n_units[frame.stratum]
    if through is not None:
        sampled &= frame.week[frame.day] <= through
    return np.flatnonzero(sampled)


#: Site-days of a stratum that a plan draws, and those drawn after them as its reserve.
PLANNED, RESERVE = 2, 1


def plan_week(
    sound: Sound, population: Population, *, week: str, seed: int, rng: np.random.Generator
) -> pa.Table:
    """Draw the plan of one week: the first site-days of a random order of each stratum.

    Returns rows of ``planned_site_days``; after the first `PLANNED` comes the reserve, in order.
    """
    frame = population.frame
    rank = rank_within(frame.stratum, rng)
    in_week = frame.week[frame.day] == week
    units = np.flatnonzero(in_week & (rank < PLANNED + RESERVE))
    size = np.bincount(frame.stratum)[frame.stratum[units]]
    ramps = [sound.ramps[site] for site in frame.site[units]]
    group = frame.stratum_group[frame.stratum[units]]
    columns: dict[str, Any] = {
        "sample_id": site_day_ids(sound, population, units),
        "season": np.full(len(units), frame.season),
        "site": np.array([ramp.site for ramp in ramps]),
        "date": frame.dates[frame.day[units]],
        "stratum_name": np.array(
            [f"{ramp.area} {week} day group {one}" for ramp, one in zip(ramps, group, strict=True)]
        ),
        "frame_size": size,
        "inclusion_prob": np.minimum(PLANNED / size, 1.0),
        "draw_order": rank[units] + 1,
        "is_reserve": rank[units] >= PLANNED,
        "seed": np.full(len(units), seed),
        "state": np.full(len(units), "planned"),
    }
    return in_schema("planned_site_days", columns)


def draw_boats(
    population: Population, units: Ints, *, rng: np.random.Generator, capacity: int
) -> Ints:
    """Return the interviewed trips: at most `capacity` of each unit, equal probabilities."""
    candidates = np.flatnonzero(np.isin(population.trips.unit, units))
    rank = rank_within(population.trips.unit[candidates], rng)
    return candidates[rank < capacity]


def rank_within(group: Ints, rng: np.random.Generator) -> Ints:
    """Return a random order (0, 1, 2, …) of the members within each group, shape (n,)."""
    order = np.lexsort((rng.random(len(group)), group))
    ordered = group[order]
    starts = np.searchsorted(ordered, ordered, side="left")
    rank = np.empty(len(group), dtype=np.int64)
    rank[order] = np.arange(len(group)) - starts
    return rank


def site_day_ids(sound: Sound, population: Population, units: Ints) -> NDArray[np.str_]:
    """Return keys such as ``VEL1-20301107``."""
    frame = population.frame
    sites = np.array([ramp.site for ramp in sound.ramps], dtype=np.str_)[frame.site[units]]
    days = np.char.replace(frame.dates.astype(str), "-", "")[frame.day[units]]
    return np.char.add(np.char.add(sites, "-"), days)


def interview_ids(sample_id: NDArray[np.str_], place: Ints) -> NDArray[np.str_]:
    """Return keys such as ``VEL1-20301107-03``: the third boat of that site-day."""
    number = np.arange(len(place)) - np.searchsorted(place, place, side="left") + 1
    two_digits = np.char.zfill(number.astype(str), 2)
    return np.char.add(np.char.add(sample_id, "-"), two_digits)


def _site_days(
    sound: Sound, population: Population, units: Ints, sample_id: NDArray[np.str_]
) -> dict[str, NDArray[Any]]:
    frame = population.frame
    boats = np.bincount(population.trips.unit, minlength=len(frame.site))
    sites = np.array([ramp.site for ramp in sound.ramps])
    return {
        "sample_id": sample_id,
        "site": sites[frame.site[units]],
        "date": frame.dates[frame.day[units]],
        "boats_returned": boats[units],
    }


def interviews_table(
    sound: Sound,
    population: Population,
    trips: Ints,
    *,
    keys: Mapping[str, NDArray[Any]],
    options: SampleOptions,
    rng: np.random.Generator,
) -> pa.Table:
    """Return what the crews of some trips report, as ``interviews`` rows.

    `trips` (k,) are indices of the population; `keys` (k,) the columns that say which interview it
    is, and of which site-day.
    """
    reported, who = population.reported, population.trips
    marks_unread = rng.random(len(trips)) >= options.marks_read_prop
    hooks_unread = rng.random(len(trips)) >= options.hooks_read_prop
    columns: dict[str, Any] = {
        **keys,
        "area": np.array(sound.area_ids)[who.area[trips]],
        "anglers": who.anglers[trips],
        "hours_fished": reported.hours[trips],
        "trip_complete": np.ones(len(trips), dtype=bool),
        "method": np.array(METHODS)[who.method[trips]],
        "kept": reported.kept[trips],
        "released_legal": reported.legal[trips],
        "released_sublegal": reported.sublegal[trips],
        "released_unknown": reported.unknown[trips],
        "kept_marked": pa.array(reported.kept_marked[trips], mask=marks_unread),
        "released_legal_marked": pa.array(reported.legal_marked[trips], mask=marks_unread),
        "released_sublegal_marked": pa.array(reported.sublegal_marked[trips], mask=marks_unread),
        "released_deep_hooked": pa.array(population.deep_hooked[trips], mask=hooks_unread),
    }
    return in_schema("interviews", columns)


def in_schema(name: str, columns: dict[str, Any]) -> pa.Table:
    """Return column arrays as one input table in its Arrow schema; absent columns are null."""
    n_rows = len(next(iter(columns.values())))
    arrays = []
    for column in TABLES[name].arrow_schema:
        if column.name in columns:
            values = columns[column.name]
            array = values if isinstance(values, pa.Array) else pa.array(values)
            arrays.append(array.cast(column.type))
        else:
            arrays.append(pa.nulls(n_rows, column.type))
    return pa.Table.from_arrays(arrays, schema=TABLES[name].arrow_schema)


_COUNTS_A_WEEK, _CONTACT_DAYS_A_WEEK, _MOST_CONTACTS = 2, 1, 25
#: Counts fall on the middles of as many equal parts of the daylight, which lies around noon.
_MOMENTS, _NOON = 16, 12.0

#: Bycatch per angler-hour (trolling), factors of each method on it, and share kept; chosen for the
#: demo, the species are those common near the bottom (common practice, no source).
_SPECIES: dict[str, tuple[float, tuple[float, ...], float]] = {
    "dogfish": (0.05, (1.6, 1.0, 0.6), 0.0),
    "flatfish": (0.025, (1.0, 0.8, 2.0), 0.35),
    "sculpin": (0.02, (1.0, 0.7, 2.2), 0.05),
}


@dataclass(frozen=True, slots=True, eq=False)
class Fleet:
    """Boats by area fished and day, arrays of shape (A, D): to listed ramps, and to others."""

    listed: Ints
    unlisted: Ints


def simulate_fleet(sound: Sound, population: Population, *, rng: np.random.Generator) -> Fleet:
    """Add the boats that land where no sampler stands to those of the population."""
    shape = population.frame.is_open.shape
    day = population.frame.day[population.trips.unit]
    code = population.trips.area * shape[1] + day
    listed = np.bincount(code, minlength=shape[0] * shape[1]).reshape(shape)
    prop = np.array([area.listed_prop for area in sound.areas])[:, None]
    return Fleet(listed=listed, unlisted=rng.poisson(listed * (1 - prop) / prop))


def boat_counts_table(
    sound: Sound,
    population: Population,
    fleet: Fleet,
    *,
    rng: np.random.Generator,
    through: str | None = None,
) -> pa.Table:
    """Return instantaneous counts: two open days an area and week, at random in daylight."""
    area, day = _days(population, _COUNTS_A_WEEK, rng, through)
    trips, frame = population.trips, population.frame
    light = _daylight(sound, area, frame.dates[day])
    part = (rng.integers(0, _MOMENTS, len(area)) + 0.5) / _MOMENTS
    minutes = np.rint(60 * (_NOON + (part - 0.5) * light)).astype(np.int64)
    n_days = len(frame.dates)
    fishing = np.zeros(len(area), dtype=np.int64)
    code = trips.area * n_days + frame.day[trips.unit]
    for row, (where, when) in enumerate(zip(area * n_days + day, minutes / 60, strict=True)):
        mine = code == where
        start = trips.start_hour[mine]
        fishing[row] = ((start <= when) & (when < start + population.true.hours[mine])).sum()
    share = fishing / np.maximum(fleet.listed[area, day], 1)
    boats = fishing + rng.binomial(fleet.unlisted[area, day], share)
    times = np.array([f"{one // 60:02d}:{one % 60:02d}" for one in minutes])
    areas, dates = np.array(sound.area_ids)[area], frame.dates[day]
    stem = np.char.add(np.char.add(areas, "-"), dates.astype(str))
    columns = {
        "count_id": np.char.add(np.char.add(stem, "-"), np.char.replace(times, ":", "")),
        "area": areas,
        "date": dates,
        "time": times,
        "boats": boats,
    }
    return in_schema("boat_counts", columns)


def _daylight(sound: Sound, area: Ints, dates: NDArray[np.datetime64]) -> Floats:
    """Return the hours of daylight at an area's ramps on each day."""
    ids = np.array(sound.area_ids)
    latitude = {
        one: np.mean([ramp.latitude for ramp in sound.ramps if ramp.area == one]) for one in ids
    }
    hours = [
        daylight_hours(float(latitude[ids[where]]), pd.Timestamp(day))
        for where, day in zip(area, dates, strict=True)
    ]
    return np.array(hours)


def coverage_table(
    sound: Sound,
    population: Population,
    fleet: Fleet,
    *,
    rng: np.random.Generator,
    through: str | None = None,
) -> pa.Table:
    """Return on-water contacts: one open day an area and week, at most 25 boats of those out."""
    area, day = _days(population, _CONTACT_DAYS_A_WEEK, rng, through)
    listed, unlisted = fleet.listed[area, day], fleet.unlisted[area, day]
    contacted = np.minimum(listed + unlisted, _MOST_CONTACTS)
    columns = {
        "area": np.array(sound.area_ids)[area],
        "date": population.frame.dates[day],
        "boats_contacted": contacted,
        "boats_to_listed_sites": rng.hypergeometric(listed, unlisted, contacted),
    }
    return in_schema("coverage", columns)


def simulate_bycatch(
    population: Population, *, rng: np.random.Generator
) -> dict[str, tuple[Ints, Ints]]:
    """Return fish kept and released by species, each of shape (T,), for every boat trip."""
    trips = population.trips
    hours = trips.anglers * population.true.hours
    found = {}
    for species, (rate, by_method, kept_prop) in _SPECIES.items():
        uneven = rng.gamma(0.6, 1 / 0.6, len(hours))
        met = rng.poisson(rate * np.array(by_method)[trips.method] * hours * uneven)
        kept = rng.binomial(met, kept_prop)
        found[species] = (kept, met - kept)
    return found


def bycatch_table(sample: Sample, bycatch: dict[str, tuple[Ints, Ints]]) -> pa.Table:
    """Return the `bycatch` rows of the interviewed trips; a boat without a row met none."""
    parts = []
    for species, (kept, released) in bycatch.items():
        met = np.flatnonzero((kept + released)[sample.trips])
        columns = {
            "interview_id": sample.interview_id[met],
            "species": np.full(len(met), species),
            "kept": kept[sample.trips][met],
            "released": released[sample.trips][met],
        }
        parts.append(in_schema("bycatch", columns))
    return pa.concat_tables(parts)


def bycatch_truth(
    sound: Sound, population: Population, bycatch: dict[str, tuple[Ints, Ints]]
) -> pd.DataFrame:
    """Return true bycatch: ``season, area, species, kept_fish, released_fish``."""
    parts = []
    for species, (kept, released) in bycatch.items():
        frame = pd.DataFrame(
            {"area": population.trips.area, "kept_fish": kept, "released_fish": released}
        )
        parts.append(frame.groupby("area", as_index=False).sum().assign(species=species))
    rows = pd.concat(parts, ignore_index=True)
    rows["area"] = np.array(sound.area_ids)[rows["area"]]
    rows["season"] = population.frame.season
    return rows[["season", "area", "species", "kept_fish", "released_fish"]]


def fleet_truth(sound: Sound, population: Population, fleet: Fleet) -> pd.DataFrame:
    """Return true boats by area fished: ``season, area, boats_listed, boats_unlisted``."""
    return pd.DataFrame(
        {
            "season": population.frame.season,
            "area": sound.area_ids,
            "boats_listed": fleet.listed.sum(axis=1),
            "boats_unlisted": fleet.unlisted.sum(axis=1),
        }
    )


def _days(
    population: Population, n_days: int, rng: np.random.Generator, through: str | None
) -> tuple[Ints, Ints]:
    """Return areas and days of `n_days` random open days an area and week."""
    frame = population.frame
    area, day = np.nonzero(frame.is_open)
    if through is not None:
        early = frame.week[day] <= through
        area, day = area[early], day[early]
    cell = area * (int(frame.week_index[-1]) + 1) + frame.week_index[day]
    sampled = rank_within(cell, rng) < n_days
    return area[sampled], day[sampled]
