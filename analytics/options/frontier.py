"""Opportunity against risk: what rules leave beside their chance of exceeding, over a stated grid.

The grid is closing dates under each of `grid_changes` alone, and marked fish only from a day on
through the planned close: sixteen dates evenly, and the last that keeps each risk that is asked.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.options.inverse import allowed_draws, non_dominated
from analytics.options.option import Change, Find
from analytics.options.option_checks import change_faults, idle_areas
from analytics.options.schemas import FRONTIER_SCHEMA

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analytics.options.baseline import Baseline
    from analytics.options.option import Option
    from analytics.options.rule_choices import Choices, ChoiceScale

    Row = dict[str, Any]

#: Daily limits of the grid, its open days of the week, and millimetres of minimum lengths above
#: today's (our choice).
GRID_LIMITS, GRID_WEEKDAYS, GRID_LENGTHS_MM = (1, 2, 3), ("67", "567", "4567"), (20, 60)
#: Most dates of a line of the grid beside those that just keep a risk.
MOST_DATES = 16
_N_THREADS = 2


def grid_changes(baseline: Baseline, areas: tuple[str, ...], now_mm: float) -> list[Change]:
    """Return the rules beside closing dates: what a season can take and what changes something.

    `now_mm` is the greatest minimum length of the areas.
    """
    first = min(day.item() for day in baseline.days)
    tried = [Change(areas, daily_limit_fish=one) for one in GRID_LIMITS]
    tried += [Change(areas, open_weekdays=one) for one in GRID_WEEKDAYS]
    lengths = [round(now_mm, -1) + one for one in GRID_LENGTHS_MM] if now_mm else []
    tried += [Change(areas, min_length_mm=one) for one in lengths]
    tried.append(Change(areas, first_day=first, mark_selective=True))
    return [one for one in tried if not change_faults(baseline, one) and _acts(baseline, one)]


def _acts(baseline: Baseline, change: Change) -> bool:
    return set(idle_areas(baseline, change)) < set(change.areas)


def frontier_rows(
    scale: ChoiceScale,
    option: Option,
    areas: tuple[str, ...],
    *,
    risks: Sequence[float],
    planned: Choices | None = None,
) -> list[Row]:
    """Return a point a rule of the grid beside an option, those that another beats marked.

    Parameters
    ----------
    scale : ChoiceScale
        The season and the limits of which none may be exceeded.
    option : Option
    areas : tuple of str
        Where the rules of the grid hold.
    risks : sequence of float
        The dates that just keep them are points.
    planned : Choices, optional
        The closing dates of the option as it is, where they are worked out already.

    Returns
    -------
    list of dict
        Columns of `FRONTIER_SCHEMA` but for those that name the question.
    """
    baseline = scale.season.baseline
    changes = grid_changes(baseline, areas, scale.longest_minimum(areas))
    planned = planned or scale.choices(Find.CLOSE, option, areas)

    def line(change: Change) -> list[Row]:
        if change.mark_selective and change.first_day is None:
            return list(_marked(scale.choices(Find.MARKED, option, areas), risks))
        beside = replace(option, changes=(*option.changes, change))
        if not len(scale.season.open_days(beside, areas)):
            return []
        return list(_dated(scale.choices(Find.CLOSE, beside, areas), change, risks))

    from_a_day = [Change(areas, mark_selective=True)] if _has_marked(changes) else []
    with ThreadPoolExecutor(_N_THREADS) as pool:
        lines = list(pool.map(line, [*changes, *from_a_day]))
    rows = [*_dated(planned, Change(areas), risks), *(row for one in lines for row in one)]
    gains = np.array([[row["angler_trips"], row["kept_fish"]] for row in rows])
    n_draws = scale.season.arrays.n_draws
    counts = np.array([round(row["prob"] * n_draws) for row in rows], dtype=np.int64)
    best = non_dominated(gains, counts).tolist()
    blank = dict.fromkeys(FRONTIER_SCHEMA.names)
    return [
        blank | row | {"areas": ";".join(areas), "is_dominated": not is_best}
        for row, is_best in zip(rows, best, strict=True)
    ]


def _has_marked(changes: Sequence[Change]) -> bool:
    return any(one.mark_selective for one in changes)


def _dated(choices: Choices, change: Change, risks: Sequence[float]) -> Iterator[Row]:
    """Yield the points of closing dates under a rule, and of the planned close."""
    rule = {
        "daily_limit_fish": change.daily_limit_fish,
        "open_weekdays": change.open_weekdays or None,
        "min_length_mm": change.min_length_mm,
        "marked_from": change.first_day,
    }
    for at in _places(choices, risks):
        yield rule | choices.at(at) | {"close_from": _day(choices.values[at])}


def _marked(choices: Choices, risks: Sequence[float]) -> Iterator[Row]:
    """Yield the points of marked fish only from a day on, through the planned close."""
    for at in _places(choices, risks)[
        1:-1
    ]:  # the ends are points of closing dates: at once, and not
        yield choices.at(at) | {"marked_from": _day(choices.values[at])}


def _places(choices: Choices, risks: Sequence[float]) -> list[int]:
    """Return the places of dates evenly, of the last that keep risks, and of the planned close."""
    last = len(choices.values) - 1
    found = {*range(0, last, max(1, -(-last // MOST_DATES))), last}
    counts, n_draws = choices.over.sum(axis=1), choices.over.shape[1]
    for risk in risks:
        keeps = np.flatnonzero(counts <= allowed_draws(risk, n_draws)).tolist()
        found.update(keeps[-1:])
    return sorted(found)


def _day(value: str) -> date | None:
    return date.fromisoformat(value) if value else None
