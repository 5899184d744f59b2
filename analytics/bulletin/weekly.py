"""The main job: result rows of a season by marine area and week, each with its error."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analytics.bulletin.figures import catch_figures, death_figures, finished, mark_figures
from analytics.errors import WrongUse
from analytics.fish.marks import MARK_QUANTITIES, mark_analysis, mark_measures
from analytics.fish.release_deaths import DeathPlan, plan_deaths
from analytics.survey.borrow import Plans
from analytics.survey.build import build_design, seasons_with_data
from analytics.survey.measures import catch_analyses, catch_measures
from analytics.survey.reach import Domains
from analytics.survey.reduce import Reduction
from analytics.survey.totals import domain_totals
from analytics.table import RESULT_COLUMNS, to_arrow, to_frame
from analytics.units import QUANTITIES, Kind

if TYPE_CHECKING:
    from analytics.survey.design import Design
    from collections.abc import Iterator, Mapping, Sequence

    import pandas as pd

    from analytics.data.snapshot import Snapshot
    from analytics.data.store import Store
    from analytics.survey.reduce import Analysis

Row = dict[str, Any]

#: The domains a bulletin carries: every choice of columns of the contract.
LEVELS: tuple[tuple[str, ...], ...] = (("area", "week"), ("area",), ("week",), ("season",))


@dataclass(frozen=True, slots=True, eq=False)
class Season:
    """One season, reduced once and ready for estimates at any level.

    Parameters
    ----------
    design : Design
    plans : Plans
        How thin strata are treated.
    deaths : DeathPlan
    analyses : mapping of str to Analysis
        The analysis behind every quantity.
    reduction : Reduction
        Sums of every analysis by site-day and area fished.
    """

    design: Design
    plans: Plans
    deaths: DeathPlan
    analyses: Mapping[str, Analysis]
    reduction: Reduction


def estimate(
    store: Store,
    *,
    season: str | None = None,
    by: Sequence[str] = ("area", "week"),
    level: float = 0.95,
    through: str | None = None,
    as_of: int | None = None,
) -> pd.DataFrame:
    """Estimate every quantity of the contract for the domains asked.

    Parameters
    ----------
    store : Store
    season : str, optional
        By default the latest season with a sampled site-day.
    by : sequence of str
        ``area``, ``week``, both, or ``season`` alone.
    level : float
        Confidence level, strictly between 0 and 1.
    through : str, optional
        Last ISO week, such as ``2031-W05``; by default the last with a sampled site-day.
    as_of : int, optional
        An earlier version of the store.

    Returns
    -------
    pandas.DataFrame
        Result rows (contract, section 2).

    Raises
    ------
    WrongUse
        If the season, a word of `by`, the level or the version is unknown.
    DataRefused
        If the stored tables contradict each other.
    """
    return estimate_snapshot(
        store.snapshot(as_of=as_of), season=season, by=by, level=level, through=through
    )


def estimate_snapshot(
    snapshot: Snapshot,
    *,
    season: str | None = None,
    by: Sequence[str] = ("area", "week"),
    level: float = 0.95,
    through: str | None = None,
) -> pd.DataFrame:
    """Estimate as `estimate`, from tables held in memory."""
    prepared = prepare(snapshot, season=season, through=through)
    return to_frame(to_arrow(list(result_rows(prepared, by=by, level=level))))


def prepare(snapshot: Snapshot, *, season: str | None = None, through: str | None = None) -> Season:
    """Build the design of a season and reduce its interviews, once for every level.

    Parameters
    ----------
    snapshot : Snapshot
    season, through : str, optional
        As in `estimate`.

    Returns
    -------
    Season

    Raises
    ------
    WrongUse, DataRefused
        As in `estimate`.
    """
    if season is None:
        known = seasons_with_data(snapshot)
        if not known:
            raise WrongUse("the store holds no season yet; import areas, sites, seasons, site_days")
        season = known[-1]
    design = build_design(snapshot, season=season, through=through)
    interviews = snapshot["interviews"]
    deaths = plan_deaths(interviews, snapshot["release_rates"], snapshot["drop_off"])
    analyses = _analyses(deaths)
    reduction = Reduction(
        interviews,
        design=design,
        measures=catch_measures() | mark_measures() | deaths.measures,
        analyses=analyses.values(),
    )
    return Season(design, Plans(design), deaths, analyses, reduction)


def _analyses(deaths: DeathPlan) -> dict[str, Analysis]:
    of_deaths = [name for name, one in QUANTITIES.items() if one.kind is Kind.DEATHS]
    return (
        catch_analyses()
        | dict.fromkeys(MARK_QUANTITIES, mark_analysis())
        | dict.fromkeys(of_deaths, deaths.analysis)
    )


def result_rows(season: Season, *, by: Sequence[str], level: float) -> Iterator[Row]:
    """Yield the result rows of one level, every quantity for every domain.

    Parameters
    ----------
    season : Season
    by : sequence of str
        ``area``, ``week``, both, or ``season`` alone.
    level : float
        Confidence level.

    Yields
    ------
    dict
        One result row, None for null.

    Raises
    ------
    WrongUse
        If `by` or `level` is not allowed.
    """
    words = tuple(by.split(",")) if isinstance(by, str) else tuple(by)
    if set(words) not in [set(one) for one in LEVELS] or len(set(words)) != len(words):
        raise WrongUse(f"by {','.join(words)!r}: allowed are area,week or area or week or season")
    if not 0 < level < 1:
        raise WrongUse(f"level {level}: a confidence level lies between 0 and 1, such as 0.95")
    domains = Domains("area" in words, "week" in words, len(season.design.weeks))
    for name, quantity in QUANTITIES.items():
        moments = season.reduction.moments(season.analyses[name])
        totals = domain_totals(season.design, moments, domains, plans=season.plans)
        if quantity.kind is Kind.DEATHS:
            figures = death_figures(season.deaths, name, totals)
        elif name in MARK_QUANTITIES:
            figures = mark_figures(name, totals)
        else:
            figures = catch_figures(quantity.kind, totals)
        if not moments.n.sum() and bool((season.design.site_days.boats_returned > 0).any()):
            figures = figures.withheld("not recorded in any interview")
        for place, code in enumerate(totals.code):
            domain = domains.cell(int(code))
            yield dict.fromkeys(RESULT_COLUMNS) | {
                **_names(season.design, *domain),
                "quantity": name,
                "unit": quantity.unit,
                **finished(season.design, totals, figures, place, area=domain[0], level=level),
            }


def _names(design: Design, area: int | None, week: int | None) -> Row:
    return {
        "season": design.season,
        "area": None if area is None else design.areas[area],
        "week": None if week is None else design.weeks[week],
    }
