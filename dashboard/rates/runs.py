"""Lines of the table of timing put on the days of a figure, season on season."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.charts.timing import Run
from dashboard.rates import index as modelled

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.charts.timing import Points
    from dashboard.rates.index import Line, Rates

CURVES = ("normal", "logistic")


def shares(rates: Rates, areas: Sequence[str | None]) -> dict[str | None, Run]:
    """Return the share come by each day of past seasons, with their mean curves, by area.

    This season is among them once it is over.
    """
    return _runs(rates, areas, "share")


def indices(rates: Rates, areas: Sequence[str | None]) -> dict[str | None, Run]:
    """Return the index by week of past seasons and of this one, by area."""
    return _runs(rates, areas, "index")


def _runs(rates: Rates, areas: Sequence[str | None], name: str) -> dict[str | None, Run]:
    found = {}
    for area in areas:
        made = _run(rates, area, name)
        if made is not None:
            found[area] = made
    return found


def _run(rates: Rates, area: str | None, name: str) -> Run | None:
    seasons = {season: rates.timing[season, area] for season in rates.seasons(area)}
    mine = rates.timing.get((rates.season, area), ())
    past = {season: line for season, of in seasons.items() if (line := _points(of, name))}
    now = _points(mine, name)
    start = modelled.origin(mine or next(iter(seasons.values()), ()))
    if start is None or not (past or now):
        return None
    is_share = name == "share"
    curves = _curves(seasons, past) if is_share else {}
    return Run(past=past, now=now, curves=curves, start=start, is_share=is_share)


def _points(lines: Sequence[Line], name: str) -> Points:
    return tuple(
        (line["day"], line[name])
        for line in lines
        if line[name] is not None and line["day"] is not None
    )


def _curves(seasons: dict[str, tuple[Line, ...]], past: dict[str, Points]) -> dict[str, Points]:
    """Return the mean of the curves of past seasons, on days that all of them have."""
    found = {}
    for name in CURVES:
        mine = [dict(_points(seasons[season], name)) for season in past]
        mine = [one for one in mine if one]
        days = sorted(set.intersection(*map(set, mine))) if mine else []
        if days:
            found[name] = tuple((day, sum(one[day] for one in mine) / len(mine)) for day in days)
    return found
