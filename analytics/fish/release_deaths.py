"""Deaths of released and lost fish: reported counts times rates, each with its error.

Releases as anglers report them, by size class, fishing method and, where the rates ask for it, by
whether the hook held deep, at the rates the user gives. There is no default rate; where a rate is
missing the rows say so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.combine import weighted_sum
from analytics.fish.fish_by_rate import FishByRate, fish_of_group
from analytics.fish.rate_choice import (
    ANY,
    KEPT_FATE,
    LOST,
    RELEASED,
    Choice,
    GivenRate,
    fish_words,
)
from analytics.survey.reduce import Analysis, Measure

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Fates whose deaths add up to each quantity.
FATES: dict[str, tuple[str, ...]] = {
    "release_deaths_fish": (RELEASED,),
    "drop_off_deaths_fish": (LOST,),
    "total_deaths_fish": (KEPT_FATE, RELEASED, LOST),
}
_NO_SIZES = (
    "the size of released fish was recorded in no interview: all {:,.0f} released are of unknown "
    "size"
)
#: In the place of a rate that was not given: no death follows from it, and a reason is told.
NO_RATE = GivenRate("", "", "", "", 0.0, 0.0, "")
#: Fish kept are dead for sure.
KEPT_RATE = GivenRate(KEPT_FATE, ANY, ANY, ANY, 1.0, 0.0, "")


@dataclass(frozen=True, slots=True)
class Group:
    """Fish of one fate that the same rates apply to.

    Parameters
    ----------
    fate : str
        ``kept``, ``released`` or ``lost``.
    sizes : tuple of str
        Their size classes.
    methods : tuple of str or None
        Their fishing methods, None for one not told; empty for all together.
    choice : Choice
        Their rates.
    measure : Measure
        Their number.
    base : str
        Of lost fish, what the rate is of, in words; empty otherwise.
    told, deep : Measure or None
        Releases of the boats that told how many were hooked deep, and those hooked deep; of all
        sizes. None where the fish are not split.
    """

    fate: str
    sizes: tuple[str, ...]
    methods: tuple[str | None, ...]
    choice: Choice
    measure: Measure
    base: str = ""
    told: Measure | None = None
    deep: Measure | None = None

    @property
    def size_class(self) -> str:
        """Its one size class, else ``any``."""
        return self.sizes[0] if len(self.sizes) == 1 else ANY

    @property
    def rates(self) -> tuple[GivenRate, ...]:
        """The rates that some of its fish may take: shallow, deep, any wound; else `NO_RATE`."""
        return self.choice.given or (NO_RATE,)

    @property
    def words(self) -> str:
        """The fish in words."""
        return fish_words(self.fate, self.size_class, self.methods)


@dataclass(frozen=True, slots=True)
class DeathPlan:
    """How deaths follow from interviews.

    Parameters
    ----------
    groups : tuple of Group
        Kept fish, releases by rate, the base of drop-off by rate, and fish without a rate.
    absent : mapping of str to str
        Fates without any rate in the tables, in words.
    assumed : mapping of str to tuple of str
        Assumptions in words, by fate.
    unsized : bool
        The size of released fish was recorded in no interview.
    """

    groups: tuple[Group, ...]
    absent: Mapping[str, str]
    assumed: Mapping[str, tuple[str, ...]]
    unsized: bool = False

    @property
    def measures(self) -> dict[str, Measure]:
        """Every measure by name, in the order of the analysis."""
        asked = [one for group in self.groups for one in (group.measure, group.told, group.deep)]
        return {one.name: one for one in asked if one is not None}

    @property
    def analysis(self) -> Analysis:
        """The joint analysis of all measures."""
        return Analysis(tuple(self.measures))

    @property
    def parts(self) -> tuple[tuple[int, GivenRate], ...]:
        """Place of a group and one of its rates, for each part of the fish."""
        pairs = [(place, one) for place, group in enumerate(self.groups) for one in group.rates]
        return tuple(pairs)

    def fish(self, total: Floats, cov: Floats) -> FishByRate:
        """Return the fish to which each rate applies.

        A group with a pair of rates by wound is split by the deep share that boats of its fishing
        method told: ``A D/R`` deep and ``A - A D/R`` shallow (`analytics.fish.split`). In a domain
        where nobody told, all take the rate of any wound.

        Parameters
        ----------
        total : ndarray of float, shape (D, K)
            Totals in the order of `measures`.
        cov : ndarray of float, shape (D, K, K)
            Their (co)variances.

        Returns
        -------
        FishByRate
        """
        order = list(self.measures)
        fish, slopes = [], []
        untold = np.zeros((len(total), len(self.groups)), dtype=bool)
        lacking = np.zeros_like(untold)
        for place, group in enumerate(self.groups):
            whole = total[:, order.index(group.measure.name)]
            found, gradient, is_told = fish_of_group(group, total, order)
            fish += found
            slopes += gradient
            untold[:, place] = ~is_told & (whole > 0)
            lacking[:, place] = untold[:, place] & (group.choice.whole is None)
        jacobian = np.stack(slopes, axis=1)
        spread = np.einsum("dpk,dkl,dql->dpq", jacobian, cov, jacobian)
        return FishByRate(np.stack(fish, axis=1), spread, total, untold, lacking)

    def deaths(self, found: FishByRate, fates: tuple[str, ...]) -> tuple[Floats, Floats, Floats]:
        """Return the deaths of some fates: value, variance of the fish, variance of both.

        A rate that applies to several parts has one error, perfectly correlated between them;
        different rates are independent.

        Parameters
        ----------
        found : FishByRate
        fates : tuple of str

        Returns
        -------
        value, sample_variance, variance : ndarray of float, shape (D,)
        """
        rates: dict[GivenRate, list[int]] = {}
        for place, (group, rate) in enumerate(self.parts):
            if self.groups[group].fate in fates:
                rates.setdefault(rate, []).append(place)
        by_rate = np.zeros((len(rates), found.fish.shape[1]))
        for row, places in enumerate(rates.values()):
            by_rate[row, places] = 1
        return weighted_sum(
            found.fish @ by_rate.T,
            np.einsum("qp,dpr,sr->dqs", by_rate, found.cov, by_rate),
            weight=np.array([rate.rate_prop for rate in rates]),
            weight_se=np.array([rate.rate_se or 0.0 for rate in rates]),
        )

    def missing(self, found: FishByRate, fates: tuple[str, ...]) -> tuple[str, ...]:
        """Return why deaths of some fates cannot be had, domain by domain; empty where they can."""
        nothing = "; ".join(self.absent[fate] for fate in fates if fate in self.absent)
        if nothing:
            return (nothing,) * len(found.fish)
        chosen = [place for place, group in enumerate(self.groups) if group.fate in fates]
        return self.missing_of(found, tuple(chosen))

    def missing_of(self, found: FishByRate, places: tuple[int, ...]) -> tuple[str, ...]:
        """Return which rates some groups lack, domain by domain; empty where they lack none."""
        words = []
        unsized = self._unsized(found)
        for domain in range(len(found.fish)):
            lacking = [place for place in places if found.lacking[domain, place]]
            is_released = any(self.groups[place].fate == RELEASED for place in lacking)
            told = [unsized[domain]] if is_released and unsized[domain] else []
            words.append("; ".join([*told, self._lacking(lacking)]))
        return tuple(words)

    def _unsized(self, found: FishByRate) -> tuple[str, ...]:
        """Return how many fish were released where no size was recorded, domain by domain."""
        released = [
            part
            for part, (group, _) in enumerate(self.parts)
            if self.groups[group].fate == RELEASED
        ]
        numbers = found.fish[:, released].sum(axis=1)
        return tuple(_NO_SIZES.format(n) if self.unsized and n > 0 else "" for n in numbers)

    def notes(self, found: FishByRate, fates: tuple[str, ...]) -> tuple[str, ...]:
        """Return what was assumed for the deaths of some fates, domain by domain."""
        general = list(dict.fromkeys(one for fate in fates for one in self.assumed.get(fate, ())))
        split_groups = [place for place, group in enumerate(self.groups) if group.told]
        unsized = self._unsized(found) if RELEASED in fates else ("",) * len(found.fish)
        words = []
        for untold, no_sizes in zip(found.untold, unsized, strict=True):
            kinds = [self.groups[place].words for place in split_groups if untold[place]]
            own = [f"wounds not told of {', '.join(kinds)}: rate of any wound"]
            own *= bool(kinds and RELEASED in fates)
            words.append("; ".join(filter(None, [no_sizes, *general, *own])))
        return tuple(words)

    def _lacking(self, places: list[int]) -> str:
        """Say which rates are missing, fishing methods of one kind of fish together."""
        kinds: dict[tuple[str, str, str], list[str | None]] = {}
        for group in (self.groups[place] for place in places):
            why = "untold" if group.choice.is_split else group.choice.lacking
            kinds.setdefault((group.fate, group.size_class, why), []).extend(group.methods)
        words = []
        for (fate, size, why), methods in kinds.items():
            fish = fish_words(fate, size, methods)
            rate = "drop-off rate" if fate == LOST else "release rate"
            told = f"wounds not told of {fish}, and no release rate of any wound"
            words.append(told if why == "untold" else f"no {rate} for {fish}{why}")
        return "; ".join(words)


def product_figures(fish: Floats, variance: Floats, rate: GivenRate) -> tuple[Floats, ...]:
    """Return deaths of one part: value, variance from the fish, variance from fish and rate.

    The variance is that of a product of independent estimates (`analytics.combine.weighted_sum`).

    Parameters
    ----------
    fish, variance : ndarray of float, shape (D,)
    rate : GivenRate

    Returns
    -------
    tuple of ndarray of float, shape (D,)
    """
    return weighted_sum(
        fish[:, None],
        variance[:, None, None],
        weight=np.array([rate.rate_prop]),
        weight_se=np.array([rate.rate_se or 0.0]),
    )
