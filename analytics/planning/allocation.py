r"""How many units go to which stratum: whole numbers, optimal for a stated objective.

Of H strata and K figures the planned relative variance is ``Σ_h a_hk/n_h - c_k`` (Cochran 1977,
Sampling Techniques, chapters 5, 10 and 11; from memory): `gain` (H, K) holds a and `constant` (K,)
holds c, which no allocation moves. It is linear in ``1/n_h``, and the h-th stratum's j-th unit
takes off ``a_hk (1/(j - 1) - 1/j)``, which falls with j: a program in 0-1 increments is exact.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from analytics.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.arrays import Bools, Floats, Ints

#: Relative width within which two objectives are a tie, which the sum of all figures decides.
_TIE = 1e-9
#: Seconds that one program may take before its best answer so far is an error.
_MOST_SECONDS = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class Bounded:
    """What bounds an allocation: `low` and `high` (H,) units, `cost` (H,) of one unit.

    `caps`: groups of strata with the most units of each, such as samplers of a day group.
    """

    low: Ints
    high: Ints
    cost: Floats
    caps: tuple[tuple[Bools, float], ...] = ()

    @property
    def is_plain(self) -> bool:
        """Whether one budget of units alike binds: then the greedy allocation is optimal."""
        return not self.caps and bool((self.cost == self.cost[0]).all())


def relative_variance(gain: Floats, constant: Floats, n: Ints | Floats) -> Floats:
    """Return ``Σ_h a_hk/n_h - c_k``, shape (K,); infinite where a stratum that counts has none."""
    n = np.asarray(n, dtype=np.float64)[:, None]
    parts = np.divide(gain, n, out=np.where(gain > 0, np.inf, 0.0), where=n > 0)
    found: Floats = parts.sum(axis=0) - constant
    return found


def greedy(a: Floats, low: Ints, high: Ints, budget: int) -> tuple[Ints, Ints]:
    r"""Give units one by one where ``a_h/(n_h (n_h + 1))`` is largest, from `low` on.

    The least ``Σ a_h/n_h`` in whole numbers under one budget (Gross 1956, as cited by Federgruen &
    Groenevelt 1986, The greedy procedure for resource allocation problems, Oper. Res. 34; abstract
    seen). The first stratum wins a tie. The path is nested: the first steps of a larger budget are
    those of a smaller one.

    Returns
    -------
    n : ndarray of int, shape (H,)
    steps : ndarray of int
        The stratum of each unit beyond `low`, in order.
    """
    n, steps = np.array(low, dtype=np.int64), []
    while n.sum() < budget and (n < high).any():
        worth = np.where(n < high, a / (np.maximum(n, 1) * (n + 1.0)), -1.0)
        steps.append(int(worth.argmax()))
        n[steps[-1]] += 1
    return n, np.array(steps, dtype=np.int64)


def even(high: Ints, budget: int) -> Ints:
    """Spread units evenly over strata, one a round in order, none over its frame."""
    none = np.zeros_like(high)
    n = none.copy()
    while n.sum() < budget and (n < high).any():
        room = np.flatnonzero(n < high)
        n[room[: int(budget - n.sum())]] += 1
    return n


def least_sum(a: Floats, bounds: Bounded, budget: float) -> Ints:
    """Return the least ``Σ a_h/n_h`` within a budget: one figure, or a weighted sum of several."""
    if bounds.is_plain:
        return greedy(a, bounds.low, bounds.high, int(budget // bounds.cost[0] + _TIE))[0]
    program = _Program.of(a[:, None], bounds)
    return program.solve(-program.gain[:, 0], [program.budget(budget)])


def minimax(gain: Floats, constant: Floats, target: Floats, bounds: Bounded, budget: float) -> Ints:
    """Return the least worst ``relative variance / target²`` of K figures within a budget.

    Of plans that tie there, that of the least sum over figures; then that of the first strata.
    """
    scale = target**2
    program = _Program.of(gain / scale, bounds)
    at_low = relative_variance(gain, constant, bounds.low) / scale
    # A figure keeps the constant of strata that get nothing, without their gain: it may be under 0.
    unit = float(np.abs(at_low).max()) or 1.0
    within = program.budget(budget)
    worst = program.below(at_low, unit=unit)
    first = program.solve(np.zeros(len(program.stratum)), [within, *worst], worst_counts=True)
    reached = float((relative_variance(gain, constant, first) / scale).max())
    tied = program.below(at_low, unit=unit, at_most=reached + abs(reached) * _TIE)
    second = program.solve(-program.gain.sum(axis=1), [within, *tied], or_else=first)
    found = (relative_variance(gain, constant, second) / scale).max()
    return second if found <= reached + abs(reached) * 1e-6 else first


def least_cost(gain: Floats, constant: Floats, target: Floats, bounds: Bounded) -> Ints | None:
    """Return the cheapest plan that brings every relative variance to its target²; None if none.

    Of plans of that cost, that of the least ``Σ relative variance / target²``.
    """
    found = _cheapest(gain, constant, target, bounds)
    if found is None:
        return None
    program, reached, first = found
    within = program.budget(float((bounds.cost * first).sum()))
    return program.solve(-program.gain.sum(axis=1), [within, *reached], or_else=first)


def least_budget(gain: Floats, constant: Floats, target: Floats, bounds: Bounded) -> float | None:
    """Return what the cheapest plan of `least_cost` costs; None if none reaches the target."""
    found = _cheapest(gain, constant, target, bounds)
    return None if found is None else float((bounds.cost * found[2]).sum())


def _cheapest(
    gain: Floats, constant: Floats, target: Floats, bounds: Bounded
) -> tuple[_Program, list[LinearConstraint], Ints] | None:
    """Return the program of a target, its rows, and a cheapest plan; None if none reaches it."""
    scale = target**2
    if (relative_variance(gain, constant, bounds.high) > scale * (1 + _TIE)).any():
        return None
    program = _Program.of(gain / scale, bounds)
    at_low = relative_variance(gain, constant, bounds.low) / scale
    reached = program.below(at_low, unit=max(float(at_low.max()), 1.0), at_most=1.0)
    return program, reached, program.solve(program.cost, reached)


def kept_strata(worth: Floats, bounds: Bounded, budget: float) -> Bools:
    """Return which strata get their least units where not all can: those of the most worth.

    No stratum gets one of two: one unit has no error of its own, and the step from none to one
    would look worth less than that from one to two.
    """
    least = bounds.cost * bounds.low
    if least.sum() <= budget + _TIE:
        return np.ones(len(worth), dtype=bool)
    tilt = 1e-9 * worth.sum() * np.arange(len(worth)) / len(worth)
    within = LinearConstraint(least[None, :], -np.inf, budget)
    is_kept = _solved(-(worth - tilt), [within], np.ones(len(worth), dtype=np.int64), Bounds(0, 1))
    assert is_kept is not None  # nothing at all is within every budget
    return np.asarray(np.rint(is_kept) == 1)


def _solved(
    objective: Floats, rows: Sequence[LinearConstraint], is_whole: Ints, ends: Bounds
) -> Floats | None:
    """Return the numbers of the least objective, those of 1 in `is_whole` whole; None if none keep.

    A presolved program's solution has to be brought back, and HiGHS prints a line where that takes
    a step more; small as they are, these programs are no faster with it.
    """
    found: Floats | None = milp(
        objective,
        constraints=rows,
        integrality=is_whole,
        bounds=ends,
        options={"mip_rel_gap": 0, "time_limit": _MOST_SECONDS, "presolve": False},
    ).x
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Program:
    """Increments y of 0 or 1, J of them: the unit `place` of a `stratum`, over the least ones."""

    bounds: Bounded
    stratum: Ints
    gain: Floats
    cost: Floats

    @classmethod
    def of(cls, gain: Floats, bounds: Bounded) -> _Program:
        """Make an increment of every unit between the bounds."""
        more = np.maximum(bounds.high - bounds.low, 0)
        stratum = np.repeat(np.arange(len(more)), more)
        place = np.arange(len(stratum)) - np.repeat(np.cumsum(more) - more, more)
        unit = bounds.low[stratum] + place + 1.0
        before = np.maximum(unit - 1, 0.5)  # of a stratum without a least unit: a large gain
        drop = gain[stratum] * (1 / before - 1 / unit)[:, None]
        return cls(bounds, stratum, drop, bounds.cost[stratum])

    def budget(self, budget: float) -> LinearConstraint:
        """Return that the increments cost at most what is left of a budget."""
        left = budget - float((self.bounds.cost * self.bounds.low).sum())
        return LinearConstraint(self._with_worst(self.cost[None, :]), -np.inf, left + _TIE)

    def below(
        self, at_low: Floats, *, unit: float, at_most: float | None = None
    ) -> list[LinearConstraint]:
        """Return that every figure lies below the worst one, or below a number; both over `unit`.

        The solver holds a row to 1e-6: rows are scaled up so that this is 1e-9 of `unit`.
        """
        rows = self._with_worst(-self.gain.T / unit)
        if at_most is None:
            rows[:, -1] = -1.0
        top = (0.0 if at_most is None else at_most / unit) - at_low / unit
        return [LinearConstraint(1e3 * rows, -np.inf, 1e3 * top)]

    def solve(
        self,
        objective: Floats,
        rows: Sequence[LinearConstraint],
        *,
        worst_counts: bool = False,
        or_else: Ints | None = None,
    ) -> Ints:
        """Return the units of each stratum at the least objective; the first strata at a tie."""
        low = self.bounds.low.astype(np.int64)
        if not len(self.stratum):
            return low
        size = float(np.abs(objective).sum()) or 1.0
        tilt = 1e-10 * self.stratum / max(len(low), 1)
        whole = np.append(objective / size + tilt, 1.0 if worst_counts else 0.0)
        caps = [
            LinearConstraint(
                self._with_worst(group[self.stratum].astype(float)[None, :]),
                -np.inf,
                most - low[group].sum() + _TIE,
            )
            for group, most in self.bounds.caps
        ]
        n_steps = len(self.stratum)
        low_ends = np.append(np.zeros(n_steps), -np.inf)
        high_ends = np.append(np.ones(n_steps), np.inf)
        is_whole = np.append(np.ones(n_steps, dtype=np.int64), 0)
        found = _solved(whole, [*rows, *caps], is_whole, Bounds(low_ends, high_ends))
        if found is None:
            if or_else is not None:
                return or_else
            raise UsageError(
                "no plan keeps all bounds: too few shifts for two a stratum, or too few samplers; "
                "give more shifts"
            )
        taken = np.rint(found[:-1]).astype(np.int64)
        return low + np.bincount(self.stratum, weights=taken, minlength=len(low)).astype(np.int64)

    def _with_worst(self, rows: Floats) -> Floats:
        """Add the column of the worst figure."""
        return np.column_stack([rows, np.zeros(len(rows))])
