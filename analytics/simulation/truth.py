"""The known truth of a simulated season, in the quantities of the result rows, for every domain."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.quantities import QUANTITIES, RATIOS, QuantityKind

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analytics.arrays import Floats, Ints
    from analytics.simulation.fishery import Catch, Population
    from analytics.simulation.scenario import Sound

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
