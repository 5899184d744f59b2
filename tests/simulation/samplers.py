"""Other designs than the demo's: convenience, days then sites, and counts of all boats afloat."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analytics.simulation.sampling import (
    Fleet,
    Sample,
    SampleOptions,
    in_schema,
    interview_ids,
    interviews_table,
    rank_within,
    sample_at,
    site_day_ids,
)

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    from analytics.simulation.fishery import Population
    from analytics.simulation.scenario import Sound


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
    days, of_unit = _stratum_days(population)
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
    _, of_unit = _stratum_days(population)
    share: NDArray[np.float64] = weight / np.bincount(of_unit, weights=weight)[of_unit]
    return share


def _stratum_days(population: Population) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the days of all strata, coded ``stratum · D + day``, and the place of each unit's."""
    frame = population.frame
    days, of_unit = np.unique(frame.stratum * len(frame.dates) + frame.day, return_inverse=True)
    return days, of_unit


# Boats that land at no listed ramp: their trips, and counts of all boats afloat.


@dataclass(frozen=True, slots=True, eq=False)
class UnlistedLandings:
    """Every boat afloat, B of them: the T trips of the population first, then all others.

    A boat that lands elsewhere fishes the area, day, hours and fish of some trip of the population
    (`trip`, (B,)), with its own `start_hour` (B,); so what is true of all boats is known. `boats`
    (T,) are those a trip stands for: itself and those that fish as it does.
    """

    boats: NDArray[np.int64]
    trip: NDArray[np.int64]
    start_hour: NDArray[np.float64]
    fleet: Fleet


@dataclass(frozen=True, slots=True, kw_only=True)
class CountOptions:
    """How boats are counted.

    In each area, ISO week and day group, any number of days from `days_low` to `days_high` (never
    more than there are), with equal probabilities without replacement; on each, `counts_a_day`
    independent moments, any minute of the fishing day as likely. Nobody fishes outside the hours of
    that day, so the mean count times its length is unbiased for the boat-hours of the day.
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


def simulate_unlisted_landings(
    sound: Sound, population: Population, *, rng: np.random.Generator, day_spread: float = 0.0
) -> UnlistedLandings:
    """Add to each trip a Poisson number of boats that land elsewhere.

    An area's `listed_prop` is the expected share of boats to listed ramps; `day_spread` the
    log-scale standard deviation between days of the boats elsewhere per boat to a listed ramp.
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
    return UnlistedLandings(
        boats=1 + others,
        trip=np.concatenate([np.arange(len(others)), twin]),
        start_hour=np.concatenate([trips.start_hour, rng.triangular(6.5, 7.5, 12.0, len(twin))]),
        fleet=Fleet(listed=counts[0], unlisted=counts[1]),
    )


def random_counts_table(
    sound: Sound,
    population: Population,
    unlisted: UnlistedLandings,
    *,
    rng: np.random.Generator,
    options: CountOptions | None = None,
) -> pa.Table:
    """Count all boats fishing at random moments of random days: ``boat_counts`` rows."""
    options = options or CountOptions()
    area, day = _counted_days(sound, population, rng, options)
    area, day = (np.repeat(each, options.counts_a_day) for each in (area, day))
    first, last = round(60 * options.first_hour), round(60 * options.last_hour)
    minute = rng.integers(first, last, len(area))
    boats = boats_fishing(population, unlisted, area=area, day=day, hour=(minute + 0.5) / 60)
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
    unlisted: UnlistedLandings,
    *,
    area: NDArray[np.int64],
    day: NDArray[np.int64],
    hour: NDArray[np.float64],
) -> NDArray[np.int64]:
    """Return the boats that fish an area at a moment of a day, shape of `hour`."""
    trips, frame = population.trips, population.frame
    n_days = len(frame.dates)
    cell = (trips.area * n_days + frame.day[trips.unit])[unlisted.trip]
    order = np.argsort(cell, kind="stable")
    start = unlisted.start_hour[order]
    end = start + population.true.hours[unlisted.trip[order]]
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
