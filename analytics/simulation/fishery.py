"""Every boat trip of one season in an invented sound: what was caught, and what is given of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from analytics.arrays import Floats, Ints
    from analytics.simulation.reference_tables import Frame
    from analytics.simulation.scenario import Habits, Sound


# What the water does: storms, and the expected catch by area and day, before any boat goes out.


@dataclass(frozen=True, slots=True, eq=False)
class Water:
    """The state of one season by area (A), season week (W) and day (D).

    `calm` (D,): share of the usual boats that go out. `encounters_per_angler_hour` (A, W): expected
    Chinook encounters of an average method, the trend. `bite` (A, D): factor of the day on that
    rate, mean 1. `legal_logit` (A, W): log-odds that a fish met is of legal length.
    """

    calm: Floats
    encounters_per_angler_hour: Floats
    bite: Floats
    legal_logit: Floats


def simulate_water(sound: Sound, frame: Frame, rng: np.random.Generator) -> Water:
    """Draw the storms and the catch rates of one season."""
    habits = sound.habits
    n_areas, n_days = frame.is_open.shape
    n_weeks = int(frame.week_index[-1]) + 1
    return Water(
        calm=_calm(sound, n_days, rng),
        encounters_per_angler_hour=_rates(sound, frame.season, n_weeks, rng),
        bite=unit_lognormal(rng, habits.bite_day_sd, (n_areas, n_days)),
        legal_logit=_legal_logit(sound, n_weeks),
    )


def unit_lognormal(rng: np.random.Generator, sd: float, size: int | tuple[int, ...]) -> Floats:
    """Draw lognormal factors of mean 1 whose logarithm has standard deviation `sd`."""
    return rng.lognormal(-(sd**2) / 2, sd, size)


def _calm(sound: Sound, n_days: int, rng: np.random.Generator) -> Floats:
    """Draw storms of one to three days; on the other days a light wind costs few boats."""
    habits = sound.habits
    starts = rng.random(n_days) < habits.storm_prop / 2
    storm = starts.copy()
    storm[1:] |= starts[:-1]
    storm[2:] |= starts[:-2] & (rng.random(n_days - 2) < 0.3)
    return np.where(storm, habits.storm_effort, rng.uniform(0.75, 1.2, n_days))


def _rates(sound: Sound, label: str, n_weeks: int, rng: np.random.Generator) -> Floats:
    habits, season = sound.habits, sound.season(label)
    weeks = np.arange(n_weeks)
    base = np.log([area.encounters_per_angler_hour for area in sound.areas])
    peak = np.array([area.peak_week for area in sound.areas])
    log_rate = base[:, None] + season.log_abundance
    log_rate = log_rate + rng.normal(0, habits.area_sd, (len(base), 1))
    log_rate = log_rate + habits.season_rise * np.exp(-(((weeks - peak[:, None]) / 6) ** 2) / 2)
    log_rate += _wander(habits.week_sd, habits.week_memory, log_rate.shape, rng)
    for pulse in season.pulses:
        bell = np.exp(-(((weeks - pulse.week) / pulse.width_weeks) ** 2) / 2)
        log_rate[sound.area_ids.index(pulse.area)] += pulse.log_height * bell
    return np.asarray(np.exp(log_rate))


def _wander(sd: float, memory: float, shape: tuple[int, int], rng: np.random.Generator) -> Floats:
    """Draw a first-order autoregression along the weeks, stationary with deviation `sd`."""
    steps = rng.normal(0, sd, shape)
    steps[:, 1:] *= np.sqrt(1 - memory**2)
    for week in range(1, shape[1]):
        steps[:, week] += memory * steps[:, week - 1]
    return steps


def _legal_logit(sound: Sound, n_weeks: int) -> Floats:
    prop = np.array([area.legal_prop for area in sound.areas])
    growth = sound.habits.growth_per_week * (np.arange(n_weeks) - n_weeks / 2)
    return np.asarray(np.log(prop / (1 - prop))[:, None] + growth)


# What each boat met: legal and sublegal Chinook, marked or not, kept or let go.


@dataclass(frozen=True, slots=True, eq=False)
class Trips:
    """Boat trips; every array has shape (T,).

    `unit` is the index of the site-day in the frame, ascending; `area` that of the area fished;
    `hours` those planned on the water, which the catch lengthens (see `Catch`); `start_hour` the
    local civil hour at which fishing began.
    """

    unit: Ints
    area: Ints
    method: Ints
    anglers: Ints
    hours: Floats
    start_hour: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Catch:
    """Effort (hours the boat fished) and Chinook of boat trips; every array has shape (T,).

    `legal`, `sublegal` and `unknown` are releases by size (`unknown` is 0 in truth); ``*_marked``
    are the marked ones of those.
    """

    hours: Floats
    kept: Ints
    legal: Ints
    sublegal: Ints
    unknown: Ints
    kept_marked: Ints
    legal_marked: Ints
    sublegal_marked: Ints


def simulate_catch(
    sound: Sound, frame: Frame, water: Water, trips: Trips, rng: np.random.Generator
) -> Catch:
    """Draw the catch of every boat trip.

    A trip's encounters are Poisson around its rate times a gamma factor of the trip, hence
    negative binomial; legal fish are a binomial part of them.
    """
    habits = sound.habits
    met, success = _encounters(sound, frame, water, trips, rng)
    week = frame.week_index[frame.day[trips.unit]]
    logit = water.legal_logit[trips.area, week] + np.array(habits.method_legal_logit)[trips.method]
    legal = rng.binomial(met, 1 / (1 + np.exp(-logit)))
    legal_marked = rng.binomial(legal, habits.marked_prop)
    sublegal = met - legal
    kept, kept_marked = _kept(sound, frame, trips, met=(legal, legal_marked), rng=rng)
    return Catch(
        hours=np.clip(
            trips.hours * success**0.04, 1.0, 12.0
        ),  # success makes people stay (Smith 1999)
        kept=kept,
        legal=legal - kept,
        sublegal=sublegal,
        unknown=np.zeros_like(kept),
        kept_marked=kept_marked,
        legal_marked=legal_marked - kept_marked,
        sublegal_marked=rng.binomial(sublegal, habits.marked_prop),
    )


def _encounters(
    sound: Sound, frame: Frame, water: Water, trips: Trips, rng: np.random.Generator
) -> tuple[Ints, Floats]:
    habits = sound.habits
    day = frame.day[trips.unit]
    rate = water.encounters_per_angler_hour[trips.area, frame.week_index[day]]
    rate = rate * water.bite[trips.area, day] * np.array(habits.method_rate)[trips.method]
    rate = rate * unit_lognormal(rng, habits.bite_site_sd, len(frame.site))[trips.unit]
    success = rng.gamma(habits.trip_k, 1 / habits.trip_k, len(trips.unit))
    return rng.poisson(rate * success * trips.anglers * trips.hours), np.maximum(success, 1e-3)


def _kept(
    sound: Sound, frame: Frame, trips: Trips, *, met: tuple[Ints, Ints], rng: np.random.Generator
) -> tuple[Ints, Ints]:
    """Return fish kept, and of those the marked: up to the limit, marked only where so ruled."""
    legal, legal_marked = met
    habits, day = sound.habits, frame.day[trips.unit]
    selective = frame.mark_selective[trips.area, day] & (rng.random(len(day)) >= habits.slip_prop)
    uncapped = rng.binomial(np.where(selective, legal_marked, legal), 1 - habits.let_go_prop)
    kept = np.minimum(uncapped, trips.anglers * frame.daily_limit[trips.area, day])
    by_chance = rng.hypergeometric(legal_marked, legal - legal_marked, kept)
    return kept, np.where(selective, kept, by_chance)


# What crews tell at the ramp: too many releases, large counts in fives, sizes forgotten.


def simulate_reports(habits: Habits, true: Catch, rng: np.random.Generator) -> Catch:
    """Return what each crew would report.

    Kept fish are seen by the sampler and are true; hours are given to the half hour; releases are
    reported with some added, and large counts are heaped on multiples of five. That reported
    releases run high is published (Sullivan 2003); how much they do here is chosen for the demo.
    """
    legal = _told(habits, true.legal, rng)
    sublegal = _told(habits, true.sublegal, rng)
    unsure = rng.random(len(legal)) < habits.unsure_prop
    legal_lost = np.where(unsure, rng.binomial(legal, 0.5), 0)
    sublegal_lost = np.where(unsure, rng.binomial(sublegal, 0.5), 0)
    legal_left, sublegal_left = legal - legal_lost, sublegal - sublegal_lost
    return Catch(
        hours=np.round(true.hours * 2) / 2,
        kept=true.kept,
        legal=legal_left,
        sublegal=sublegal_left,
        unknown=legal_lost + sublegal_lost,
        kept_marked=true.kept_marked,
        legal_marked=_marked(legal_left, true.legal_marked, true.legal, rng),
        sublegal_marked=_marked(sublegal_left, true.sublegal_marked, true.sublegal, rng),
    )


def _told(habits: Habits, count: Ints, rng: np.random.Generator) -> Ints:
    said = count + rng.binomial(count, habits.over_report_prop)
    rounds = (said >= habits.heap_from) & (rng.random(len(said)) < habits.heap_prop)
    return np.where(rounds, 5 * ((said + 2) // 5), said)


def _marked(reported: Ints, marked: Ints, of: Ints, rng: np.random.Generator) -> Ints:
    """Return the marked ones of `reported` fish, in the true proportion."""
    prop = marked / np.maximum(of, 1)
    more = marked + rng.binomial(np.maximum(reported - of, 0), prop)
    return np.where(reported >= of, more, rng.binomial(reported, prop))


@dataclass(frozen=True, slots=True, eq=False)
class Population:
    """Every boat trip that ends at a listed ramp on an open day of its landing area.

    Arrays have shape (T,), in the order of the frame's units. `true` is what happened and
    `reported` what the crew would tell a sampler; `release_deaths` and `drop_off_deaths` are
    released fish, and fish lost before the boat, that died; `deep_hooked` those of the reported
    releases that were reported as deep-hooked.
    """

    frame: Frame
    water: Water
    trips: Trips
    true: Catch
    reported: Catch
    release_deaths: Ints
    drop_off_deaths: Ints
    deep_hooked: Ints


def simulate_population(sound: Sound, frame: Frame, *, rng: np.random.Generator) -> Population:
    """Simulate one season: tens of thousands of boat trips for the demo's sound.

    One `frame` of `season_frame` serves any number of simulations of its season.
    """
    habits = sound.habits
    water = simulate_water(sound, frame, rng)
    trips = simulate_trips(sound, frame, water, rng)
    true = simulate_catch(sound, frame, water, trips, rng)
    reported = simulate_reports(habits, true, rng)
    released = reported.legal + reported.sublegal + reported.unknown
    deep_prop = np.array(habits.method_deep_prop)[trips.method]
    return Population(
        frame=frame,
        water=water,
        trips=trips,
        true=true,
        reported=reported,
        release_deaths=rng.binomial(
            true.legal, _death_prop(habits.legal_wound_death_prop, deep_prop)
        )
        + rng.binomial(true.sublegal, _death_prop(habits.sublegal_wound_death_prop, deep_prop)),
        drop_off_deaths=rng.binomial(true.kept + true.legal + true.sublegal, habits.drop_off_prop),
        deep_hooked=rng.binomial(released, deep_prop),
    )


def _death_prop(of_wound: tuple[float, float], deep_prop: Floats) -> Floats:
    """Return the chance that a release dies: its hook holds deep or shallow, then kills or not."""
    shallow, deep = of_wound
    return shallow + deep_prop * (deep - shallow)


def simulate_trips(sound: Sound, frame: Frame, water: Water, rng: np.random.Generator) -> Trips:
    """Draw the boats of every site-day, where they fish, with how many anglers and how."""
    habits = sound.habits
    size = np.array([ramp.weekend_boats for ramp in sound.ramps])
    effort = np.array([habits.weekday_effort, habits.friday_effort, 1.0])[frame.kind] * water.calm
    mean = size[frame.site] * effort[frame.day]
    boats = rng.poisson(mean * rng.gamma(habits.boats_k, 1 / habits.boats_k, len(mean)))
    unit = np.repeat(np.arange(len(mean)), boats)
    area = _areas_fished(sound, frame, unit, rng)
    mixes = np.cumsum([area_.method_mix for area_ in sound.areas], axis=1)[:, :-1]
    method = (rng.random(len(unit))[:, None] > mixes[area]).sum(axis=1)
    anglers = 1 + rng.choice(len(habits.angler_props), len(unit), p=habits.angler_props)
    span = habits.hours_high - habits.hours_low
    hours = habits.hours_low + span * rng.beta(2.2, 2.6, len(unit))
    return Trips(
        unit=unit,
        area=area,
        method=method,
        anglers=anglers,
        hours=hours,
        start_hour=rng.triangular(6.5, 7.5, 12.0, len(unit)),
    )


def _areas_fished(sound: Sound, frame: Frame, unit: Ints, rng: np.random.Generator) -> Ints:
    """Return the area each boat fishes: its ramp's, or an open neighbour."""
    codes = {area: index for index, area in enumerate(sound.area_ids)}
    home = np.array([codes[ramp.area] for ramp in sound.ramps])[frame.site[unit]]
    most = max(len(area.neighbours) for area in sound.areas)
    near = np.array(
        [
            [codes[name] for name in (*area.neighbours, *[area.area] * most)][:most]
            for area in sound.areas
        ]
    ).reshape(len(sound.areas), most)
    if most == 0:
        return home
    pick = near[home, rng.integers(most, size=len(unit))]
    away = np.array([ramp.away_prop for ramp in sound.ramps])[frame.site[unit]]
    goes = (rng.random(len(unit)) < away) & frame.is_open[pick, frame.day[unit]]
    return np.where(goes, pick, home)
