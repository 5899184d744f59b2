"""Choices a user can make between honest ways to reckon; the first of each is the usual one."""

from __future__ import annotations

from enum import StrEnum
from typing import TypeVar

from analytics.errors import WrongUse

Words = TypeVar("Words", bound=StrEnum)


class Thin(StrEnum):
    """What becomes of strata with one sampled unit or none."""

    BORROW = "borrow"  # by the named rules of `analytics.survey.borrow`
    REFUSE = "refuse"  # no number that needs a neighbour


class Effort(StrEnum):
    """Where the effort comes from."""

    INTERVIEWS = "interviews"  # boats counted at the ramps, hours told in interviews
    COUNTS = "counts"  # boats counted on the water


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
