"""How far a rule may go: from draws over a limit at each choice of a rule to the answer at a risk.

Choices stand from the strictest to the most generous. A chance is a share of draws, and draws are
counted: no chance is compared as a broken number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import bdtr

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]

#: Risks that are always answered beside the one that is asked.
RISKS = (0.05, 0.10, 0.20, 0.50)
#: A risk under so many draws is not distinguished from none: 0 of D draws bounds it by about 3/D.
LEAST_DRAWS = 3
_ROUNDING = 1e-9
#: Confidence level of what the number of draws leaves open.
LEVEL = 0.95
#: Every set of days of the week, as ISO digits; one day at least.
WEEKDAY_SETS = tuple("".join(days) for n in range(1, 8) for days in combinations("1234567", n))


def allowed_draws(risk: float, n_draws: int) -> int:
    """Return how many of the draws may exceed a limit at a risk."""
    return math.floor(risk * n_draws + _ROUNDING)


def is_too_small(risk: float, n_draws: int) -> bool:
    """Return whether so few draws cannot tell a risk from none."""
    return risk * n_draws < LEAST_DRAWS - _ROUNDING


def binomial_ends(risk: float, n_draws: int) -> tuple[int, int]:
    """Return the quantiles of how many of the draws exceed where the risk is the true chance."""
    below = bdtr(np.arange(n_draws + 1), n_draws, risk)
    low, high = np.searchsorted(below, [(1 - LEVEL) / 2, (1 + LEVEL) / 2]).tolist()
    return low, high


def first_over(over: Bools) -> Ints:
    """Return the first choice at which each draw exceeds, shape (X, D) to (D,); X where none."""
    return np.where(over.any(axis=0), over.argmax(axis=0), len(over)).astype(np.int64)


def last_within(first: Ints, risk: float) -> int:
    """Return the last choice that keeps a risk, by order statistics of `first_over`; -1 for none.

    With q draws that may exceed, the (q + 1)-th smallest is the first choice that does not keep it.
    """
    q = allowed_draws(risk, len(first))
    return int(np.partition(first, q)[q]) - 1 if q < len(first) else int(first.max())


@dataclass(frozen=True, slots=True)
class Found:
    """The answer at a risk, as places among the choices.

    - `place`: the most generous choice that keeps the risk; None where none does, or where
      `is_set`: then some stricter choice does not keep it, and `places` has all that do.
    - `band`: where the answer could be with other draws, -1 for none; of the number of draws alone.
    """

    risk: float
    place: int | None
    places: tuple[int, ...]
    band: tuple[int, int]
    is_set: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class RuleRisks:
    """Which draws exceed at each choice of a rule, (X, D), from strict to generous.

    Where choices have no order but by what they bring (`is_ordered` False), the last that keeps a
    risk is the answer whatever stands before it.
    """

    over: Bools
    is_ordered: bool = True

    @property
    def counts(self) -> Ints:
        """Return how many draws exceed at each choice, shape (X,)."""
        found: Ints = self.over.sum(axis=1)
        return found

    @property
    def is_monotone(self) -> bool:
        """Return whether no draw that exceeds at a choice keeps within at a more generous one."""
        return not (self.over[:-1] & ~self.over[1:]).any()

    def at(self, risk: float) -> Found:
        """Return the answer at a risk: by order statistics, or of the whole of the choices."""
        n_draws = self.over.shape[1]
        low, high = binomial_ends(risk, n_draws)
        q = allowed_draws(risk, n_draws)
        counts = self.counts
        if not self.is_ordered:
            places = tuple(np.flatnonzero(counts <= q).tolist())
            return Found(risk, places[-1] if places else None, places, (-1, -1))
        if self.is_monotone:
            last = last_within(first_over(self.over), risk)
        else:
            keeps = counts <= q
            last = len(keeps) - 1 - int(keeps[::-1].argmax()) if keeps.any() else -1
            if last >= 0 and not keeps[: last + 1].all():
                places = tuple(np.flatnonzero(keeps).tolist())
                return Found(risk, None, places, (-1, -1), is_set=True)
        band = _last(counts <= low - 1), _last(counts <= high)
        return Found(risk, last if last >= 0 else None, tuple(range(last + 1)), band)


def _last(keeps: Bools) -> int:
    """Return the last of the leading choices that keep a risk; -1 for none."""
    return len(keeps) - 1 if keeps.all() else int(keeps.argmin()) - 1


def switched(
    before: NDArray[np.floating],
    after: NDArray[np.floating],
    rows: Sequence[int],
    *,
    start: NDArray[np.floating] | float = 0.0,
) -> NDArray[np.float64]:
    """Return what days bring where one rule gives way to another, shape (N, D) to (R, D).

    A row has its first so many days under `before`, the others under `after`; `rows` rise. All
    begin with `start`, (D,).
    """
    ends = [0, *rows, len(before)]
    found = np.empty((len(rows), before.shape[1]))
    _run(before, ends[:-1], found, start)
    if after.any():
        rest = np.empty_like(found)
        _run(after[::-1], [len(before) - end for end in ends[:0:-1]], rest[::-1], 0.0)
        found += rest
    return found


def _run(
    days: NDArray[np.floating],
    ends: Sequence[int],
    found: NDArray[np.float64],
    start: NDArray[np.floating] | float,
) -> None:
    """Fill rows with what days bring up to each end but the first, a row at a time, on `start`."""
    so_far: NDArray[np.floating] | float = start
    for row, (one, other) in zip(found, pairwise(ends), strict=True):
        if one + 1 == other:
            np.add(so_far, days[one], out=row)
        else:
            np.add(so_far, days[one:other].sum(axis=0, dtype=np.float64), out=row)
        so_far = row


def maximal_sets(sets: Sequence[str]) -> tuple[str, ...]:
    """Return the sets of days of the week that no other of them holds."""
    return tuple(one for one in sets if not any(set(one) < set(other) for other in sets))


def non_dominated(gains: NDArray[np.float64], risk: Ints) -> Bools:
    """Return which points no other beats: gains (P, G) as large and a risk as small, one better.

    Means within a millionth are alike: sums of draws are of single precision.
    """
    tie = 1e-6 * np.maximum(1.0, np.abs(gains))
    no_less = (gains[None] >= gains[:, None] - tie[:, None]).all(axis=2)
    more = (gains[None] > gains[:, None] + tie[:, None]).any(axis=2)
    beats = no_less & (risk[None] <= risk[:, None]) & (more | (risk[None] < risk[:, None]))
    found: Bools = np.logical_not(beats.any(axis=1))
    return found
