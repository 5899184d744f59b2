"""Boats that land at no listed ramp: their trips, and counts of all boats afloat."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.data.demo.on_water import Fleet
from analytics.data.demo.sampling import in_schema, rank_within

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    from analytics.data.demo.places import Sound
    from analytics.data.demo.population import Population


@dataclass(frozen=True, slots=True, eq=False)
class Elsewhere:
    """Every boat afloat, B of them: the T trips of the population first, then all others.

    A boat that lands elsewhere fishes the area, day, hours and fish of some trip of the
    population, with its own hour of start; so what is true of all boats is known.

    Parameters
    ----------
    boats : ndarray of int, shape (T,)
        Boats each trip of the population stands for: itself and those that fish as it does.
    trip : ndarray of int, shape (B,)
        The trip each boat fishes as.
    start_hour : ndarray of float, shape (B,)
        Local civil hour at which it begins.
    fleet : Fleet
        Boats by area fished and day, to listed ramps and to others.
    """

    boats: NDArray[np.int64]
    trip: NDArray[np.int64]
    start_hour: NDArray[np.float64]
    fleet: Fleet


@dataclass(frozen=True, slots=True, kw_only=True)
class CountOptions:
    """How boats are counted.

    Parameters
    ----------
    days_low, days_high : int
        Days of each area, ISO week and day group counted, any number from low to high (never more
        than there are), equal probabilities without replacement.
    counts_a_day : int
        Counts a day at independent moments, any minute of the fishing day as likely.
    first_hour, last_hour : float
        The fishing day. Nobody fishes outside it, so the mean count times its length is unbiased
        for the boat-hours of the day.
    """

    days_low: int = 2
    days_high: int = 3
    counts_a_day: int = 3
    first_hour: float = 6.0
    last_hour: float = 21.0

    @property
    def hours(self) -> float:
        """Length of the fishing day in hours."""
        return self.last_hour - self.first_hour


def simulate_elsewhere(
    sound: Sound, population: Population, *, rng: np.random.Generator, day_spread: float = 0.0
) -> Elsewhere:
    """Add to each trip a Poisson number of boats that land elsewhere.

    Parameters
    ----------
    sound : Sound
        The settings; an area's `listed_prop` is the expected share of boats to listed ramps.
    population : Population
        One season.
    rng : numpy.random.Generator
        The only source of chance.
    day_spread : float, optional
        Log-scale spread between days of the boats elsewhere per boat to a listed ramp.

    Returns
    -------
    Elsewhere
    """
    trips, frame = population.trips, population.frame
    shape = frame.is_open.shape
    prop = np.array([area.listed_prop for area in sound.areas])[:, None]
    of_day = (1 - prop) / prop * rng.lognormal(-(day_spread**2) / 2, day_spread, shape)
    day = frame.day[trips.unit]
    others = rng.poisson(of_day[trips.area, day])
    twin = np.repeat(np.arange(len(others)), others)
    cell = trips.area * shape[1] + day
    counts = [
        np.bincount(cell[boats], minlength=shape[0] * shape[1]).reshape(shape)
        for boats in (slice(None), twin)
    ]
    return Elsewhere(
        boats=1 + others,
        trip=np.concatenate([np.arange(len(others)), twin]),
        start_hour=np.concatenate([trips.start_hour, rng.triangular(6.5, 7.5, 12.0, len(twin))]),
        fleet=Fleet(listed=counts[0], unlisted=counts[1]),
    )


def random_counts_table(
    sound: Sound,
    population: Population,
    elsewhere: Elsewhere,
    *,
    rng: np.random.Generator,
    options: CountOptions | None = None,
) -> pa.Table:
    """Count all boats fishing at random moments of random days.

    Parameters
    ----------
    sound, population, elsewhere
        One season.
    rng : numpy.random.Generator
        The only source of chance.
    options : CountOptions, optional
        How boats are counted.

    Returns
    -------
    pyarrow.Table
        ``boat_counts`` rows.
    """
    options = options or CountOptions()
    area, day = _counted_days(sound, population, rng, options)
    area, day = (np.repeat(each, options.counts_a_day) for each in (area, day))
    first, last = round(60 * options.first_hour), round(60 * options.last_hour)
    minute = rng.integers(first, last, len(area))
    boats = boats_fishing(population, elsewhere, area=area, day=day, hour=(minute + 0.5) / 60)
    areas, dates = np.array(sound.area_ids)[area], population.frame.dates[day]
    times = np.array([f"{at // 60:02d}:{at % 60:02d}" for at in minute])
    number = np.char.zfill((np.arange(len(area)) % options.counts_a_day + 1).astype(str), 2)
    stem = np.char.add(np.char.add(areas, "-"), np.char.add(dates.astype(str), "-"))
    columns = {
        "count_id": np.char.add(stem, number),
        "area": areas,
        "date": dates,
        "time": times,
        "boats": boats,
    }
    return in_schema("boat_counts", columns)


def boats_fishing(
    population: Population,
    elsewhere: Elsewhere,
    *,
    area: NDArray[np.int64],
    day: NDArray[np.int64],
    hour: NDArray[np.float64],
) -> NDArray[np.int64]:
    """Return the boats that fish an area at a moment of a day, shape of `hour`."""
    trips, frame = population.trips, population.frame
    n_days = len(frame.dates)
    cell = (trips.area * n_days + frame.day[trips.unit])[elsewhere.trip]
    order = np.argsort(cell, kind="stable")
    start = elsewhere.start_hour[order]
    end = start + population.true.hours[elsewhere.trip[order]]
    wanted = area * n_days + day
    low, high = (np.searchsorted(cell[order], wanted, side=side) for side in ("left", "right"))
    found = [
        int(((start[a:b] <= at) & (at < end[a:b])).sum())
        for a, b, at in zip(low, high, hour, strict=True)
    ]
    return np.array(found, dtype=np.int64)


def _counted_days(
    sound: Sound, population: Population, rng: np.random.Generator, options: CountOptions
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return areas and days counted: random days of each landing area, week and day group."""
    frame = population.frame
    n_days = len(frame.dates)
    home = np.array([sound.area_ids.index(ramp.area) for ramp in sound.ramps])[frame.site]
    cells, first = np.unique(home * n_days + frame.day, return_index=True)
    stratum = frame.stratum[first]
    wanted = rng.integers(options.days_low, options.days_high + 1, len(frame.stratum_group))
    drawn = cells[rank_within(stratum, rng) < wanted[stratum]]
    return drawn // n_days, drawn % n_days
