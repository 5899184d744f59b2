"""How one measure of a fish follows from another: regressions, with stated factors behind them.

A regression of the user's own fish comes first; where they are too few or say what no fish can
be, a stated factor takes its place, and the words of `Conversion.source` say which and why.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from analytics.codes import coded, join_codes
from analytics.data.schema import (
    CONDITION,
    CONDITION_POSSIBLE,
    CONDITION_USUAL,
    FORK_PER_TOTAL_POSSIBLE,
    FORK_PER_TOTAL_USUAL,
    TOTAL_PER_FORK,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

FORK, TOTAL, WEIGHT = "fork_length_mm", "total_length_mm", "weight_g"
#: Fewest fish behind a regression (working rule, no source).
FEWEST = 20
#: Fork lengths, mm, over which a regression must give totals that a fish can have.
_FORKS = (250.0, 1000.0)
#: Powers of length that weights of fish follow (Froese 2006, Cube law, condition factor and
#: weight-length relationships, J. Appl. Ichthyol. 22; from memory).
_POWERS = (2.5, 3.5)
_MM_PER_CM = 10


class Form(StrEnum):
    """Shape of a conversion."""

    LINEAR = "linear"
    POWER = "power"
    STATED = "stated_factor"


@dataclass(frozen=True, slots=True)
class Regression:
    """A straight line by ordinary least squares, with standard errors of its two numbers."""

    intercept: float
    slope: float
    intercept_se: float
    slope_se: float
    residual_sd: float
    r_squared: float
    n: int


def least_squares(x: ArrayLike, y: ArrayLike) -> Regression:
    r"""Fit ``y = a + b x + e`` by ordinary least squares.

    ``b = S_xy/S_xx``, ``s² = (S_yy - b S_xy)/(n - 2)``, ``v(b) = s²/S_xx`` and
    ``v(a) = s² (1/n + x̄²/S_xx)`` (any textbook of regression).

    `x`, `y` (n,).

    Raises
    ------
    ValueError
        If there are fewer than three pairs, or `x` is the same in all.
    """
    given, target = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    n = len(given)
    off = given - given.mean() if n else given
    s_xx = float(off @ off)
    if n < 3 or s_xx <= 0:
        raise ValueError(f"{n} pairs: a line needs at least three, not all of one length")
    above = target - target.mean()
    slope = float(off @ above) / s_xx
    left = above - slope * off
    s_yy, s_ee = float(above @ above), float(left @ left)
    variance = s_ee / (n - 2)
    return Regression(
        intercept=float(target.mean() - slope * given.mean()),
        slope=slope,
        intercept_se=math.sqrt(variance * (1 / n + float(given.mean()) ** 2 / s_xx)),
        slope_se=math.sqrt(variance / s_xx),
        residual_sd=math.sqrt(variance),
        r_squared=1 - s_ee / s_yy if s_yy > 0 else math.nan,
        n=n,
    )


@dataclass(frozen=True, slots=True)
class Conversion:
    """One measure of a fish from another.

    Parameters
    ----------
    target, given : str
        Columns of ``fish``.
    form : Form
        ``linear``: target = a + b · given; ``power``: ln target = a + b · ln given.
    source : str
        Where the numbers come from, in words.
    regression : Regression, optional
        The fit; without it `factor` holds.
    factor : float, optional
        A stated factor: total over fork length, or the condition factor K of a weight.
    """

    target: str
    given: str
    form: Form
    source: str
    regression: Regression | None = None
    factor: float | None = None

    def predict(self, given: ArrayLike) -> NDArray[np.float64]:
        r"""Return the mean of the target at some lengths in mm.

        The power form is turned back with ``exp(s²/2)``, s the residual spread of the logarithms,
        since the exponential of a mean logarithm is under the mean (Sprugel 1983, Correcting for
        bias in log-transformed allometric equations, Ecology 64; from memory). A condition factor
        gives ``W = K L³/100``, g and cm.
        """
        x = np.asarray(given, dtype=np.float64)
        fit = self.regression
        if fit is None:
            factor = math.nan if self.factor is None else self.factor
            return factor * (x if self.target == TOTAL else (x / _MM_PER_CM) ** 3 / 100)
        if self.form is Form.POWER:
            scale = math.exp(fit.intercept + fit.residual_sd**2 / 2)
            return np.asarray(scale * x**fit.slope)
        return fit.intercept + fit.slope * x


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Fish with both measures: two arrays of shape (n,), and whose fish they are, in words."""

    given: NDArray[np.float64]
    target: NDArray[np.float64]
    words: str


