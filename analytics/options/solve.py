"""How far a rule may go so that a limit is exceeded with no more than a risk, and at what price.

Opportunity against risk is what rules leave beside their chance of exceeding, over a stated grid:
closing dates under each of `grid_changes` alone, and marked fish only from a day on through the
planned close: sixteen dates evenly, and the last that keeps each risk that is asked.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.catch_limits import split_list
from analytics.codes import coded
from analytics.options.limit_exceedance import (
    LEAST_DRAWS,
    RISKS,
    RuleRisks,
    allowed_draws,
    is_too_small,
    maximal_sets,
    non_dominated,
)
from analytics.options.option import Change, Find, Option, with_value
from analytics.options.option_checks import change_faults, idle_areas, scope
from analytics.options.rule_choices import ChoiceScale
from analytics.options.schemas import FRONTIER_SCHEMA, INVERSE_SCHEMAS
from analytics.options.season_projection import SeasonProjector

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from analytics.options.baseline import Baseline, Limit
    from analytics.options.limit_exceedance import Found
    from analytics.options.rule_choices import Choices

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


def solved_options(
    baseline: Baseline,
    options: Sequence[Option],
    limits: Sequence[Limit],
    *,
    names: Sequence[str] = tuple(INVERSE_SCHEMAS),
    season: SeasonProjector | None = None,
) -> dict[str, pa.Table]:
    """Return the tables of `INVERSE_SCHEMAS` of options that ask how far a rule may go.

    Parameters
    ----------
    baseline : Baseline
    options : sequence of Option
        Sound ones (`analytics.options.option_checks`, with the same limits); those without `solve`
        give no rows.
    limits : sequence of Limit
    names : sequence of str, optional
        The tables to make; the frontier takes longer than an answer.
    season : SeasonProjector, optional
        Of the baseline, where there is one already.

    Returns
    -------
    dict of str to pyarrow.Table
        Empty where no option asks.
    """
    asked = [one for one in options if one.solve is not None]
    if not asked:
        return {}
    season = season or SeasonProjector(baseline)
    questions = [Question(season, option, limits) for option in asked]
    makers = {
        "solved": Question.answers,
        "risk_curve": Question.curve,
        "frontier": Question.frontier,
    }
    return {
        name: pa.Table.from_pylist(
            [row for one in questions for row in makers[name](one)], schema=INVERSE_SCHEMAS[name]
        )
        for name in names
    }


def with_answers(options: Sequence[Option], solved: Mapping[str, pa.Table]) -> tuple[Option, ...]:
    """Return options with the rules found in the place of their questions."""
    rows = solved["solved"].to_pylist() if solved else []
    asked = {row["option"]: row for row in rows if row["is_asked"]}
    return tuple(
        with_value(one, split_list(asked[one.name]["areas"]), asked[one.name]["value"] or "")
        if one.name in asked
        else one
        for one in options
    )


class Question:
    """One option's question on a season: its choices are worked out once."""

    def __init__(self, season: SeasonProjector, option: Option, limits: Sequence[Limit]) -> None:
        if option.solve is None:
            raise ValueError("the option asks for no rule")
        self.option, self.solve, self.season = option, option.solve, season
        self.limits, self.areas = scope(season.baseline, option.solve, limits)
        self.scale = ChoiceScale(season, self.limits)
        self.choices = self.scale.choices(self.solve.find, option, self.areas)
        self.risks = RuleRisks(self.choices.over, is_ordered=self.solve.find is not Find.WEEKDAYS)
        self.reason = self._why_not(self.choices)

    def _why_not(self, choices: Choices) -> str:
        if not len(choices.values) or not choices.is_known:
            return coded("solve_not_projected")
        is_between = 0 < choices.over[0].sum() < choices.over.shape[1]
        is_idle = not choices.moves or (is_between and (choices.over == choices.over[0]).all())
        return coded("solve_no_effect") if is_idle else ""

    def answers(self) -> list[Row]:
        """Return the answer at the risk asked and at `RISKS`, a row each (`SOLVED_SCHEMA`)."""
        return [self._answer(risk) for risk in self.asked_risks]

    @property
    def asked_risks(self) -> list[float]:
        """Return the risk asked and `RISKS`."""
        return sorted({*RISKS, self.solve.risk})

    def _answer(self, risk: float) -> Row:
        row = self._start() | {"risk": risk, "is_asked": risk == self.solve.risk}
        row |= {"find": self.solve.find.value, "areas": ";".join(self.areas)}
        n_draws = self.season.arrays.n_draws
        if self.reason:
            return row | {"reason": self.reason}
        if is_too_small(risk, n_draws):
            least = f"{100 * LEAST_DRAWS / n_draws:.2g}"
            return row | {"reason": coded("solve_risk_too_small", n=n_draws, percent=least)}
        found = self.risks.at(risk)
        row |= {
            "is_monotone": self.risks.is_ordered and self.risks.is_monotone,
            "reason": self._outcome(found),
        }
        row["values_within"] = self._within(found)
        if found.is_set:
            return row
        place = self._best if found.place is None else found.place
        row |= self._band(found) | self._at(place)
        if len(self.limits) > 1 and self.choices.by_limit is not None:
            most = int(self.choices.by_limit[place].argmax())
            row["most_exceeded_id"] = self.limits[most].limit_id
        if found.place is None:
            return row | {"value": None, "last_open_day": None}
        is_last = found.place == len(self.choices.values) - 1
        after = None if is_last else int(self.risks.counts[found.place + 1]) / n_draws
        return row | {"prob_next": after}

    @property
    def _best(self) -> int:
        """Return the choice that is least likely to exceed."""
        return int(self.risks.counts.argmin())

    def _start(self) -> Row:
        limit = None if self.solve.limit is None else self.solve.limit
        return {"option": self.option.name, "limit_id": limit}

    def _outcome(self, found: Found) -> str:
        if found.is_set:
            return coded("solve_set")
        if found.place is None:
            return coded("solve_none")
        is_last = found.place == len(self.choices.values) - 1
        return coded("solve_all" if is_last else "solve_found")

    def _within(self, found: Found) -> str | None:
        """Return the values that keep a risk where one does not tell: maximal sets, or all."""
        if self.solve.find is Find.WEEKDAYS:
            allowed = [self.choices.values[at] for at in found.places]
            return "; ".join(sorted(maximal_sets(allowed))) or None
        if not found.is_set:
            return None
        return "; ".join(self.choices.values[at] or "as planned" for at in found.places)

    def _band(self, found: Found) -> Row:
        if self.solve.find is Find.WEEKDAYS:
            return {}
        ends = [None if at < 0 else self.choices.values[at] for at in found.band]
        return dict(zip(("band_low", "band_high"), ends, strict=True))

    def _at(self, place: int) -> Row:
        row = {"value": self.choices.values[place]} | self.choices.at(place)
        share = self.choices.marked_share
        return row if share is None else row | {"marked_days_prop": float(share[place])}

    def curve(self) -> list[Row]:
        """Return every choice with its probability (`RISK_CURVE_SCHEMA`)."""
        if self.reason:
            return []
        head = self._start() | {"find": self.solve.find.value}
        found = [head | self._at(at) for at in range(len(self.choices.values))]
        return [{k: v for k, v in row.items() if k != "marked_days_prop"} for row in found]

    def frontier(self) -> list[Row]:
        """Return opportunity against risk over a grid of rules (`FRONTIER_SCHEMA`)."""
        planned = self.choices if self.solve.find is Find.CLOSE else None
        found = frontier_rows(
            self.scale, self.option, self.areas, risks=self.asked_risks, planned=planned
        )
        return [row | self._start() for row in found]
