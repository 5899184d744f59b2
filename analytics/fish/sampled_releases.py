"""Releases from test fishing: sums of their classes and fish kept, and deaths at mean rates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from analytics.codes import coded
from analytics.fish.mortality_rates import ANY, DROP_OFF, KEPT_FATE, RELEASED
from analytics.fish.release_mortality import KEPT_RATE, NO_RATE, OF_KEPT, deaths_at_rates

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analytics.arrays import Floats
    from analytics.fish.mortality_rates import MortalityRate
    from analytics.fish.release_mortality import DeathPlan, FishByRate

    class HasLimits(Protocol):
        """A rate, or a mean of rates, with an interval."""

        def limits(self, level: float) -> tuple[float | None, float | None]:
            """Return its low and high end; None where there is none."""


def deaths_at_ends(
    fish: Iterable[tuple[HasLimits, float]], level: float
) -> tuple[float, float] | tuple[None, None]:
    """Return deaths at the low and high ends of rates; None where a rate of some fish has none."""
    low = high = 0.0
    for rate, many in fish:
        if many > 0:
            ends = rate.limits(level)
            if ends[0] is None or ends[1] is None:
                return None, None
            low, high = low + many * ends[0], high + many * ends[1]
    return low, high


# The rate of a kind of fish whose methods and wounds are given by reports alone.


@dataclass(frozen=True, slots=True)
class MeanRate:
    """Rates in use, each with its share of the fish; shares add up to 1.

    `weighted`: code of what the shares are of; `missing`: why there is no rate, empty where there
    is.
    """

    parts: tuple[tuple[MortalityRate, float], ...]
    weighted: str = ""
    missing: str = ""

    def limits(self, level: float) -> tuple[float | None, float | None]:
        """Return the mean of the low and of the high ends; None where a rate has none."""
        return deaths_at_ends(self.parts, level)


def mean_rate(plan: DeathPlan, found: FishByRate, place: int, fate: str, size: str) -> MeanRate:
    """Return the mean of the rates in use of one kind of fish in a domain.

    Weighted by reported fish; where none was reported, the one rate if there is only one. `plan`:
    in detail; `place`: index of the domain; `size`: ``any`` for the base of drop-off.
    """
    if fate in plan.absent:
        return MeanRate((), missing=plan.absent[fate])
    groups = [
        at for at, one in enumerate(plan.groups) if one.fate == fate and one.size_class == size
    ]
    lacking = plan.missing_at(found, tuple(groups), place)
    if lacking:
        return MeanRate((), missing=lacking)
    fish: dict[MortalityRate, float] = {}
    for part, (group, rate) in enumerate(plan.parts):
        if group in groups and rate is not NO_RATE:
            fish[rate] = fish.get(rate, 0.0) + max(float(found.fish[place, part]), 0.0)
    all_fish = sum(fish.values())
    noun = "met_or_kept" if fate == DROP_OFF else f"{size}_releases"
    if not all_fish and len(fish) == 1:
        return MeanRate(tuple((rate, 1.0) for rate in fish), noun)
    if not all_fish:
        return MeanRate((), missing=coded("no_reported_for_rate", of=noun))
    return MeanRate(tuple((rate, many / all_fish) for rate, many in fish.items() if many), noun)


# Sums of the classes and of fish kept, with their joint error.

LEGAL, SUBLEGAL = "legal", "sublegal"
#: Places: the classes of `composition_sample.COLUMNS`, all of them together, then fish kept.
KEPT = 5
Columns = tuple[int, ...]
ALL_MET: Columns = (0, 0, 0, 0, 1, 0)
KEPT_FISH: Columns = (0, 0, 0, 0, 0, 1)
LEGAL_RELEASED: Columns = (1, 1, 0, 0, 0, -1)
SUBLEGAL_RELEASED: Columns = (0, 0, 1, 1, 0, 0)
NOTHING: Columns = (0, 0, 0, 0, 0, 0)
#: Rounding of a sum of classes, relative to all fish met.
ROUNDING = 1e-12


def joint_columns(
    value: Floats, cov: Floats, across: Floats, kept: Floats, kept_variance: Floats
) -> tuple[Floats, Floats]:
    """Return the five columns of classes and fish kept as six, with their covariance.

    `value` (D, 5), `cov` (D, 5, 5); `across` (D, 5): covariance with fish kept; `kept`,
    `kept_variance` (D,).
    """
    both = np.concatenate([value, kept[:, None]], axis=1)
    joint = np.empty((len(value), KEPT + 1, KEPT + 1))
    joint[:, :KEPT, :KEPT] = cov
    joint[:, KEPT, :KEPT] = joint[:, :KEPT, KEPT] = across
    joint[:, KEPT, KEPT] = kept_variance
    return both, joint


@dataclass(frozen=True, slots=True, eq=False)
class SampledReleases:
    """One domain: fish of the six columns, and what interviews and sample bring to their error.

    - `fish` (6,); `survey`, `sample` (6, 6).
    - `rates`: the mean rate of each fate and size.
    - `drop_off_bases`: codes of what the drop-off rates in use are of.
    """

    fish: Floats
    survey: Floats
    sample: Floats
    rates: dict[tuple[str, str], MeanRate]
    drop_off_bases: frozenset[str]

    @classmethod
    def of(
        cls,
        fish: Floats,
        survey: Floats,
        sample: Floats,
        *,
        plan: DeathPlan,
        by_rate: FishByRate,
        at: int,
    ) -> SampledReleases:
        """Return a domain with the mean rates of its reported fish, the row `at` of `by_rate`."""
        rates = {(KEPT_FATE, ANY): MeanRate(((KEPT_RATE, 1.0),))}
        for fate, size in ((RELEASED, LEGAL), (RELEASED, SUBLEGAL), (DROP_OFF, ANY)):
            rates[fate, size] = mean_rate(plan, by_rate, at, fate, size)
        bases = frozenset(group.base for group in plan.groups if group.fate == DROP_OFF)
        if len(bases) > 1 and not rates[DROP_OFF, ANY].missing:
            rates[DROP_OFF, ANY] = MeanRate((), missing=coded("two_drop_off_bases"))
        return cls(fish, survey, sample, rates, bases)

    @property
    def lacks_legal(self) -> bool:
        """Whether fewer legal fish were met than kept."""
        return self.many(LEGAL_RELEASED) < -ROUNDING * max(self.many(ALL_MET), 1.0)

    @property
    def kinds(self) -> dict[tuple[str, str], Columns]:
        """Fish of every fate and size as sums of the six columns."""
        return {
            (KEPT_FATE, ANY): KEPT_FISH,
            (RELEASED, LEGAL): NOTHING if self.lacks_legal else LEGAL_RELEASED,
            (RELEASED, SUBLEGAL): SUBLEGAL_RELEASED,
            (DROP_OFF, ANY): KEPT_FISH if self.drop_off_bases == {OF_KEPT} else ALL_MET,
        }

    def many(self, kind: Sequence[int] | Floats) -> float:
        """Return the fish of a kind."""
        return float(np.asarray(kind, dtype=np.float64) @ self.fish)

    def variance(self, kind: Floats) -> float:
        """Return the variance of the fish of a kind."""
        return float(kind @ (self.survey + self.sample) @ kind)

    def deaths(self, keys: Sequence[tuple[str, str]]) -> SampledDeaths:
        """Return the deaths of some fates and sizes; each needs a rate."""
        kinds = self.kinds
        by_rate: dict[MortalityRate, Floats] = {}
        for key in keys:
            kind = np.asarray(kinds[key], dtype=np.float64)
            for rate, weight in self.rates[key].parts:
                by_rate[rate] = by_rate.get(rate, np.zeros(KEPT + 1)) + weight * kind
        rates = list(by_rate)
        map_ = np.stack(list(by_rate.values())) if rates else np.zeros((0, KEPT + 1))
        fish, cov = map_ @ self.fish, map_ @ (self.survey + self.sample) @ map_.T
        (value,), (of_fish,), (variance,) = deaths_at_rates(fish[None], cov[None], rates)
        slope = np.array([rate.rate_prop for rate in rates]) @ map_
        parts = float(slope @ self.survey @ slope), float(slope @ self.sample @ slope)
        return SampledDeaths(float(value), float(of_fish), float(variance), *parts)


@dataclass(frozen=True, slots=True)
class SampledDeaths:
    """Deaths; the variance of the fish and with that of the rates; its parts by source."""

    value: float
    of_fish: float
    variance: float
    from_survey: float
    from_sample: float
