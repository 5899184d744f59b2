"""Every boat trip of one season in an invented sound: what was caught, and what is told of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.data.demo.catch import Catch, Trips, simulate_catch
from analytics.data.demo.reports import simulate_reports
from analytics.data.demo.water import Water, simulate_water

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.data.demo.frame import Frame
    from analytics.data.demo.places import Sound


@dataclass(frozen=True, slots=True, eq=False)
class Population:
    """Every boat trip that ends at a listed ramp on an open day of its landing area.

    Parameters
    ----------
    frame : Frame
        The site-days.
    water : Water
        Storms and expected catch rates.
    trips : Trips
        Who went where, for how long; T of them, in the order of the frame's units.
    true, reported : Catch
        What happened, and what the crew would tell a sampler; arrays of shape (T,).
    release_deaths, drop_off_deaths : ndarray of int, shape (T,)
        Released fish, and fish lost before the boat, that died.
    deep_hooked : ndarray of int, shape (T,)
        Of the releases told, those told as deep-hooked.
    """

    frame: Frame
    water: Water
    trips: Trips
    true: Catch
    reported: Catch
    release_deaths: NDArray[np.int64]
    drop_off_deaths: NDArray[np.int64]
    deep_hooked: NDArray[np.int64]


def simulate_population(sound: Sound, frame: Frame, *, rng: np.random.Generator) -> Population:
    """Simulate one season.

    Parameters
    ----------
    sound : Sound
        The settings.
    frame : Frame
        From `season_frame`; it can be built once for many simulations of a season.
    rng : numpy.random.Generator
        The only source of chance.

    Returns
    -------
    Population
        Tens of thousands of boat trips for the demo's sound.
    """
    habits = sound.habits
    water = simulate_water(sound, frame, rng)
    trips = simulate_trips(sound, frame, water, rng)
    true = simulate_catch(sound, frame, water, trips, rng)
    reported = simulate_reports(habits, true, rng)
    told = reported.legal + reported.sublegal + reported.unknown
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
        deep_hooked=rng.binomial(told, deep_prop),
    )


def _death_prop(
    of_wound: tuple[float, float], deep_prop: NDArray[np.float64]
) -> NDArray[np.float64]:
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


def _areas_fished(
    sound: Sound, frame: Frame, unit: NDArray[np.int64], rng: np.random.Generator
) -> NDArray[np.int64]:
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
