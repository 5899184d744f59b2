"""Lines of the table of timing put on the days of a figure, season on season."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.charts.run_panel import Run
from dashboard.rates import index as modelled

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.charts.run_panel import Points
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
    last = today(rates, area)
    mark = None if last is None else (last["day"], f"end of {last['week'][5:]}")
    return Run(past=past, now=now, curves=curves, start=start, is_share=is_share, today=mark)


def today(rates: Rates, area: str | None) -> Line | None:
    """Return the last line of timing of this season, or None where there is none."""
    lines = [one for one in rates.timing.get((rates.season, area), ()) if one["day"] is not None]
    return lines[-1] if lines and lines[-1]["week"] else None


def come(rates: Rates, area: str | None) -> dict[str, float]:
    """Return the share that had come of each past season by this season's last day.

    A past season that was closed on that day stands at its last share before it: what had come
    stays so.
    """
    last = today(rates, area)
    found = {}
    for season in rates.seasons(area) if last is not None else []:
        points = _points(rates.timing[season, area], "share")
        before = [share for day, share in points if last is not None and day <= last["day"]]
        if points:
            found[season] = before[-1] if before else 0.0
    return found


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
