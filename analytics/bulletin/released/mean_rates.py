"""The rate of a kind of fish whose methods and wounds are told by reports alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analytics.fish.rate_choice import LOST
from analytics.fish.rates_in_print import rate_limits, standing_of
from analytics.fish.release_deaths import NO_RATE

if TYPE_CHECKING:
    from analytics.fish.fish_by_rate import FishByRate
    from analytics.fish.rate_choice import GivenRate
    from analytics.fish.release_deaths import DeathPlan


@dataclass(frozen=True, slots=True)
class MeanRate:
    """Rates in use, each with its share of the fish.

    Parameters
    ----------
    parts : tuple of (GivenRate, float)
        Shares add up to 1.
    weighted : str
        What the shares are of, in words.
    missing : str
        Why there is no rate; empty where there is one.
    """

    parts: tuple[tuple[GivenRate, float], ...]
    weighted: str = ""
    missing: str = ""

    def ends(self, level: float) -> tuple[float, float] | None:
        """Return the mean of the low and of the high ends; None where a rate has none."""
        low = high = 0.0
        for rate, share in self.parts:
            ends = rate_limits(rate.rate_prop, rate.rate_se, level=level)
            if ends[0] is None or ends[1] is None:
                return None
            low, high = low + share * ends[0], high + share * ends[1]
        return low, high

    def columns(self, level: float) -> dict[str, Any]:
        """Return the rate, its error and limits, its sources and standing."""
        errors = [rate.rate_se for rate, _ in self.parts]
        squares = [
            (share * error) ** 2
            for (_, share), error in zip(self.parts, errors, strict=True)
            if error is not None
        ]
        ends = self.ends(level) or (None, None)
        sources = dict.fromkeys(rate.source for rate, _ in self.parts if rate.source)
        standings = {str(standing_of(rate.source, rate.rate_prop)) for rate, _ in self.parts}
        return {
            "rate_prop": sum(share * rate.rate_prop for rate, share in self.parts),
            "rate_se": sum(squares) ** 0.5 if len(squares) == len(errors) else None,
            "rate_low": ends[0],
            "rate_high": ends[1],
            "source": "; ".join(sources) or None,
            "standing": standings.pop() if len(standings) == 1 else None,
        }


def mean_rate(plan: DeathPlan, found: FishByRate, place: int, fate: str, size: str) -> MeanRate:
    """Return the mean of the rates in use of one kind of fish in a domain.

    Parameters
    ----------
    plan : DeathPlan
        In detail: each group is of one size class and method.
    found : FishByRate
        Reported fish by rate.
    place : int
        Index of the domain.
    fate, size : str
        Of the fish; ``any`` for the base of drop-off.

    Returns
    -------
    MeanRate
        Weighted by reported fish; where none was reported, the one rate if there is only one.
    """
    if fate in plan.absent:
        return MeanRate((), missing=plan.absent[fate])
    groups = [
        at for at, one in enumerate(plan.groups) if one.fate == fate and one.size_class == size
    ]
    lacking = plan.missing_of(found, tuple(groups))[place]
    if lacking:
        return MeanRate((), missing=lacking)
    fish: dict[GivenRate, float] = {}
    for part, (group, rate) in enumerate(plan.parts):
        if group in groups and rate is not NO_RATE:
            fish[rate] = fish.get(rate, 0.0) + max(float(found.fish[place, part]), 0.0)
    whole = sum(fish.values())
    noun = "fish met or kept" if fate == LOST else f"{size} releases by method and wound"
    if not whole and len(fish) == 1:
        return MeanRate(tuple((rate, 1.0) for rate in fish), noun)
    if not whole:
        return MeanRate((), missing=f"no reported {noun} tell which rate applies")
    return MeanRate(tuple((rate, many / whole) for rate, many in fish.items() if many), noun)
