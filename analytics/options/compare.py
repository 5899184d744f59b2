"""Options compared on the same draws: what each brings, what it costs, which are dominated."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from analytics.codes import coded, join_codes
from analytics.options.baseline import CLASSES
from analytics.options.limit_exceedance import (
    FAN,
    LimitExceedance,
    limit_exceedance,
    paired_difference_se,
    quantiles,
)
from analytics.options.option_checks import assumptions_of, check_options
from analytics.options.schemas import (
    ASSUMPTION_SCHEMA,
    DOMINANCE_SCHEMA,
    FIGURE_SCHEMA,
    LIMIT_EXCEEDANCE_SCHEMA,
)
from analytics.options.season_projection import SeasonProjector
from analytics.options.solve import solved_options, with_answers
from analytics.quantities import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from analytics.options.baseline import Baseline, Limit
    from analytics.options.option import Option
    from analytics.options.season_projection import AreaProjection

    Floats = NDArray[np.float32]
    Projections = tuple[AreaProjection | None, ...]

#: What is given of every option, by area and in all.
OPTION_TOTALS = (
    "angler_trips",
    "kept_fish",
    "encounter_fish",
    "released_sublegal_fish",
    "released_legal_fish",
    "release_deaths_fish",
    "drop_off_deaths_fish",
    "total_deaths_fish",
    *CLASSES,
)
_DATES = ("exceedance_date_p10", "exceedance_date_p50", "exceedance_date_p90")
#: Part of a total that is rounding: sums are of single precision.
ROUNDING = np.float32(1e-6)
_N_THREADS = 2


@dataclass(frozen=True, slots=True, eq=False)
class Fans:
    """Fish of each limit by the end of each week, so far and to come.

    Parameters
    ----------
    options, limit_ids, weeks : tuple of str
        O, L and W labels.
    days : ndarray of datetime64[D], shape (W,)
        Last day of each week.
    chances : tuple of float
        Q chances.
    mean : ndarray of float, shape (O, L, W)
    quantiles : ndarray of float, shape (O, L, W, Q)
    """

    options: tuple[str, ...]
    limit_ids: tuple[str, ...]
    weeks: tuple[str, ...]
    days: NDArray[np.datetime64]
    chances: tuple[float, ...]
    mean: NDArray[np.float64]
    quantiles: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class OptionResults:
    """What options bring, in the shapes of `analytics.options.schemas.ANSWER_SCHEMAS`.

    `solved` has the tables of `INVERSE_SCHEMAS` where an option asks how far a rule may go, and
    `options` are those compared, today's rule first, the rule found added to those that asked.
    """

    figures: pa.Table
    limit_exceedance: pa.Table
    dominance: pa.Table
    assumptions: pa.Table
    fans: Fans
    solved: Mapping[str, pa.Table] = field(default_factory=dict)
    options: tuple[Option, ...] = ()


def compare_options(
    baseline: Baseline,
    options: Sequence[Option],
    limits: Sequence[Limit],
    *,
    level: float | None = None,
) -> OptionResults:
    """Return what each option brings by the season's end, and its difference from today's rule.

    Every option is calculated on the same draws, so that differences hold the error of what differs
    alone. One that asks how far a rule may go is compared with the rule that was found; where none
    keeps the risk, as it stands without it.

    Parameters
    ----------
    baseline : Baseline
    options : sequence of Option
        Today's rule comes first whether it is among them or not.
    limits : sequence of Limit
    level : float, optional
        Confidence level; that of the baseline by default.

    Raises
    ------
    InvalidOptionsError
        If an option asks for what the season does not have or the baseline cannot tell.
    """
    checked = check_options(baseline, options, limits=limits)
    scale = _Comparison(baseline, tuple(limits), baseline.level if level is None else level)
    solved = solved_options(baseline, checked, limits, season=scale.season)
    checked = with_answers(checked, solved)
    # Today's first: the others rest on it.
    first = scale.answer(checked[0], None)
    with ThreadPoolExecutor(_N_THREADS) as pool:
        rest = pool.map(lambda one: scale.answer(one, first), checked[1:])
        answers = [first, *rest]
    found = _tables(scale, answers)
    return replace(found, solved=solved, options=checked)


def outlook(
    baseline: Baseline, limits: Sequence[Limit], *, level: float | None = None
) -> OptionResults:
    """Return where the season goes under today's rule: the answers with no option."""
    return compare_options(baseline, (), limits, level=level)


