"""Interviews of convenience: the contract's `opportunistic` design, without a site-day drawn."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analytics.data.demo.sampling import (
    Sample,
    SampleOptions,
    interview_ids,
    interviews_table,
    site_day_ids,
)

if TYPE_CHECKING:
    from analytics.data.demo.places import Sound
    from analytics.data.demo.population import Population


@dataclass(frozen=True, slots=True, kw_only=True)
class ConvenienceOptions:
    """Where a passer-by happens to ask.

    Parameters
    ----------
    site_day_prop : float
        Chance of each site-day to be visited; it knows nothing of the catch.
    boat_prop : float
        Chance of each boat there to be asked. It does not fall on crowded days, so the boats asked
        are a fair sample of all boats and their rates aim at the rates of the season.
    boats : SampleOptions
        What is recorded of a boat; the numbers of site-days and boats in it play no part.
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

    Parameters
    ----------
    sound : Sound
        The settings.
    population : Population
        The season to sample.
    rng : numpy.random.Generator
        The only source of chance.
    options : ConvenienceOptions, optional
        How much is asked.

    Returns
    -------
    Sample
        Its tables hold ``interviews`` only, with ``site`` and ``date`` and a null ``sample_id``.
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
