"""What is seen on the water: boats counted at a moment, boats asked where they land, other fish."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa

from analytics.data.calendar import daylight_hours
from analytics.simulation.sampling import in_schema, rank_within

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.arrays import Floats, Ints
    from analytics.simulation.fishery import Population
    from analytics.simulation.sampling import Sample
    from analytics.simulation.scenario import Sound


_COUNTS_A_WEEK, _CONTACT_DAYS_A_WEEK, _MOST_CONTACTS = 2, 1, 25
#: Counts fall on the middles of as many equal parts of the daylight, which lies around noon.
_MOMENTS, _NOON = 16, 12.0

#: Bycatch per angler-hour (trolling), factors of each method on it, and share kept; chosen for the
#: demo, the species are those common near the bottom (common practice, no source).
_SPECIES: dict[str, tuple[float, tuple[float, ...], float]] = {
    "dogfish": (0.05, (1.6, 1.0, 0.6), 0.0),
    "flatfish": (0.025, (1.0, 0.8, 2.0), 0.35),
    "sculpin": (0.02, (1.0, 0.7, 2.2), 0.05),
}


@dataclass(frozen=True, slots=True, eq=False)
class Fleet:
    """Boats by area fished and day, arrays of shape (A, D): to listed ramps, and to others."""

    listed: Ints
    unlisted: Ints


def simulate_fleet(sound: Sound, population: Population, *, rng: np.random.Generator) -> Fleet:
    """Add the boats that land where no sampler stands to those of the population."""
    shape = population.frame.is_open.shape
    day = population.frame.day[population.trips.unit]
    code = population.trips.area * shape[1] + day
    listed = np.bincount(code, minlength=shape[0] * shape[1]).reshape(shape)
    prop = np.array([area.listed_prop for area in sound.areas])[:, None]
    return Fleet(listed=listed, unlisted=rng.poisson(listed * (1 - prop) / prop))


def boat_counts_table(
    sound: Sound,
    population: Population,
    fleet: Fleet,
    *,
    rng: np.random.Generator,
    through: str | None = None,
) -> pa.Table:
    """Return instantaneous counts: two open days an area and week, at random in daylight."""
    area, day = _days(population, _COUNTS_A_WEEK, rng, through)
    trips, frame = population.trips, population.frame
    light = _daylight(sound, area, frame.dates[day])
    part = (rng.integers(0, _MOMENTS, len(area)) + 0.5) / _MOMENTS
    minutes = np.rint(60 * (_NOON + (part - 0.5) * light)).astype(np.int64)
    n_days = len(frame.dates)
    fishing = np.zeros(len(area), dtype=np.int64)
    code = trips.area * n_days + frame.day[trips.unit]
    for row, (where, when) in enumerate(zip(area * n_days + day, minutes / 60, strict=True)):
        mine = code == where
        start = trips.start_hour[mine]
        fishing[row] = ((start <= when) & (when < start + population.true.hours[mine])).sum()
    share = fishing / np.maximum(fleet.listed[area, day], 1)
    boats = fishing + rng.binomial(fleet.unlisted[area, day], share)
    times = np.array([f"{one // 60:02d}:{one % 60:02d}" for one in minutes])
    areas, dates = np.array(sound.area_ids)[area], frame.dates[day]
    stem = np.char.add(np.char.add(areas, "-"), dates.astype(str))
    columns = {
        "count_id": np.char.add(np.char.add(stem, "-"), np.char.replace(times, ":", "")),
        "area": areas,
        "date": dates,
        "time": times,
        "boats": boats,
    }
    return in_schema("boat_counts", columns)


def _daylight(sound: Sound, area: Ints, dates: NDArray[np.datetime64]) -> Floats:
    """Return the hours of daylight at an area's ramps on each day."""
    ids = np.array(sound.area_ids)
    latitude = {
        one: np.mean([ramp.latitude for ramp in sound.ramps if ramp.area == one]) for one in ids
    }
    hours = [
        daylight_hours(float(latitude[ids[where]]), pd.Timestamp(day))
        for where, day in zip(area, dates, strict=True)
    ]
    return np.array(hours)


