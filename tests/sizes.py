"""How much is simulated: on every commit enough to show planted errors, before a release all.

``python -m tests.simulation --full`` sets the variable; bounds follow from the number of seasons.
"""

from __future__ import annotations

import os

VARIABLE = "BLACKMOUTH_TESTS"
IS_FULL = os.environ.get(VARIABLE) == "full"


def sized(commit: float, full: float) -> float:
    """Return the number for the size that was asked for."""
    return full if IS_FULL else commit


def n_sized(commit: int, full: int) -> int:
    """Return the count of runs for the size that was asked for."""
    return full if IS_FULL else commit


def slack(n: int, *, errors: float = 3.3) -> float:
    """Return how far chance takes the spread of `n` errors from its own value, as a share.

    A standard deviation of n normal errors is itself known to 1/√(2n); `errors` of those.
    """
    return errors / (2 * n) ** 0.5
