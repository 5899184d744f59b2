"""Choices a user can make between honest ways to calculate; the first of each is the usual one."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

from analytics.errors import UsageError

Words = TypeVar("Words", bound=StrEnum)


class ThinStrataPolicy(StrEnum):
    """What becomes of strata with one sampled unit or none."""

    BORROW = "borrow"  # by the named rules of `analytics.survey.design`
    REFUSE = "refuse"  # no number that needs a neighbour


class EffortSource(StrEnum):
    """Where the effort comes from."""

    INTERVIEWS = "interviews"  # boats counted at the ramps, hours from interviews
    COUNTS = "counts"  # boats counted on the water


class Paper(StrEnum):
    """Sizes of paper that sheets are printed on."""

    A4 = "a4"
    LETTER = "letter"


class FishBasis(StrEnum):
    """Where released fish come from, in every row of a table alike."""

    REPORTED = "reported"  # as interviews report
    SAMPLED = "sampled"  # legal marked fish of interviews at the composition of test fishing

    @property
    def other(self) -> FishBasis:
        """The other of the two."""
        return FishBasis.SAMPLED if self is FishBasis.REPORTED else FishBasis.REPORTED


def choice(options: type[Words], word: str, name: str) -> Words:
    """Return a choice by its word.

    Raises
    ------
    UsageError
        If there is no such choice.
    """
    try:
        return options(word)
    except ValueError:
        allowed = " or ".join(options)
        raise UsageError(f"{name} {word!r}: allowed are {allowed}") from None


@dataclass(frozen=True, slots=True)
class EstimationSettings:
    """How totals are estimated.

    Parameters
    ----------
    thin : ThinStrataPolicy
        What becomes of strata with one sampled unit or none.
    effort : EffortSource
        Where effort comes from.
    expand : bool
        Expand by on-water coverage to boats that land elsewhere.
    day_hours : float, optional
        Hours of the fishing day over which boats were counted; daylight if not given.
    basis : FishBasis
        Where released fish come from.
    """

    thin: ThinStrataPolicy = ThinStrataPolicy.BORROW
    effort: EffortSource = EffortSource.INTERVIEWS
    expand: bool = False
    day_hours: float | None = None
    basis: FishBasis = FishBasis.REPORTED

    @classmethod
    def of(
        cls,
        *,
        thin: str = ThinStrataPolicy.BORROW,
        effort: str = EffortSource.INTERVIEWS,
        expand: bool = False,
        day_hours: float | None = None,
        basis: str = FishBasis.REPORTED,
    ) -> EstimationSettings:
        """Return the choices by their words.

        Raises
        ------
        UsageError
            If a word is not known, or two choices contradict each other.
        """
        chosen = cls(
            choice(ThinStrataPolicy, thin, "thin"),
            choice(EffortSource, effort, "effort"),
            expand,
            day_hours,
            choice(FishBasis, basis, "basis"),
        )
        if expand and chosen.effort is EffortSource.COUNTS:
            raise UsageError(
                "effort counts sees every boat on the water, so there is nothing to expand; "
                "choose one of the two"
            )
        if day_hours is not None and chosen.effort is not EffortSource.COUNTS:
            raise UsageError("day hours are used with effort counts only")
        return chosen