def ahead_by_week(baseline: Baseline, totals: Sequence[str]) -> dict[str, Floats]:
    """Return draws of what each week to come brings under today's rule, shape (A, W, D) a total."""
    season = SeasonProjector(baseline)
    shape = (len(baseline.areas), len(baseline.weeks), season.arrays.n_draws)
    found = {name: np.zeros(shape, dtype=np.float32) for name in totals}
    for area, projection in enumerate(season.as_today.areas):
        if projection is not None:
            for name in totals:
                projection.add_by_week(name, found[name][area])
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Answer:
    """One option: its projections while others need them, its figures, and each limit."""

    option: Option
    projections: Projections
    totals: Floats
    figures: NDArray[np.float64]
    exceedances: tuple[LimitExceedance, ...]
    assumed: tuple[str, ...]


class _Comparison:
    """What all options are compared on."""

    def __init__(self, baseline: Baseline, limits: tuple[Limit, ...], level: float) -> None:
        self.baseline, self.limits, self.level = baseline, limits, level
        self.season = SeasonProjector(baseline)
        self.at = ((1 - level) / 2, (1 + level) / 2)

    def answer(self, option: Option, first: _Answer | None) -> _Answer:
        """Return one option compared with today's rule; None where it is that."""
        season, made = self.season, self.season.projected(option)
        plans, projections = made.trips.plans, made.areas
        totals = self._totals(projections, first)
        exceedances = tuple(
            first.exceedances[place]
            if first is not None and self._untouched(projections, first, limit)
            else limit_exceedance(self.baseline, projections, limit)
            for place, limit in enumerate(self.limits)
        )
        figures = self._figures(totals, None if first is None else first.totals)
        opens = any(
            (now.is_open & ~was.is_open).any() for now, was in zip(plans, season.today, strict=True)
        )
        assumed = assumptions_of(
            season.arrays, option, self.limits, opens=opens, left_out=made.trips.left_out
        )
        return _Answer(
            option, projections if first is None else (), totals, figures, exceedances, assumed
        )

    def _untouched(self, projections: Projections, first: _Answer, limit: Limit) -> bool:
        places = [a for a, name in enumerate(self.baseline.areas) if name in limit.areas]
        return all(projections[a] is first.projections[a] for a in places)

    def _totals(self, projections: Projections, first: _Answer | None) -> Floats:
        """Return season totals, shape (Q, A + 1, D), all areas last."""
        n_areas = len(projections)
        shape = len(OPTION_TOTALS), n_areas + 1, self.season.arrays.n_draws
        found = np.empty(shape, dtype=np.float32)
        for area, projection in enumerate(projections):
            if first is not None and projection is first.projections[area]:
                found[:, area] = first.totals[:, area]
                continue
            for place, name in enumerate(OPTION_TOTALS):
                found[place, area] = self.baseline.to_date[name][:, area]
                if projection is not None:
                    found[place, area] += projection.total(name)
        np.sum(found[:, :-1], axis=1, out=found[:, -1])
        return found

    def _figures(self, totals: Floats, before: Floats | None) -> NDArray[np.float64]:
        """Return mean and interval, and those of the difference, shape (6, Q, A + 1)."""
        off = np.zeros_like(totals) if before is None else totals - before
        # What differs by the rounding of sums alone does not differ.
        off[np.abs(off) <= ROUNDING * np.abs(totals)] = 0
        found = [
            (each.mean(axis=-1, dtype=np.float64), *np.moveaxis(quantiles(each, self.at), -1, 0))
            for each in (totals, off)
        ]
        return np.array([one for three in found for one in three])


def _tables(scale: _Comparison, answers: list[_Answer]) -> OptionResults:
    baseline, limits = scale.baseline, scale.limits
    scores = [_score(one) for one in answers]
    unjudged = why_none(scores, [limit.limit_id for limit in limits])
    assumed = [
        {"option": one.option.name, "assumption": cell}
        for one in answers
        for cell in (*one.assumed, unjudged)
        if cell
    ]
    ends = np.flatnonzero(np.diff(baseline.week, append=-1))
    shape = len(answers), len(limits), len(baseline.weeks)
    fans = Fans(
        tuple(one.option.name for one in answers),
        tuple(limit.limit_id for limit in limits),
        baseline.weeks,
        baseline.days[ends],
        FAN,
        np.array([[r.fan_mean for r in one.exceedances] for one in answers]).reshape(shape),
        np.array([[r.fan for r in one.exceedances] for one in answers]).reshape(*shape, len(FAN)),
    )
    return OptionResults(
        figures=_table(list(_figure_rows(scale, answers)), FIGURE_SCHEMA),
        limit_exceedance=_table(list(_exceedance_rows(scale, answers)), LIMIT_EXCEEDANCE_SCHEMA),
        dominance=dominated(scores),
        assumptions=pa.Table.from_pylist(assumed, schema=ASSUMPTION_SCHEMA),
        fans=fans,
    )


