"""Every boat trip of one season in an invented sound, what was caught and reported, and the truth.

The known truth is in the quantities of the result rows, for every domain.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.quantities import QUANTITIES, RATIOS, QuantityKind

if TYPE_CHECKING:
    from collections.abc import Iterable

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


#: What happened; and what every crew of the population would have reported, which is what an
#: estimator from interviews aims at.
TRUE, AS_REPORTED = "true", "as_reported"

DOMAINS: tuple[tuple[str, ...], ...] = ((), ("area",), ("week",), ("area", "week"))

#: The marked share is over counts that are no quantities of their own.
_RATIOS = RATIOS | {"marked_prop": ("_marked", "_sized")}


def truth_rows(
    sound: Sound, population: Population, *, through: str | None = None, boats: Ints | None = None
) -> pd.DataFrame:
    """Return the true value of every quantity that can be known, in every domain, through a week.

    Each trip stands for one boat, or for the number in `boats` (T,): the truth is then over all
    boats, those that land at no listed ramp too. Columns are ``season, area, week, through,
    quantity, unit, basis, value``; a domain column that does not apply is null. `basis` is ``true``
    or ``as_reported``; deaths are known on the true basis only. The area is the area fished. Only
    area-weeks with an open day have a row. A quantity of the registry without a truth here is a
    `LookupError`.
    """
    through = through or population.frame.weeks[-1]
    frames = [
        _of_domain(trips, domain).assign(basis=basis)
        for basis, trips in _trip_frames(sound, population, through, boats).items()
        for domain in DOMAINS
    ]
    rows = pd.concat(frames, ignore_index=True)
    _require_all(rows["quantity"].unique())
    rows["season"], rows["through"] = population.frame.season, through
    rows["unit"] = rows["quantity"].map({name: item.unit for name, item in QUANTITIES.items()})
    columns = ["season", "area", "week", "through", "quantity", "unit", "basis", "value"]
    return rows[columns].sort_values(columns[:-1], na_position="first", ignore_index=True)


def _require_all(known: Iterable[str]) -> None:
    """Refuse a registry with a quantity, other than deaths, that no trip-level value gives."""
    required = {name for name, one in QUANTITIES.items() if one.kind is not QuantityKind.DEATHS}
    if missing := sorted(required.difference(known)):
        raise LookupError(f"no truth is simulated for {', '.join(missing)}")


def season_truth(
    population: Population, *, basis: str = AS_REPORTED, boats: Ints | None = None
) -> dict[str, float]:
    """Return the whole season's value of every quantity by its name (quick; for simulations).

    `boats` is as in `truth_rows`.
    """
    values = _totals(population, basis, boats)
    totals = {name: float(each.sum()) for name, each in values.items()}
    totals |= {name: totals[top] / totals[base] for name, (top, base) in _RATIOS.items()}
    return {name: value for name, value in totals.items() if name in QUANTITIES}


def trend_rows(sound: Sound, population: Population) -> pd.DataFrame:
    """Return the expected catch rate behind the season, by area and week open.

    Columns are ``season, area, week, expected_encounters_per_angler_hour``: the model's mean for an
    average day, site and crew that trolls; sampling and chance play no part in it.
    """
    frame = population.frame
    trolling = sound.habits.method_rate[1]
    found = [
        {
            "season": frame.season,
            "area": area,
            "week": week,
            "expected_encounters_per_angler_hour": trolling
            * population.water.encounters_per_angler_hour[index, frame.week_index[days[0]]],
        }
        for index, area in enumerate(sound.area_ids)
        for week in frame.weeks
        if len(days := np.flatnonzero(frame.is_open[index] & (frame.week == week)))
    ]
    return pd.DataFrame(found)


def _totals(population: Population, basis: str, boats: Ints | None) -> dict[str, Floats]:
    """Return the trip-level values behind every total, arrays of shape (T,)."""
    catch = population.true if basis == TRUE else population.reported
    values = _effort(population, catch) | _chinook(catch)
    if basis == TRUE:
        values["release_deaths_fish"] = population.release_deaths.astype(float)
        values["drop_off_deaths_fish"] = population.drop_off_deaths.astype(float)
        values["total_deaths_fish"] = (
            values["kept_fish"] + values["release_deaths_fish"] + values["drop_off_deaths_fish"]
        )
    if boats is None:
        return values
    return {name: value * boats for name, value in values.items()}


def _effort(population: Population, catch: Catch) -> dict[str, Floats]:
    anglers = population.trips.anglers.astype(float)
    return {
        "boat_trips": np.ones_like(anglers),
        "angler_trips": anglers,
        "angler_hours": anglers * catch.hours,
    }


def _chinook(catch: Catch) -> dict[str, Floats]:
    released = catch.legal + catch.sublegal + catch.unknown
    legal_marked = catch.kept_marked + catch.legal_marked
    counts = {
        "kept_fish": catch.kept,
        "released_legal_fish": catch.legal,
        "released_sublegal_fish": catch.sublegal,
        "released_unknown_fish": catch.unknown,
        "released_fish": released,
        "encounter_fish": catch.kept + released,
        "encounter_legal_marked_fish": legal_marked,
        "encounter_legal_unmarked_fish": catch.kept + catch.legal - legal_marked,
        "encounter_sublegal_marked_fish": catch.sublegal_marked,
        "encounter_sublegal_unmarked_fish": catch.sublegal - catch.sublegal_marked,
        "_marked": legal_marked + catch.sublegal_marked,
        "_sized": catch.kept + catch.legal + catch.sublegal,  # of unknown size, no mark is given
    }
    return {name: count.astype(float) for name, count in counts.items()}


def _trip_frames(
    sound: Sound, population: Population, through: str, boats: Ints | None
) -> dict[str, pd.DataFrame]:
    """Return trip-level values with area and week, plus a row of zeros for every open area-week."""
    frame = population.frame
    codes = pd.DataFrame(
        {
            "area": np.array(sound.area_ids)[population.trips.area],
            "week": frame.week[frame.day[population.trips.unit]],
        }
    )
    area, day = np.nonzero(frame.is_open)
    grid = pd.DataFrame({"area": np.array(sound.area_ids)[area], "week": frame.week[day]})
    frames = {}
    for basis in (TRUE, AS_REPORTED):
        trips = codes.assign(**_totals(population, basis, boats))
        both = pd.concat([trips, grid.drop_duplicates()], ignore_index=True)
        values = both.columns.difference(["area", "week"])
        frames[basis] = both[both["week"] <= through].fillna(dict.fromkeys(values, 0.0))
    return frames


def _of_domain(trips: pd.DataFrame, domain: tuple[str, ...]) -> pd.DataFrame:
    """Return the long form of totals and ratios by domain; a ratio over nothing is null."""
    values = trips.columns.difference(["area", "week"]).tolist()
    wide = (
        trips.groupby(list(domain), as_index=False)[values].sum()
        if domain
        else trips[values].sum().to_frame().T
    )
    for name, (top, base) in _RATIOS.items():
        wide[name] = wide[top] / wide[base].where(wide[base] > 0)
    long = wide.drop(columns=["_marked", "_sized"]).melt(
        id_vars=list(domain), var_name="quantity", value_name="value"
    )
    for name in ("area", "week"):
        if name not in domain:
            long[name] = None
    return long.astype({"area": "str", "week": "str"}).replace({"None": None})