def are_possible_lengths(fork: ArrayLike, total: ArrayLike) -> NDArray[np.bool_]:
    """Return which fish have a fork and a total length that go together."""
    low, high = FORK_PER_TOTAL_POSSIBLE
    ratio = np.asarray(fork, dtype=np.float64) / np.asarray(total, dtype=np.float64)
    return np.asarray((ratio >= low) & (ratio <= high))


def condition(length_mm: ArrayLike, weight_g: ArrayLike) -> NDArray[np.float64]:
    """Return the condition factor ``K = 100 W/L³`` (g, cm) of every fish."""
    cm = np.asarray(length_mm, dtype=np.float64) / _MM_PER_CM
    return np.asarray(100 * np.asarray(weight_g, dtype=np.float64) / cm**3)


def total_from_fork(samples: Sequence[Pairs]) -> Conversion:
    """Return total from fork length: the first sample whose regression will do, else a factor.

    Fish whose lengths are at odds leave the regression. At least `FEWEST` fish are needed, and
    totals that leave fork over total between 0.85 and 1 for forks of 250 to 1,000 mm.

    `samples`: fork and total lengths, in the order in which they are to be tried.
    """
    why_not = []
    for sample in samples:
        kept = are_possible_lengths(sample.given, sample.target)
        fit, words = _fitted(sample, kept, "regression_of_lengths")
        if fit is not None:
            forks = np.array(_FORKS)
            totals = fit.intercept + fit.slope * forks
            if (totals > 0).all() and are_possible_lengths(forks, totals).all():
                return Conversion(TOTAL, FORK, Form.LINEAR, words, fit)
            words = join_codes([words, coded("impossible_lengths", slope=f"{fit.slope:.3g}")])
        why_not.append(words)
    low, high = FORK_PER_TOTAL_USUAL
    stated = coded("fork_over_total", low=low, high=high)
    return Conversion(
        TOTAL, FORK, Form.STATED, join_codes([stated, *why_not]), factor=TOTAL_PER_FORK
    )


def weight_from_length(samples: Sequence[Pairs], *, given: str = TOTAL) -> Conversion:
    """Return weight from length: the first sample whose regression will do, else condition.

    ``ln W = a + b ln L``. Fish with a condition outside 0.5 to 2.5 leave the regression; at least
    `FEWEST` are needed, and a power b of 2.5 to 3.5.

    `samples`: lengths, mm, and weights, g, in the order in which they are to be tried; `given`:
    which length they hold; a stated condition factor always takes the fork length.
    """
    why_not = []
    low, high = CONDITION_POSSIBLE
    for sample in samples:
        shape = condition(sample.given, sample.target)
        logs = Pairs(np.log(sample.given), np.log(sample.target), sample.words)
        fit, words = _fitted(logs, (shape >= low) & (shape <= high), "regression_of_weight")
        if fit is not None:
            if _POWERS[0] <= fit.slope <= _POWERS[1]:
                return Conversion(WEIGHT, given, Form.POWER, words, fit)
            words = join_codes([words, coded("impossible_power", power=f"{fit.slope:.3g}")])
        why_not.append(words)
    low, high = CONDITION_USUAL
    stated = coded("condition_factor", low=low, high=high)
    return Conversion(WEIGHT, FORK, Form.STATED, join_codes([stated, *why_not]), factor=CONDITION)


def _fitted(sample: Pairs, kept: NDArray[np.bool_], name: str) -> tuple[Regression | None, str]:
    """Return the fit of the pairs that are kept, if they will do, and codes on them."""
    n, n_out = int(kept.sum()), int((~kept).sum())
    outliers = coded("outliers_left_out", n=n_out) if n_out else ""
    words = join_codes([coded(name, n=n, span=sample.words), outliers])
    if n < FEWEST:
        return None, join_codes([words, coded("fish_needed", n=FEWEST)])
    try:
        return least_squares(sample.given[kept], sample.target[kept]), words
    except ValueError:
        return None, join_codes([words, coded("one_length")])
