"""What stands behind sampled classes, domain by domain, in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.fish.pools import ENOUGH_BASE, ENOUGH_FISH, Rule
from analytics.fish.sampled import DAMPED_UNDER

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.bulletin.classes import Pooled

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]

_ELSEWHERE = "test fish of other weeks or areas taken in"
_FEW_BASE = f"though {ENOUGH_FISH} were measured, under {ENOUGH_BASE} of the base were expected"


@dataclass(frozen=True, slots=True, eq=False)
class DomainWords:
    """What is said of D domains of C area-weeks.

    Parameters
    ----------
    areas : tuple of str
        Names by code.
    pooled : Pooled
    weight : ndarray of float, shape (D, C)
        Base fish of each area-week in each domain.
    place : ndarray of int, shape (C,)
        The domain of each area-week.
    unknown : ndarray of float, shape (D,)
        Reported releases of unknown size.
    """

    areas: tuple[str, ...]
    pooled: Pooled
    weight: Floats
    place: Ints
    unknown: Floats

    def missing(self) -> tuple[str, ...]:
        """Return why there is no figure; empty where there is one."""
        if self.pooled.sample.why_none:
            return (self.pooled.sample.why_none,) * len(self.weight)
        return tuple(self._missing(place) for place in range(len(self.weight)))

    def rules(self) -> tuple[str, ...]:
        """Return how samples were pooled; of several area-weeks for how many, how far at most."""
        return tuple(self._rule(place) for place in range(len(self.weight)))

    def notes(self) -> tuple[str, ...]:
        """Return base, sample, rule and assumptions."""
        many = self.n_class[:, -1]
        return tuple(self._notes(place, float(many[place])) for place in range(len(self.weight)))

    @property
    def n_class(self) -> Floats:
        """Sampled fish behind each domain by class, and all of them, shape (D, 5)."""
        pools, sample = self.pooled.pools, self.pooled.sample
        hit = np.zeros((len(self.weight), len(sample.area), 4, sample.n.shape[1]), dtype=bool)
        for line in np.unique(pools.line[pools.line >= 0]):
            rows = pools.line == line
            used = (self.weight[:, rows] > 0).astype(np.float64) @ pools.member[rows] > 0
            hit |= used[:, :, None, None] & sample.classes_of(np.array([line]))[0]
        by_class = np.einsum("dgjk,gk->dj", hit, sample.n)
        all_fish = np.einsum("dgk,gk->d", hit.any(axis=2), sample.n)
        return np.concatenate([by_class, all_fish[:, None]], axis=1)

    def _missing(self, place: int) -> str:
        base, ratios = self.pooled.base, self.pooled.ratios
        here, fish = self.place == place, self.weight[place]
        lost = (fish > 0) & ~ratios.is_served
        is_legal = bool((~base.is_by_mark[lost if lost.any() else here]).any())
        unlined = lost & (self.pooled.pools.line < 0)
        if unlined.any():
            return f"no minimum length in {self._names(unlined)}, so no fish there has a side"
        if lost.any():
            what = "legal" if is_legal else "legal and marked"
            return f"none of {self.pooled.sample.n.sum():.0f} fish of test fishing was {what}"
        what = "legal" if is_legal else "legal marked"
        return "" if fish.any() else f"no {what} fish was kept or released here"

    def _rule(self, place: int) -> str:
        pools, cells = self.pooled.pools, np.flatnonzero(self.weight[place] > 0)
        taken = cells[(pools.rule[cells] > Rule.OWN) & (pools.rule[cells] != Rule.NONE)]
        if not len(taken):
            return ""
        widest = pools.words[taken[np.argmax(pools.rule[taken])]]
        few = int(pools.is_few[taken].sum())
        if len(cells) == 1:
            return f"test fish taken in from {widest}" + (f" ({_FEW_BASE})" if few else "")
        many = f"{len(taken)} of {len(cells)}" if len(taken) < len(cells) else f"all {len(cells)}"
        because = f" ({few} of them {_FEW_BASE})" if few else ""
        return f"{_ELSEWHERE} for {many} area-weeks, at the widest from {widest}{because}"

    def _notes(self, place: int, n_fish: float) -> str:
        sample, ratios = self.pooled.sample, self.pooled.ratios
        fish, rule = self.weight[place], self._rule(place)
        said = [*self._of_base(place), f"{n_fish:.0f} fish of test fishing", rule]
        if np.any(ratios.is_damped & (fish > 0)):
            said.append(f"damped where under {DAMPED_UNDER} fish of the base were sampled")
        said.append(self._lent(place))
        if sample.left_out:
            said.append(f"{', '.join(sample.left_out)} left out")
        if self.unknown[place] > 0:
            many = f"{self.unknown[place]:,.0f} reported releases of unknown size"
            said.append(f"{many} are not in the base")
        return "; ".join(filter(None, said))

    def _of_base(self, place: int) -> list[str]:
        base, here = self.pooled.base, self.place == place
        filled = here & (self.weight[place] > 0)
        by_mark, said = (filled if filled.any() else here) & base.is_by_mark, []
        by_size = (filled if filled.any() else here) & ~base.is_by_mark
        if by_mark.any():
            said.append("base: legal marked fish kept and released")
        if by_size.any():
            areas = self._names(by_size)
            said.append(f"base: all legal fish in {areas} (no mark of kept fish read)")
        unread = here & base.is_unmarked
        if unread.any():
            areas = self._names(unread)
            said.append(f"legal releases in {areas} taken as unmarked (no mark of one read)")
        return said

    def _lent(self, place: int) -> str:
        base = self.pooled.base
        filled = (self.weight[place] > 0) & base.is_by_mark
        lent = [one for one in np.array(base.lent.said((0, 1)), dtype=object)[filled] if one]
        if not lent:
            return ""
        return f"marked shares lent to {len(lent)} area-weeks" if filled.sum() > 1 else str(lent[0])

    def _names(self, rows: Bools) -> str:
        return ", ".join(self.areas[one] for one in np.unique(self.pooled.base.area[rows]))
