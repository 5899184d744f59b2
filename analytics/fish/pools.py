"""Which test-fishing fish stand for an area-week where few were measured in it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]

#: Size by mark, in the order of every array of classes.
SIZE_MARK = ("legal_marked", "legal_unmarked", "sublegal_marked", "sublegal_unmarked")
#: Measured fish under which samples are pooled (a choice of this program, no source).
ENOUGH_FISH = 20
#: Fish of the base class that a pool of weeks should hold by the area's share of them: the damped
#: ratio of a pool that expects μ of them is too low by the factor ``1 - exp(-μ)``, here 0.993.
ENOUGH_BASE = 5
_SEASON = "the whole season of the area"


class Rule(IntEnum):
    """How far a pool reaches, from its own area-week to everything."""

    OWN = 0
    WEEKS = 1
    SEASON = 2
    NEAR_AREAS = 3
    ALL_AREAS = 4
    NONE = 5


@dataclass(frozen=True, slots=True, eq=False)
class CompositionSample:
    """Fish of test fishing, counted by area, week, size step and mark.

    Steps lie between the L minimum lengths of the season, so that a fish lent to an area with
    another minimum is sized by the line of the borrower.

    Parameters
    ----------
    area, week : ndarray of int, shape (G,)
        Code of the area, and the week as whole weeks since an origin.
    n : ndarray of float, shape (G, K)
        Fish of each kind, K = 2 (L + 1): the largest step marked, unmarked, then the next. With
        one minimum length these are the classes of `SIZE_MARK`.
    distance : ndarray of float, shape (A, A)
        Between areas, km; NaN where a position is not known.
    line : mapping of (int, int) to int
        Place of the minimum length of an area and week among all of them, from the shortest; no
        entry where there is none.
    left_out : tuple of str
        Fish that could not be used, by why, in words.
    why_none : str
        Why there is no fish; empty where there is one.
    """

    area: Ints
    week: Ints
    n: Floats
    distance: Floats
    line: Mapping[tuple[int, int], int]
    left_out: tuple[str, ...] = ()
    why_none: str = ""

    def lines_of(self, area: Ints, week: Ints) -> Ints:
        """Return the place of the minimum length of area-weeks, -1 for none, shape (C,)."""
        pairs = zip(area.tolist(), week.tolist(), strict=True)
        return np.array([self.line.get(one, -1) for one in pairs], dtype=np.int64)

    def classes_of(self, line: Ints) -> Bools:
        """Return which kinds of fish make each class under some lines, shape (C, 4, K)."""
        n_kinds = self.n.shape[1]
        step, mark = np.divmod(np.arange(n_kinds), 2)
        is_legal = (n_kinds // 2 - 1 - step) > line[:, None]
        kind = np.where(is_legal, 0, 2) + mark
        found: Bools = (kind[:, None, :] == np.arange(4)[:, None]) & (line >= 0)[:, None, None]
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Pools:
    """Which sample cells stand for each of C area-weeks.

    Parameters
    ----------
    member : ndarray of bool, shape (C, G)
    rule : ndarray of int, shape (C,)
        Codes of `Rule`.
    words : tuple of str, length C
        Where the fish come from; empty where nothing was pooled.
    is_few : ndarray of bool, shape (C,)
        Pooled for want of fish of the base, though enough fish were measured.
    line : ndarray of int, shape (C,)
        Place of the minimum length; -1 where there is none, and no fish serve.
    """

    member: Bools
    rule: Ints
    words: tuple[str, ...]
    is_few: Bools
    line: Ints


def pools_of(
    sample: CompositionSample, *, area: Ints, week: Ints, base: Bools, names: tuple[str, ...]
) -> Pools:
    """Pool the sample for each area-week until `ENOUGH_FISH` were measured, one of the base class.

    The area's adjacent weeks come first, as many before as after; then all weeks of the area; then
    all weeks of the nearest areas, one after the other; then everything. Where the area has no
    position all areas are taken together. Fewer fish in everything still serve, where one is of
    the base class. A pool of some weeks has to be large enough, too, that by the area's share of
    the base class over its whole season it should hold `ENOUGH_BASE` of them: to ask for those
    that it does hold would favour pools with many (order and numbers are choices of this program,
    no source).

    Parameters
    ----------
    sample : CompositionSample
    area, week : ndarray of int, shape (C,)
        Of each area-week, coded as those of the sample.
    base : ndarray of bool, shape (C, 4)
        Classes that the interviews tell.
    names : tuple of str, length A
        Names of the areas.

    Returns
    -------
    Pools
    """
    line = sample.lines_of(area, week)
    by_line = {
        one: sample.n @ sample.classes_of(np.array([one]))[0].T.astype(np.float64)
        for one in np.unique(line).tolist()
    }
    member = np.zeros((len(area), len(sample.area)), dtype=bool)
    rule, is_few, words = np.full(len(area), int(Rule.NONE)), np.zeros(len(area), bool), []
    for c, one in enumerate(line.tolist()):
        place = _Place(sample, by_line[one], int(area[c]), int(week[c]), base[c])
        member[c], rule[c], said = place.pool(names)
        is_few[c] = rule[c] not in (Rule.OWN, Rule.NONE) and place.has_many
        words.append(said)
    return Pools(member, rule, tuple(words), is_few, line)


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """One area-week, and all sampled fish by its minimum length, shape (G, 4)."""

    sample: CompositionSample
    n: Floats
    area: int
    week: int
    base: Bools

    @property
    def has_many(self) -> bool:
        """Whether enough fish were measured in the area-week itself."""
        own = (self.sample.area == self.area) & (self.sample.week == self.week)
        return bool(self.n[own].sum() >= ENOUGH_FISH)

    def enough(self, rows: Bools, expected: float = 0.0) -> bool:
        """Return whether some cells hold enough fish to stand for the area-week."""
        of_season = self.n[self.sample.area == self.area].sum(axis=0)
        share = of_season[self.base].sum() / max(of_season.sum(), 1.0)
        n = self.n[rows].sum(axis=0)
        many = n.sum() >= ENOUGH_FISH and n.sum() * share >= expected
        return bool(many and n[self.base].sum() > 0)

    def pool(self, names: tuple[str, ...]) -> tuple[Bools, Rule, str]:
        """Return the cells that stand for the area-week, the rule, and it in words."""
        sample, own = self.sample, self.sample.area == self.area
        away = np.abs(sample.week - self.week)
        furthest = int(away[own].max(initial=0))
        for span in range(furthest + 1):
            rows = own & (away <= span)
            if self.enough(rows, ENOUGH_BASE if span < furthest else 0.0):
                return rows, *_weeks(span, furthest)
        rows, added = own, list[str]()
        for other in _nearest(sample, self.area):
            rows, added = rows | (sample.area == other), [*added, names[other]]
            if self.enough(rows):
                return rows, Rule.NEAR_AREAS, f"{_SEASON} and the nearest: {', '.join(added)}"
        everything = np.ones_like(own)
        if not self.n[:, self.base].sum() > 0:
            return np.zeros_like(own), Rule.NONE, ""
        if (own == everything).all():
            return own, Rule.SEASON, _SEASON
        return everything, Rule.ALL_AREAS, "the whole season of all areas"


def _weeks(span: int, furthest: int) -> tuple[Rule, str]:
    if span == 0:
        return Rule.OWN, ""
    if span == furthest:
        return Rule.SEASON, _SEASON
    many = "week" if span == 1 else "weeks"
    return Rule.WEEKS, f"{span} {many} before and after"


def _nearest(sample: CompositionSample, area: int) -> list[int]:
    """Return the other areas with fish and a known distance, the nearest first."""
    away = sample.distance[area]
    others = [int(one) for one in np.unique(sample.area) if one != area]
    return sorted((one for one in others if not np.isnan(away[one])), key=lambda one: away[one])
