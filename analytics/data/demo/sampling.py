"""Draw the contract's `site_day` design from a simulated season, as its input tables."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.data.demo.places import METHODS
from analytics.data.schema import TABLES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from analytics.data.demo.places import Sound
    from analytics.data.demo.population import Population


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleOptions:
    """How hard the samplers work.

    Parameters
    ----------
    units_low, units_high : int
        Site-days of a stratum are as likely any number from low to high (never more than there
        are); the draw knows nothing of the fishing.
    capacity : int
        Boats a sampler can interview in a day.
    missed_prop : float
        Share of sampled site-days with boats on which none could be interviewed.
    one_unit_prop, no_unit_prop : float
        Share of strata cut down to one site-day, and to none.
    marks_read_prop, hooks_read_prop : float
        Share of interviews in which marks, and deep hooking, were recorded.
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

    Parameters
    ----------
    units : ndarray of int, shape (n,)
        Sampled site-days, as indices of the frame; ascending.
    trips : ndarray of int, shape (k,)
        Interviewed boat trips, as indices of the population; ascending.
    tables : dict of str to pyarrow.Table
        ``site_days`` and ``interviews`` in the contract's schema.
    interview_id : ndarray of str, shape (k,)
        Key of each interviewed trip.
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

    Parameters
    ----------
    sound : Sound
        The settings.
    population : Population
        The season to sample.
    rng : numpy.random.Generator
        The only source of chance.
    options, through : SampleOptions and str, optional
        How hard the samplers work, and the last ISO week they do.

    Returns
    -------
    Sample
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

    Parameters
    ----------
    sound, population, rng, options
        As in `draw_sample`.
    units : ndarray of int, shape (n,)
        Indices of the frame, ascending.
    columns : mapping of str to ndarray of shape (n,), optional
        Further columns of the ``site_days`` rows.

    Returns
    -------
    Sample
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
    population: Population,
    units: NDArray[np.int64],
    *,
    rng: np.random.Generator,
    capacity: int,
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
    """Return what the crews of some trips tell, as ``interviews`` rows.

    Parameters
    ----------
    sound, population, options, rng
        As in `draw_sample`.
    trips : ndarray of int, shape (k,)
        Indices of the population.
    keys : mapping of str to ndarray of shape (k,)
        The columns that say which interview it is, and of which site-day.

    Returns
    -------
    pyarrow.Table
    """
    told, who = population.reported, population.trips
    marks_unread = rng.random(len(trips)) >= options.marks_read_prop
    hooks_unread = rng.random(len(trips)) >= options.hooks_read_prop
    columns: dict[str, Any] = {
        **keys,
        "area": np.array(sound.area_ids)[who.area[trips]],
        "anglers": who.anglers[trips],
        "hours_fished": told.hours[trips],
        "trip_complete": np.ones(len(trips), dtype=bool),
        "method": np.array(METHODS)[who.method[trips]],
        "kept": told.kept[trips],
        "released_legal": told.legal[trips],
        "released_sublegal": told.sublegal[trips],
        "released_unknown": told.unknown[trips],
        "kept_marked": pa.array(told.kept_marked[trips], mask=marks_unread),
        "released_legal_marked": pa.array(told.legal_marked[trips], mask=marks_unread),
        "released_sublegal_marked": pa.array(told.sublegal_marked[trips], mask=marks_unread),
        "released_deep_hooked": pa.array(population.deep_hooked[trips], mask=hooks_unread),
    }
    return in_schema("interviews", columns)


def in_schema(name: str, columns: dict[str, Any]) -> pa.Table:
    """Return column arrays as one input table in its Arrow schema; absent columns are null."""
    n_rows = len(next(iter(columns.values())))
    arrays = []
    for field in TABLES[name].arrow_schema:
        if field.name in columns:
            values = columns[field.name]
            array = values if isinstance(values, pa.Array) else pa.array(values)
            arrays.append(array.cast(field.type))
        else:
            arrays.append(pa.nulls(n_rows, field.type))
    return pa.Table.from_arrays(arrays, schema=TABLES[name].arrow_schema)
