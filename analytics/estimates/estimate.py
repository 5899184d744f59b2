"""The main job: result rows of a season by marine area and week, each with its error."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analytics.errors import UsageError
from analytics.estimates.result_rows import (
    catch_figures,
    death_figures,
    domain_names,
    not_recorded,
    result_row,
)
from analytics.estimates.season_survey import SeasonSurvey, known_totals, prepare_survey
from analytics.estimates.size_mark_classes import MarkFigures
from analytics.fish.mark_composition import MARK_QUANTITIES, mark_measures
from analytics.quantities import QUANTITIES, QuantityKind
from analytics.result_table import RESULT_COLUMNS, to_arrow, to_frame
from analytics.settings import EffortSource, EstimationSettings, FishBasis, ThinStrataPolicy
from analytics.survey.domains import Domains
from analytics.survey.reduction import catch_measures

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import pandas as pd

    from analytics.data.snapshot import Snapshot
    from analytics.data.store import Store
    from analytics.estimates.result_rows import DomainEstimates
    from analytics.survey.domain_totals import DomainTotals

Row = dict[str, Any]

#: The domains a bulletin carries: every choice of domain columns.
LEVELS: tuple[tuple[str, ...], ...] = (("area", "week"), ("area",), ("week",), ("season",))


def estimate(
    store: Store,
    *,
    season: str | None = None,
    by: Sequence[str] = ("area", "week"),
    level: float = 0.95,
    through: str | None = None,
    as_of: int | None = None,
    thin: str = ThinStrataPolicy.BORROW,
    effort: str = EffortSource.INTERVIEWS,
    expand: bool = False,
    day_hours: float | None = None,
    classes: str = FishBasis.SAMPLE_FIRST,
) -> pd.DataFrame:
    """Estimate every quantity for the domains asked.

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
    thin, effort, expand, day_hours, classes : optional
        As of `analytics.settings.EstimationSettings`.

    Returns
    -------
    pandas.DataFrame
        Result rows, in `RESULT_SCHEMA`.

    Raises
    ------
    UsageError
        If the season, a word of `by`, `thin`, `effort` or `classes`, the level or the version is
        unknown, or there is no boat count or no coverage where one is asked for.
    DataRefused
        If the stored tables contradict each other.
    """
    return estimate_snapshot(
        store.snapshot(as_of=as_of),
        season=season,
        by=by,
        level=level,
        through=through,
        thin=thin,
        effort=effort,
        expand=expand,
        day_hours=day_hours,
        classes=classes,
    )


def estimate_snapshot(
    snapshot: Snapshot,
    *,
    season: str | None = None,
    by: Sequence[str] = ("area", "week"),
    level: float = 0.95,
    through: str | None = None,
    thin: str = ThinStrataPolicy.BORROW,
    effort: str = EffortSource.INTERVIEWS,
    expand: bool = False,
    day_hours: float | None = None,
    classes: str = FishBasis.SAMPLE_FIRST,
) -> pd.DataFrame:
    """Estimate as `estimate`, from tables held in memory."""
    reckoning = EstimationSettings.of(
        thin=thin, effort=effort, expand=expand, day_hours=day_hours, classes=classes
    )
    prepared = prepare_survey(snapshot, season=season, through=through, reckoning=reckoning)
    return to_frame(to_arrow(list(result_rows(prepared, by=by, level=level))))


def result_rows(season: SeasonSurvey, *, by: Sequence[str], level: float) -> Iterator[Row]:
    """Yield the result rows of one level, every quantity for every domain.

    Parameters
    ----------
    season : SeasonSurvey
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
    UsageError
        If `by` or `level` is not allowed.
    """
    words = tuple(by.split(",")) if isinstance(by, str) else tuple(by)
    if set(words) not in [set(one) for one in LEVELS] or len(set(words)) != len(words):
        raise UsageError(f"by {','.join(words)!r}: allowed are area,week or area or week or season")
    if not 0 < level < 1:
        raise UsageError(f"level {level}: a confidence level lies between 0 and 1, such as 0.95")
    domains = Domains("area" in words, "week" in words, len(season.design.weeks))
    of_marks = MarkFigures(season, domains)
    measures = catch_measures() | mark_measures() | season.deaths.measures
    for name, quantity in QUANTITIES.items():
        rows: dict[int, Row] = {}
        for way, totals, places in known_totals(season.ways, season.analyses[name], domains):
            if name in MARK_QUANTITIES:
                figures = of_marks.of(way, name, totals)
            else:
                figures = _figures(season, name, totals)
            if not way.has_responses(season.analyses[name]):
                asked = season.analyses[name].measures
                figures = figures.withheld(not_recorded(measures[one] for one in asked))
            for code, place in places.items():
                area = domains.cell(code)[0]
                row = result_row(season.design, totals, figures, place, area=area, level=level)
                rows[code] = row
        for code, row in sorted(rows.items()):
            yield dict.fromkeys(RESULT_COLUMNS) | {
                **domain_names(season.design, domains, code),
                "quantity": name,
                "unit": quantity.unit,
                **row,
            }


def _figures(season: SeasonSurvey, name: str, totals: DomainTotals) -> DomainEstimates:
    kind = QUANTITIES[name].kind
    if kind is QuantityKind.DEATHS:
        return death_figures(season.deaths, name, totals)
    return catch_figures(kind, totals)
