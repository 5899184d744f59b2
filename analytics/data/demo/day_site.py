"""Draw the contract's `day_site` design: days first, then sites within the day by their weight."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analytics.data.demo.sampling import SampleOptions, rank_within, sample_at

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.data.demo.places import Sound
    from analytics.data.demo.population import Population
    from analytics.data.demo.sampling import Sample


@dataclass(frozen=True, slots=True, kw_only=True)
class DayOptions:
    """How hard the samplers of a `day_site` design work.

    Parameters
    ----------
    days_low, days_high : int
        Days of a stratum are as likely any number from low to high (never more than there are).
    certain_groups : tuple of int
        Day groups of which every day is taken, as indices in the opening's `day_groups`.
    sites : int
        Sites drawn on each day (never more than the area has).
    boats : SampleOptions
        What is done at a site; its number of site-days plays no part.
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

    Parameters
    ----------
    sound : Sound
        The settings.
    population : Population
        The season to sample.
    rng : numpy.random.Generator
        The only source of chance.
    options : DayOptions, optional
        How hard the samplers work.

    Returns
    -------
    Sample
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
