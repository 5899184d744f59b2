"""Draw the `site_day` design from a simulated season, as its input tables."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.data.schema import TABLES
from analytics.simulation.scenario import METHODS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

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

    units: NDArray[np.int64]
    trips: NDArray[np.int64]
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
    units: NDArray[np.int64],
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
) -> NDArray[np.int64]:
    """Return the sampled site-days, equal probabilities without replacement in each stratum."""
    frame = population.frame
    n_strata = len(frame.stratum_group)
    wanted = rng.integers(options.units_low, options.units_high + 1, n_strata)
    lot = rng.random(n_strata)
    wanted[lot < options.no_unit_prop + options.one_unit_prop] = 1
    wanted[lot < options.no_unit_prop] = 0
    drawn = rank_within(frame.stratum, rng) < wanted[frame.stratum]
    if through is not None:
        drawn &= frame.week[frame.day] <= through
    return np.flatnonzero(drawn)


def draw_boats(
    population: Population, units: NDArray[np.int64], *, rng: np.random.Generator, capacity: int
) -> NDArray[np.int64]:
    """Return the interviewed trips: at most `capacity` of each unit, equal probabilities."""
    candidates = np.flatnonzero(np.isin(population.trips.unit, units))
    rank = rank_within(population.trips.unit[candidates], rng)
    return candidates[rank < capacity]


def rank_within(group: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.int64]:
    """Return a random order (0, 1, 2, …) of the members within each group, shape (n,)."""
    order = np.lexsort((rng.random(len(group)), group))
    ordered = group[order]
    starts = np.searchsorted(ordered, ordered, side="left")
    rank = np.empty(len(group), dtype=np.int64)
    rank[order] = np.arange(len(group)) - starts
    return rank


def site_day_ids(
    sound: Sound, population: Population, units: NDArray[np.int64]
) -> NDArray[np.str_]:
    """Return keys such as ``VEL1-20301107``."""
    frame = population.frame
    sites = np.array([ramp.site for ramp in sound.ramps], dtype=np.str_)[frame.site[units]]
    days = np.char.replace(frame.dates.astype(str), "-", "")[frame.day[units]]
    return np.char.add(np.char.add(sites, "-"), days)


def interview_ids(sample_id: NDArray[np.str_], place: NDArray[np.int64]) -> NDArray[np.str_]:
    """Return keys such as ``VEL1-20301107-03``: the third boat of that site-day."""
    number = np.arange(len(place)) - np.searchsorted(place, place, side="left") + 1
    two_digits = np.char.zfill(number.astype(str), 2)
    return np.char.add(np.char.add(sample_id, "-"), two_digits)


def _site_days(
    sound: Sound, population: Population, units: NDArray[np.int64], sample_id: NDArray[np.str_]
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
    trips: NDArray[np.int64],
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


# Interviews of convenience: the `opportunistic` design, without a site-day drawn.


@dataclass(frozen=True, slots=True, kw_only=True)
class ConvenienceOptions:
    """Where a passer-by happens to ask.

    Each site-day is visited with chance `site_day_prop`, which knows nothing of the catch, and each
    boat there asked with `boat_prop`. That does not fall on crowded days, so the boats asked are a
    fair sample of all boats and their rates aim at the rates of the season. Of `boats`, the numbers
    of site-days and boats play no part.
    """

    site_day_prop: float = 0.12
    boat_prop: float = 0.4
    boats: SampleOptions = field(default_factory=SampleOptions)


def draw_convenience_sample(
    sound: Sound,
    population: Population,
    *,
    rng: np.random.Generator,
    options: ConvenienceOptions | None = None,
) -> Sample:
    """Ask some boats at some site-days; nobody counts those that returned.

    The tables hold ``interviews`` only, with ``site`` and ``date`` and a null ``sample_id``.
    """
    options = options or ConvenienceOptions()
    frame, of_trip = population.frame, population.trips.unit
    visited = rng.random(len(frame.site)) < options.site_day_prop
    asked = visited[of_trip] & (rng.random(len(of_trip)) < options.boat_prop)
    trips = np.flatnonzero(asked)
    units, place = np.unique(of_trip[trips], return_inverse=True)
    ids = interview_ids(site_day_ids(sound, population, units)[place], place)
    keys = {
        "interview_id": ids,
        "site": np.array([ramp.site for ramp in sound.ramps])[frame.site[units]][place],
        "date": frame.dates[frame.day[units]][place],
    }
    interviews = interviews_table(
        sound, population, trips, keys=keys, options=options.boats, rng=rng
    )
    return Sample(units=units, trips=trips, tables={"interviews": interviews}, interview_id=ids)


# Draw the `day_site` design: days first, then sites within the day by their weight.


@dataclass(frozen=True, slots=True, kw_only=True)
class DayOptions:
    """How hard the samplers of a `day_site` design work.

    Days of a stratum are as likely any number from `days_low` to `days_high` (never more than there
    are); of `certain_groups`, indices in the opening's `day_groups`, every day is taken. `sites`:
    drawn on each day (never more than the area has). Of `boats`, the number of site-days plays no
    part.
    """

    days_low: int = 2
    days_high: int = 3
    certain_groups: tuple[int, ...] = ()
    sites: int = 2
    boats: SampleOptions = field(default_factory=SampleOptions)


def draw_day_site_sample(
    sound: Sound,
    population: Population,
    *,
    rng: np.random.Generator,
    options: DayOptions | None = None,
) -> Sample:
    """Draw days within strata, sites within days, boats within sites.

    Days are drawn with equal probabilities; sites by successive drawing without replacement with
    single-draw probabilities in proportion to their weight, which the ``site_days`` rows carry as
    ``draw_probability``; boats with equal probabilities. All without replacement.
    """
    options = options or DayOptions()
    units = draw_day_sites(sound, population, rng=rng, options=options)
    probability = draw_probabilities(sound, population)[units]
    return sample_at(
        sound,
        population,
        units,
        rng=rng,
        options=options.boats,
        columns={"draw_probability": probability},
    )


def draw_day_sites(
    sound: Sound, population: Population, *, rng: np.random.Generator, options: DayOptions
) -> NDArray[np.int64]:
    """Return the site-days drawn, as ascending indices of the frame."""
    frame = population.frame
    wanted = rng.integers(options.days_low, options.days_high + 1, len(frame.stratum_group))
    wanted[np.isin(frame.stratum_group, options.certain_groups)] = len(frame.dates)
    days, of_unit = _days(population)
    drawn = rank_within(days // len(frame.dates), rng) < wanted[days // len(frame.dates)]
    # The order of exponential waiting times with the weights as rates is that of successive
    # drawing without replacement: the next to ring is drawn in proportion to its weight.
    waiting = rng.exponential(1 / draw_probabilities(sound, population))
    order = np.lexsort((waiting, of_unit))
    starts = np.searchsorted(of_unit[order], of_unit[order], side="left")
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order)) - starts
    return np.flatnonzero(drawn[of_unit] & (rank < options.sites))


def draw_probabilities(sound: Sound, population: Population) -> NDArray[np.float64]:
    """Return each unit's single-draw probability among the sites of its day, shape (U,)."""
    weight = np.array([ramp.weekend_boats for ramp in sound.ramps])[population.frame.site]
    _, of_unit = _days(population)
    share: NDArray[np.float64] = weight / np.bincount(of_unit, weights=weight)[of_unit]
    return share


def _days(population: Population) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the days of all strata, coded ``stratum · D + day``, and the place of each unit's."""
    frame = population.frame
    days, of_unit = np.unique(frame.stratum * len(frame.dates) + frame.day, return_inverse=True)
    return days, of_unit
