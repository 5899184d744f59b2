"""Seasons of known truth sampled by each design, in an area small enough for hundreds of them.

One area of four ramps, twenty whole weeks with four holidays. A case says how samplers work, what
the estimator is given, and which quantities it must hold. Many seasons are estimated in one run,
each as an area of its own, which shares nothing with the others.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache, partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from analytics.data.snapshot import Snapshot
from analytics.estimates.estimate import estimate_snapshot
from analytics.simulation.fishery import season_truth, simulate_population
from analytics.simulation.reference_tables import Frame, reference_tables, season_frame
from analytics.simulation.sampling import SampleOptions, coverage_table, draw_sample
from analytics.simulation.scenario import Opening, demo_sound
from tests.simulation.samplers import (
    CountOptions,
    DayOptions,
    draw_convenience_sample,
    draw_day_site_sample,
    random_counts_table,
    simulate_unlisted_landings,
)
from tests.simulation.seasons import QUANTITIES, RESULT, SEASON, in_processes

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from analytics.simulation.fishery import Population
    from analytics.simulation.scenario import Sound
    from tests.simulation.samplers import UnlistedLandings

    Tables = dict[str, pa.Table]
    Draw = Callable[[Sound, Population, UnlistedLandings, np.random.Generator], Tables]

TOTALS = tuple(name for name in QUANTITIES if name.endswith(("_fish", "_hours")))
RATES = (
    "encounters_per_angler_hour",
    "kept_per_angler_trip",
    "sublegal_prop",
    "marked_prop",
)
WEEKENDS, EACH_DAY = "12345|67", "1234|5|6|7"


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One design and what is asked of it.

    Parameters
    ----------
    words : str
        What the table calls it.
    draw : callable
        From a season to the sampled tables.
    design, day_groups : str
        As the season rows say.
    told : mapping of str to object
        Further arguments of `estimate_snapshot`.
    quantities : tuple of str
        What is looked at.
    of_all_boats : bool
        The truth is over all boats, those that land elsewhere too.
    is_bound : bool
        The variance is said to be an upper bound: intervals may hold more often than they say.
    """

    words: str
    draw: Draw
    design: str = "site_day"
    day_groups: str = WEEKENDS
    told: Mapping[str, Any] = field(default_factory=dict)
    quantities: tuple[str, ...] = QUANTITIES
    of_all_boats: bool = False
    is_bound: bool = False


def _site_day(
    sound: Sound,
    population: Population,
    unlisted: UnlistedLandings,
    rng: np.random.Generator,
    *,
    options: SampleOptions,
) -> Tables:
    return draw_sample(sound, population, rng=rng, options=options).tables


def _day_site(
    sound: Sound,
    population: Population,
    unlisted: UnlistedLandings,
    rng: np.random.Generator,
    *,
    options: DayOptions,
) -> Tables:
    return draw_day_site_sample(sound, population, rng=rng, options=options).tables


def _convenience(
    sound: Sound, population: Population, unlisted: UnlistedLandings, rng: np.random.Generator
) -> Tables:
    return draw_convenience_sample(sound, population, rng=rng).tables


def _with_counts(
    sound: Sound, population: Population, unlisted: UnlistedLandings, rng: np.random.Generator
) -> Tables:
    counts = random_counts_table(sound, population, unlisted, rng=rng, options=COUNTS)
    tables = _site_day(sound, population, unlisted, rng, options=RATED)
    return {**tables, "boat_counts": counts}


def _with_contacts(
    sound: Sound, population: Population, unlisted: UnlistedLandings, rng: np.random.Generator
) -> Tables:
    contacts = coverage_table(sound, population, unlisted.fleet, rng=rng)
    return {**_site_day(sound, population, unlisted, rng, options=PLAIN), "coverage": contacts}


def days_then_sites(sites: int, **how: Any) -> Draw:
    """Draw some sites on each day drawn; `how` is as in `DayOptions`."""
    return partial(_day_site, options=DayOptions(sites=sites, **how))


PLAIN = SampleOptions(units_low=2, units_high=4)
RATED = SampleOptions(units_low=4, units_high=6)  # a rate is taken of each week on its own
THIN = SampleOptions(units_low=1, units_high=3, one_unit_prop=0.15, no_unit_prop=0.08)
COUNTS = CountOptions()