def coverage_table(
    sound: Sound,
    population: Population,
    fleet: Fleet,
    *,
    rng: np.random.Generator,
    through: str | None = None,
) -> pa.Table:
    """Return on-water contacts: one open day an area and week, at most 25 boats of those out."""
    area, day = _days(population, _CONTACT_DAYS_A_WEEK, rng, through)
    listed, unlisted = fleet.listed[area, day], fleet.unlisted[area, day]
    contacted = np.minimum(listed + unlisted, _MOST_CONTACTS)
    columns = {
        "area": np.array(sound.area_ids)[area],
        "date": population.frame.dates[day],
        "boats_contacted": contacted,
        "boats_to_listed_sites": rng.hypergeometric(listed, unlisted, contacted),
    }
    return in_schema("coverage", columns)


def simulate_bycatch(
    population: Population, *, rng: np.random.Generator
) -> dict[str, tuple[Ints, Ints]]:
    """Return fish kept and released by species, each of shape (T,), for every boat trip."""
    trips = population.trips
    hours = trips.anglers * population.true.hours
    found = {}
    for species, (rate, by_method, kept_prop) in _SPECIES.items():
        uneven = rng.gamma(0.6, 1 / 0.6, len(hours))
        met = rng.poisson(rate * np.array(by_method)[trips.method] * hours * uneven)
        kept = rng.binomial(met, kept_prop)
        found[species] = (kept, met - kept)
    return found


def bycatch_table(sample: Sample, bycatch: dict[str, tuple[Ints, Ints]]) -> pa.Table:
    """Return the `bycatch` rows of the interviewed trips; a boat without a row met none."""
    parts = []
    for species, (kept, released) in bycatch.items():
        met = np.flatnonzero((kept + released)[sample.trips])
        columns = {
            "interview_id": sample.interview_id[met],
            "species": np.full(len(met), species),
            "kept": kept[sample.trips][met],
            "released": released[sample.trips][met],
        }
        parts.append(in_schema("bycatch", columns))
    return pa.concat_tables(parts)


def bycatch_truth(
    sound: Sound, population: Population, bycatch: dict[str, tuple[Ints, Ints]]
) -> pd.DataFrame:
    """Return true bycatch: ``season, area, species, kept_fish, released_fish``."""
    parts = []
    for species, (kept, released) in bycatch.items():
        frame = pd.DataFrame(
            {"area": population.trips.area, "kept_fish": kept, "released_fish": released}
        )
        parts.append(frame.groupby("area", as_index=False).sum().assign(species=species))
    rows = pd.concat(parts, ignore_index=True)
    rows["area"] = np.array(sound.area_ids)[rows["area"]]
    rows["season"] = population.frame.season
    return rows[["season", "area", "species", "kept_fish", "released_fish"]]


def fleet_truth(sound: Sound, population: Population, fleet: Fleet) -> pd.DataFrame:
    """Return true boats by area fished: ``season, area, boats_listed, boats_unlisted``."""
    return pd.DataFrame(
        {
            "season": population.frame.season,
            "area": sound.area_ids,
            "boats_listed": fleet.listed.sum(axis=1),
            "boats_unlisted": fleet.unlisted.sum(axis=1),
        }
    )


def _days(
    population: Population, n_days: int, rng: np.random.Generator, through: str | None
) -> tuple[Ints, Ints]:
    """Return areas and days of `n_days` random open days an area and week."""
    frame = population.frame
    area, day = np.nonzero(frame.is_open)
    if through is not None:
        early = frame.week[day] <= through
        area, day = area[early], day[early]
    cell = area * (int(frame.week_index[-1]) + 1) + frame.week_index[day]
    sampled = rank_within(cell, rng) < n_days
    return area[sampled], day[sampled]