def _score(one: _Answer) -> Score:
    sums = {name: one.figures[0, OPTION_TOTALS.index(name), -1] for name in COUNTS}
    turned = [sums[name] if more else -sums[name] for name, more in COUNTS.items()]
    return Score(
        one.option.name,
        (*turned, *(-exceedance.prob_exceeded_by_close for exceedance in one.exceedances)),
    )


def _figure_rows(scale: _Comparison, answers: list[_Answer]) -> Iterator[dict[str, Any]]:
    columns = ("estimate", "ci_low", "ci_high")
    names = (*columns, "difference", "difference_low", "difference_high")
    for one in answers:
        for place, area in enumerate((*scale.baseline.areas, None)):
            for number, name in enumerate(OPTION_TOTALS):
                values = one.figures[:, number, place].tolist()
                yield {
                    "option": one.option.name,
                    "area": area,
                    "quantity": name,
                    "unit": QUANTITIES[name].unit,
                    **dict(zip(names, values, strict=True)),
                    "ci_level": scale.level,
                }


def _exceedance_rows(scale: _Comparison, answers: list[_Answer]) -> Iterator[dict[str, Any]]:
    for one in answers:
        for limit, found, was in zip(
            scale.limits, one.exceedances, answers[0].exceedances, strict=True
        ):
            low, high = quantiles(found.used, scale.at).tolist()
            yield {
                "option": one.option.name,
                "limit_id": limit.limit_id,
                "limit_fish": limit.fish,
                "estimate": float(found.used.mean(dtype=np.float64)),
                "ci_low": low,
                "ci_high": high,
                "ci_level": scale.level,
                "prob_exceeded_by_close": found.prob_exceeded_by_close,
                "prob_exceeded_by_close_difference": found.prob_exceeded_by_close
                - was.prob_exceeded_by_close,
                "prob_exceeded_by_close_difference_se": paired_difference_se(
                    found.used, was.used, limit.fish
                ),
                **dict(zip(_DATES, found.dates, strict=True)),
            }


def _table(rows: list[dict[str, Any]], schema: pa.Schema) -> pa.Table:
    """Return rows as a table; NaN becomes null."""
    return pa.table(
        [
            pa.array([row[field.name] for row in rows], field.type, from_pandas=True)
            for field in schema
        ],
        schema=schema,
    )


# Options that another dominates: no worse on any count, and better on one.

#: Means over all areas that count, and whether more is better.
COUNTS = {
    "angler_trips": True,
    "kept_fish": True,
    "released_sublegal_fish": False,
    "total_deaths_fish": False,
}
#: Part of a number within which two are alike: sums are of single precision.
_TIE = 1e-6


@dataclass(frozen=True, slots=True)
class Score:
    """An option's counts, each turned so that more is better; NaN where there is no number."""

    name: str
    counts: tuple[float, ...]

    def dominates(self, other: Score) -> bool:
        """Return whether this option is no worse on any count and better on one.

        An option with a count that is no number neither beats nor is dominated.
        """
        mine, others = np.array(self.counts), np.array(other.counts)
        gain = mine - others
        tie = _TIE * np.maximum(1, np.maximum(np.abs(mine), np.abs(others)))
        return bool((gain >= -tie).all() and (gain > tie).any())


def dominated(scores: Sequence[Score]) -> pa.Table:
    """Return which options are dominated, and by which, as `DOMINANCE_SCHEMA`, one row an option.

    Several that dominate it are joined by ``; ``. None is where a count of any is no number.
    """
    judged = [] if np.isnan(np.array([one.counts for one in scores])).any() else scores
    by = ["; ".join(one.name for one in judged if one.dominates(this)) for this in scores]
    return pa.table(
        {
            "option": [one.name for one in scores],
            "is_dominated": [bool(names) for names in by],
            "dominated_by": [names or None for names in by],
        },
        schema=DOMINANCE_SCHEMA,
    )


def why_none(scores: Sequence[Score], limit_ids: Sequence[str]) -> str:
    """Return as codes why no option is judged; empty where they are, or where there is only one."""
    is_lacking = np.isnan(np.array([one.counts for one in scores]))
    if len(scores) < 2 or not is_lacking.any():
        return ""
    names = [one.name for one, some in zip(scores, is_lacking.any(axis=1), strict=True) if some]
    by_count = is_lacking.any(axis=0).tolist()
    totals = [name for name, some in zip(COUNTS, by_count, strict=False) if some]
    limits = [name for name, some in zip(limit_ids, by_count[len(COUNTS) :], strict=True) if some]
    return join_codes(
        [
            coded("dominance_not_judged"),
            coded("totals_not_given", totals=totals, options=names) if totals else None,
            coded("chances_not_given", limits=limits, options=names) if limits else None,
        ]
    )


#: Tables of how far rules may go, without the comparison.
how_far_tables = solved_options
