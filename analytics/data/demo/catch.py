"""What each boat met: legal and sublegal Chinook, marked or not, kept or let go."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.data.demo.water import unit_lognormal

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.data.demo.frame import Frame
    from analytics.data.demo.places import Sound
    from analytics.data.demo.water import Water


@dataclass(frozen=True, slots=True, eq=False)
class Trips:
    """Boat trips; every array has shape (T,).

    Parameters
    ----------
    unit : ndarray of int
        Index of the site-day in the frame; ascending.
    area, method : ndarray of int
        Index of the area fished and of the method.
    anglers : ndarray of int
        Anglers aboard.
    hours : ndarray of float
        Hours planned on the water; the catch lengthens them (see `Catch`).
    start_hour : ndarray of float
        Local civil hour at which fishing began.
    """

    unit: NDArray[np.int64]
    area: NDArray[np.int64]
    method: NDArray[np.int64]
    anglers: NDArray[np.int64]
    hours: NDArray[np.float64]
    start_hour: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Catch:
    """Effort and Chinook of boat trips; every array has shape (T,).

    Parameters
    ----------
    hours : ndarray of float
        Hours the boat fished.
    kept, legal, sublegal, unknown : ndarray of int
        Kept; released of legal length, under it, and of unknown size (0 in truth).
    kept_marked, legal_marked, sublegal_marked : ndarray of int
        Of those, the marked ones.
    """

    hours: NDArray[np.float64]
    kept: NDArray[np.int64]
    legal: NDArray[np.int64]
    sublegal: NDArray[np.int64]
    unknown: NDArray[np.int64]
    kept_marked: NDArray[np.int64]
    legal_marked: NDArray[np.int64]
    sublegal_marked: NDArray[np.int64]


def simulate_catch(
    sound: Sound, frame: Frame, water: Water, trips: Trips, rng: np.random.Generator
) -> Catch:
    """Draw the catch of every boat trip.

    A trip's encounters are Poisson around its rate times a gamma factor of the trip, hence
    negative binomial; legal fish are a binomial part of them.
    """
    habits = sound.habits
    met, luck = _encounters(sound, frame, water, trips, rng)
    week = frame.week_index[frame.day[trips.unit]]
    logit = water.legal_logit[trips.area, week] + np.array(habits.method_legal_logit)[trips.method]
    legal = rng.binomial(met, 1 / (1 + np.exp(-logit)))
    legal_marked = rng.binomial(legal, habits.marked_prop)
    sublegal = met - legal
    kept, kept_marked = _kept(sound, frame, trips, met=(legal, legal_marked), rng=rng)
    return Catch(
        hours=np.clip(
            trips.hours * luck**0.04, 1.0, 12.0
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
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    habits = sound.habits
    day = frame.day[trips.unit]
    rate = water.encounters_per_angler_hour[trips.area, frame.week_index[day]]
    rate = rate * water.bite[trips.area, day] * np.array(habits.method_rate)[trips.method]
    rate = rate * unit_lognormal(rng, habits.bite_site_sd, len(frame.site))[trips.unit]
    luck = rng.gamma(habits.trip_k, 1 / habits.trip_k, len(trips.unit))
    return rng.poisson(rate * luck * trips.anglers * trips.hours), np.maximum(luck, 1e-3)


def _kept(
    sound: Sound,
    frame: Frame,
    trips: Trips,
    *,
    met: tuple[NDArray[np.int64], NDArray[np.int64]],
    rng: np.random.Generator,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return fish kept, and of those the marked: up to the limit, marked only where so ruled."""
    legal, legal_marked = met
    habits, day = sound.habits, frame.day[trips.unit]
    selective = frame.mark_selective[trips.area, day] & (rng.random(len(day)) >= habits.slip_prop)
    wanted = rng.binomial(np.where(selective, legal_marked, legal), 1 - habits.let_go_prop)
    kept = np.minimum(wanted, trips.anglers * frame.daily_limit[trips.area, day])
    by_chance = rng.hypergeometric(legal_marked, legal - legal_marked, kept)
    return kept, np.where(selective, kept, by_chance)
