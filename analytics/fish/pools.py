"""Which test-fishing fish stand for an area-week where few were measured in it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
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
    """Fish of test fishing, counted by area, week and class.

    Parameters
    ----------
    area, week : ndarray of int, shape (G,)
        Code of the area, and the week as whole weeks since an origin.
    n : ndarray of float, shape (G, 4)
        Fish of each class of `SIZE_MARK`.
    distance : ndarray of float, shape (A, A)
        Between areas, km; NaN where a position is not known.
    n_left_out : int
        Fish whose side of the legal line or mark is not known.
    why_none : str
        Why there is no fish; empty where there is one.
    """

    area: Ints
    week: Ints
    n: Floats
    distance: Floats
    n_left_out: int = 0
    why_none: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Pools:
    """Which sample cells stand for each of C area-weeks.

    Parameters
    ----------
    member : ndarray of bool, shape (C, G)
    rule : ndarray of int, shape (C,)
        Codes of `Rule`.
    words : tuple of str, length C
        The rule in words; empty where nothing was pooled.
    """

    member: Bools
    rule: Ints
    words: tuple[str, ...]


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
    member = np.zeros((len(area), len(sample.area)), dtype=bool)
    rule, words = np.full(len(area), int(Rule.NONE)), []
    for c in range(len(area)):
        member[c], rule[c], said = _pool(sample, int(area[c]), int(week[c]), base[c], names)
        words.append(said)
    return Pools(member, rule, tuple(words))


def _pool(
    sample: CompositionSample, area: int, week: int, base: Bools, names: tuple[str, ...]
) -> tuple[Bools, Rule, str]:
    own = sample.area == area
    of_season = sample.n[own].sum(axis=0)
    share = of_season[base].sum() / max(of_season.sum(), 1.0)

    def enough(rows: Bools, expected: float = 0.0) -> bool:
        n = sample.n[rows].sum(axis=0)
        many = n.sum() >= ENOUGH_FISH and n.sum() * share >= expected
        return bool(many and n[base].sum() > 0)

    away = np.abs(sample.week - week)
    furthest = int(away[own].max(initial=0))
    for span in range(furthest + 1):
        rows = own & (away <= span)
        if enough(rows, ENOUGH_BASE if span < furthest else 0.0):
            return rows, *_weeks(span, furthest)
    rows = own
    added: list[str] = []
    for other in _nearest(sample, area):
        rows, added = rows | (sample.area == other), [*added, names[other]]
        if enough(rows):
            return rows, Rule.NEAR_AREAS, f"all weeks, with the nearest: {', '.join(added)}"
    everything = np.ones_like(own)
    if not sample.n[:, base].sum() > 0:
        return np.zeros_like(own), Rule.NONE, "no fish of the base class in any area"
    if (own == everything).all():
        return own, Rule.SEASON, "all weeks of the area"
    return everything, Rule.ALL_AREAS, "all weeks of all areas"


def _weeks(span: int, furthest: int) -> tuple[Rule, str]:
    if span == 0:
        return Rule.OWN, ""
    if span == furthest:
        return Rule.SEASON, "all weeks of the area"
    many = "week" if span == 1 else "weeks"
    return Rule.WEEKS, f"with {span} {many} before and after"


def _nearest(sample: CompositionSample, area: int) -> list[int]:
    """Return the other areas with fish and a known distance, the nearest first."""
    away = sample.distance[area]
    others = [int(one) for one in np.unique(sample.area) if one != area]
    return sorted((one for one in others if not np.isnan(away[one])), key=lambda one: away[one])
