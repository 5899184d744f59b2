"""Releases and losses of a season by size class and fishing method, made ready for its tables."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics.fish.death_plan import plan_deaths
from analytics.fish.rate_choice import ANY
from analytics.survey.convenience import clusters_of, convenience_design, met_by_convenience
from analytics.survey.reach import Domains
from analytics.survey.reduce import Reduction
from analytics.survey.ways import Drawn, Met

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analytics.bulletin.prepare import Season
    from analytics.data.snapshot import Snapshot
    from analytics.fish.fish_by_rate import FishByRate
    from analytics.fish.release_deaths import DeathPlan, Group
    from analytics.survey.totals import DomainTotals
    from analytics.survey.ways import Way

    Row = dict[str, Any]

#: What a table says of a fishing method that the boat did not tell; null is all methods.
NOT_TOLD = "not told"
#: Domains of the tables: each area, and all together.
BY_AREA = (False, True)


@dataclass(frozen=True, slots=True, eq=False)
class DeathSums:
    """A season's fish by size class and method, in one pass over its interviews.

    Parameters
    ----------
    plan : DeathPlan
        In detail: no two size classes or methods together.
    ways : tuple of Way
        Where totals come from; the first that tells a domain is taken.
    """

    plan: DeathPlan
    ways: tuple[Way, ...]

    def totals(self, season: Season) -> Iterator[tuple[DomainTotals, Domains, dict[int, int]]]:
        """Yield totals with the domains that each alone tells: places by code of the area."""
        for by_area in BY_AREA:
            domains = Domains(by_area, by_week=False, n_weeks=len(season.design.weeks))
            told: set[int] = set()
            for way in self.ways:
                totals = way.totals(self.plan.analysis, domains)
                places = {
                    code: place
                    for place, code in enumerate(totals.code.tolist())
                    if code not in told
                }
                told |= set(places)
                yield totals, domains, places


@dataclass(frozen=True, slots=True, eq=False)
class RowsOfAreas:
    """What the rows of each domain of some totals are made from.

    Parameters
    ----------
    plan : DeathPlan
    season : Season
    totals : DomainTotals
    found : FishByRate
        The fish of each rate in those totals.
    level : float
    """

    plan: DeathPlan
    season: Season
    totals: DomainTotals
    found: FishByRate
    level: float

    def at(self, place: int, area: int | None) -> Iterator[Row]:
        """Yield the rows of one domain, without season, area and level."""
        raise NotImplementedError


def table_of_areas(
    sums: DeathSums,
    season: Season,
    *,
    level: float,
    rows_of: type[RowsOfAreas],
    schema: pa.Schema,
) -> pa.Table:
    """Return the rows of all areas together, then those of each area."""
    rows: list[tuple[str, Row]] = []
    for totals, domains, places in sums.totals(season):
        found = sums.plan.fish(totals.total, totals.cov_of_sums)
        made = rows_of(sums.plan, season, totals, found, level)
        for code, place in places.items():
            area = domains.cell(code)[0]
            name = None if area is None else season.design.areas[area]
            first: Row = {"basis": "reported", "season": season.design.season, "area": name}
            first |= {"ci_level": level}
            rows += [(name or "", first | row) for row in made.at(place, area)]
    rows.sort(key=lambda pair: pair[0])
    named = [{name: row.get(name) for name in schema.names} for _, row in rows]
    return pa.Table.from_pylist(named, schema)


def death_sums(snapshot: Snapshot, season: Season) -> DeathSums:
    """Reduce the interviews of a season to the sums that deaths by class need.

    Parameters
    ----------
    snapshot : Snapshot
    season : Season
        Prepared from it; its design and its rules for thin strata are used.

    Returns
    -------
    DeathSums
    """
    interviews = snapshot.source("interviews")
    rates, drop_off = snapshot["release_rates"], snapshot["drop_off"]
    met = met_by_convenience(snapshot, season=season.design.season)
    plan = plan_deaths(interviews, rates, drop_off, detail=True, unsized=season.deaths.unsized)
    reduced = partial(Reduction, measures=plan.measures, analyses=[plan.analysis])
    ways: list[Way] = [
        Drawn(season.design, season.plans, reduced(interviews, design=season.design))
    ]
    if len(met):
        by_day = convenience_design(season.design, clusters_of(met))
        ways.insert(0, Met(by_day, reduced(met, design=by_day)))
    return DeathSums(plan, tuple(ways))


def method_of(group: Group) -> str | None:
    """Return the fishing method of a group as a table tells it, None for all."""
    if group.size_class == ANY and not group.methods:
        return None
    return " or ".join(sorted(NOT_TOLD if one is None else one for one in group.methods))
