"""Choices a user can make between honest ways to reckon; the first of each is the usual one."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

from analytics.errors import WrongUse

Words = TypeVar("Words", bound=StrEnum)


class Thin(StrEnum):
    """What becomes of strata with one sampled unit or none."""

    BORROW = "borrow"  # by the named rules of `analytics.survey.thin_strata`
    REFUSE = "refuse"  # no number that needs a neighbour


class Effort(StrEnum):
    """Where the effort comes from."""

    INTERVIEWS = "interviews"  # boats counted at the ramps, hours told in interviews
    COUNTS = "counts"  # boats counted on the water


class Classes(StrEnum):
    """Which method tells encounters by size and mark."""

    SAMPLE_FIRST = "sample_first"  # test fishing where there is any, else interviews
    REPORTED = "reported"  # as interviews tell
    SAMPLED = "sampled"  # test fishing, or no number


def choice(options: type[Words], word: str, name: str) -> Words:
    """Return a choice by its word.

    Raises
    ------
    WrongUse
        If there is no such choice.
    """
    try:
        return options(word)
    except ValueError:
        allowed = " or ".join(options)
        raise WrongUse(f"{name} {word!r}: allowed are {allowed}") from None


@dataclass(frozen=True, slots=True)
class Reckoning:
    """How totals are reckoned.

    Parameters
    ----------
    thin : Thin
        What becomes of strata with one sampled unit or none.
    effort : Effort
        Where effort comes from.
    expand : bool
        Expand by on-water coverage to boats that land elsewhere.
    day_hours : float, optional
        Hours of the fishing day over which boats were counted; daylight where not given.
    classes : Classes
        Which method tells encounters by size and mark.
    """

    thin: Thin = Thin.BORROW
    effort: Effort = Effort.INTERVIEWS
    expand: bool = False
    day_hours: float | None = None
    classes: Classes = Classes.SAMPLE_FIRST

    @classmethod
    def of(
        cls,
        *,
        thin: str = Thin.BORROW,
        effort: str = Effort.INTERVIEWS,
        expand: bool = False,
        day_hours: float | None = None,
        classes: str = Classes.SAMPLE_FIRST,
    ) -> Reckoning:
        """Return the choices by their words.

        Raises
        ------
        WrongUse
            If a word is not known, or two choices contradict each other.
        """
        chosen = cls(
            choice(Thin, thin, "thin"),
            choice(Effort, effort, "effort"),
            expand,
            day_hours,
            choice(Classes, classes, "classes"),
        )
        if expand and chosen.effort is Effort.COUNTS:
            raise WrongUse(
                "effort counts sees every boat on the water, so there is nothing to expand; "
                "choose one of the two"
            )
        if day_hours is not None and chosen.effort is not Effort.COUNTS:
            raise WrongUse("day hours are used with effort counts only")
        return chosen
