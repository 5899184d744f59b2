"""How near a limit is, as a code by a stated rule on the probability of exceeding it."""

from __future__ import annotations

from enum import StrEnum

from analytics.catch_limits import LIKELY
from analytics.rounding import percent

#: From this probability of exceeding a limit on it is watched (our choice, no source); from
#: `LIKELY` on it is near.
WATCHED = 0.1


class LimitState(StrEnum):
    """How near a limit is."""

    WELL_BELOW = "well_below"
    WATCH = "watch"
    NEAR = "near"
    EXCEEDED = "exceeded"
    UNKNOWN = "unknown"


#: The words of each state, the nearest first.
STATE_WORDS = {
    LimitState.EXCEEDED: "exceeded",
    LimitState.NEAR: "near",
    LimitState.WATCH: "watch",
    LimitState.WELL_BELOW: "well below",
    LimitState.UNKNOWN: "not known",
}
STATE_RULE_BRIEF = (
    f"Near: a chance of {percent(LIKELY)} or more to exceed; watch: {percent(WATCHED)} or more "
    "(our choice, no source)"
)
STATE_RULE = (
    f"Exceeded: the total so far is over the limit. Near: the probability that it is exceeded by "
    f"the planned close is {percent(LIKELY)} or more; watch: {percent(WATCHED)} or more; well "
    f"below: under {percent(WATCHED)}. The two bounds are our choice, no source. Reached: the "
    "day by which it is as likely as not."
)


def state_of(probability: float | None, *, is_exceeded: bool) -> LimitState:
    """Return how near a limit is.

    Parameters
    ----------
    probability : float or None
        That the limit is exceeded by the planned close; of a season that is over, that it was.
    is_exceeded : bool
        Whether the total so far is over the limit.
    """
    if is_exceeded:
        return LimitState.EXCEEDED
    if probability is None:
        return LimitState.UNKNOWN
    if probability >= LIKELY:
        return LimitState.NEAR
    return LimitState.WATCH if probability >= WATCHED else LimitState.WELL_BELOW
