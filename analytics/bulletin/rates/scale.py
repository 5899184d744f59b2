"""From the log or logit scale of a response to its figures, with intervals."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit
from scipy.stats import norm


@dataclass(frozen=True, slots=True)
class Scale:
    """The scale on which a response is smoothed.

    Parameters
    ----------
    is_share : bool
        Logit for a share, log for a rate.
    """

    is_share: bool

    def back(self, value: float) -> float | None:
        """Return a figure from its log or logit; None where there is none."""
        if not math.isfinite(value):
            return None
        return float(expit(value) if self.is_share else np.exp(value))

    def interval(
        self, value: float, se: float, *, level: float
    ) -> tuple[float | None, float | None]:
        """Return the limits of a figure, normal on the scale; None where there is no error."""
        if not (math.isfinite(value) and math.isfinite(se) and se > 0):
            return None, None
        step = float(norm.ppf(0.5 + level / 2)) * se
        return self.back(value - step), self.back(value + step)

    def over(self, now: float, before: float) -> float | None:
        """Return a figure over another, less 1, from their logs or logits."""
        one, other = self.back(now), self.back(before)
        return None if one is None or other is None or other == 0 else one / other - 1

    def on(self, figure: float) -> float:
        """Return the log or logit of a figure."""
        return float(logit(figure) if self.is_share else np.log(figure))
