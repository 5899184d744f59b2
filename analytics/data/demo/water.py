"""What the water does: storms, and the expected catch by area and day, before any boat goes out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.data.demo.frame import Frame
    from analytics.data.demo.places import Sound


@dataclass(frozen=True, slots=True, eq=False)
class Water:
    """The state of one season by area (A), season week (W) and day (D).

    Parameters
    ----------
    calm : ndarray of float, shape (D,)
        Share of the usual boats that go out.
    encounters_per_angler_hour : ndarray of float, shape (A, W)
        Expected Chinook encounters per angler-hour of an average method: the trend.
    bite : ndarray of float, shape (A, D)
        Factor of the day on that rate, mean 1.
    legal_logit : ndarray of float, shape (A, W)
        Log-odds that a fish met is of legal length.
    """

    calm: NDArray[np.float64]
    encounters_per_angler_hour: NDArray[np.float64]
    bite: NDArray[np.float64]
    legal_logit: NDArray[np.float64]


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


def unit_lognormal(
    rng: np.random.Generator, sd: float, size: int | tuple[int, ...]
) -> NDArray[np.float64]:
    """Draw lognormal factors of mean 1 whose logarithm has standard deviation `sd`."""
    return rng.lognormal(-(sd**2) / 2, sd, size)


def _calm(sound: Sound, n_days: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Draw storms of one to three days; on the other days a light wind costs few boats."""
    habits = sound.habits
    starts = rng.random(n_days) < habits.storm_prop / 2
    storm = starts.copy()
    storm[1:] |= starts[:-1]
    storm[2:] |= starts[:-2] & (rng.random(n_days - 2) < 0.3)
    return np.where(storm, habits.storm_effort, rng.uniform(0.75, 1.2, n_days))


def _rates(sound: Sound, label: str, n_weeks: int, rng: np.random.Generator) -> NDArray[np.float64]:
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


def _wander(
    sd: float, memory: float, shape: tuple[int, int], rng: np.random.Generator
) -> NDArray[np.float64]:
    """Draw a first-order autoregression along the weeks, stationary with deviation `sd`."""
    steps = rng.normal(0, sd, shape)
    steps[:, 1:] *= np.sqrt(1 - memory**2)
    for week in range(1, shape[1]):
        steps[:, week] += memory * steps[:, week - 1]
    return steps


def _legal_logit(sound: Sound, n_weeks: int) -> NDArray[np.float64]:
    prop = np.array([area.legal_prop for area in sound.areas])
    growth = sound.habits.growth_per_week * (np.arange(n_weeks) - n_weeks / 2)
    return np.asarray(np.log(prop / (1 - prop))[:, None] + growth)