CASES: dict[str, Case] = {
    "site_day": Case(words="site-days", draw=partial(_site_day, options=PLAIN)),
    "thin": Case(
        words="site-days, many strata with one and some with none",
        draw=partial(_site_day, options=THIN),
        is_bound=True,  # collapsed strata count the difference of their means as error
    ),
    "day_site_1": Case(
        words="days, then one site", draw=days_then_sites(1), design="day_site", is_bound=True
    ),
    "day_site_2": Case(words="days, then two sites", draw=days_then_sites(2), design="day_site"),
    "day_site_3": Case(
        words="days, then three of four sites", draw=days_then_sites(3), design="day_site"
    ),
    "each_day": Case(
        words="Friday, Saturday and Sunday always, two of Monday to Thursday; two sites",
        draw=days_then_sites(2, days_high=2, certain_groups=(1, 2, 3)),
        design="day_site",
        day_groups=EACH_DAY,
    ),
    "opportunistic": Case(
        words="interviews of convenience",
        draw=_convenience,
        design="opportunistic",
        quantities=RATES,
    ),
    "counts": Case(
        words="effort from counts, rates from site-days",
        draw=_with_counts,
        told={"effort": "counts", "day_hours": COUNTS.hours},
        of_all_boats=True,
    ),
    "expanded": Case(
        words="site-days expanded to boats that land elsewhere",
        draw=_with_contacts,
        told={"expand": True},
        of_all_boats=True,
    ),
}


#: Seasons estimated in one run of the program.
BATCH = 25
#: Columns that name things of one season.
_KEYS = ("area", "site", "sample_id", "interview_id", "count_id")


@lru_cache(maxsize=4)
def quick_place(design: str, day_groups: str) -> tuple[Sound, Frame, Tables]:
    """Build the small sound, its frame and its reference tables."""
    opening = Opening(start=(11, 4), end=(3, 23), day_groups=day_groups, design=design)
    whole = demo_sound()
    area = replace(whole.areas[0], openings=(opening,), neighbours=())
    ramps = tuple(ramp for ramp in whole.ramps if ramp.area == area.area)
    sound = replace(whole, areas=(area,), ramps=ramps, seasons=(whole.season(SEASON),))
    return sound, season_frame(sound, SEASON), reference_tables(sound)


def simulated(name: str, seed: int, number: int) -> tuple[Tables, dict[str, float]]:
    """Simulate a season and sample it by the case's design: its tables and its truth."""
    case = CASES[name]
    sound, frame, reference = quick_place(case.design, case.day_groups)
    rng = np.random.default_rng([seed, number])
    population = simulate_population(sound, frame, rng=rng)
    unlisted = simulate_unlisted_landings(sound, population, rng=rng, day_spread=0.4)
    tables = {**reference, **case.draw(sound, population, unlisted, rng)}
    truth = season_truth(population, boats=unlisted.boats if case.of_all_boats else None)
    return {each: _named(table, f"{number:05d}") for each, table in tables.items()}, truth


def _named(table: pa.Table, season: str) -> pa.Table:
    """Return a table whose keys are those of one simulated season only."""
    for name in set(_KEYS) & set(table.column_names):
        place = table.column_names.index(name)
        own = pc.binary_join_element_wise(season, table[name], "-")
        table = table.set_column(place, table.schema.field(place), own)
    return table


def estimated(name: str, seed: int, numbers: Sequence[int]) -> pd.DataFrame:
    """Estimate some seasons in one run: the rows of each, with their truth."""
    parts, truths = zip(*(simulated(name, seed, number) for number in numbers), strict=True)
    tables = {
        each: parts[0][each]
        if each == "holidays"
        else pa.concat_tables([part[each] for part in parts])
        for each in parts[0]
    }
    told = CASES[name].told
    rows = estimate_snapshot(Snapshot.of(tables), season=SEASON, by=("area",), **told)
    known = rows.loc[rows["quantity"].isin(truths[0]), list(RESULT)]
    truth_of = dict(zip(numbers, truths, strict=True))
    pairs = zip(known["area"].str[:5].astype(int), known["quantity"], strict=True)
    return known.assign(truth=[truth_of[number][quantity] for number, quantity in pairs])


def simulate_design(name: str, *, n_seasons: int, seed: int, processes: int = 1) -> pd.DataFrame:
    """Return the rows of every season of a case; the same whatever the number of processes."""
    return in_processes(partial(several, name, seed), n_seasons, processes)


def several(name: str, seed: int, numbers: Sequence[int]) -> pd.DataFrame:
    """Estimate seasons, a batch at a time."""
    starts = range(0, len(numbers), BATCH)
    return pd.concat([estimated(name, seed, numbers[at : at + BATCH]) for at in starts])
