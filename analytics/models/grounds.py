"""Counts and shares as grounds of `level_fit`: their likelihoods, and where a search starts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, logit

from analytics.models.beta_binomial import tally
from analytics.models.climb_start import log_rate
from analytics.models.count_laws import Family
from analytics.models.count_likelihood import CountLikelihood
from analytics.models.share_climb import FIRST_RHO, Binomial
from analytics.models.share_likelihood import ShareLikelihood

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from analytics.models.coded_rows import Coded
    from analytics.models.maximum import Likelihood

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

#: Dispersion, correlation and logit of a zero part under which there is none.
NONE, NO_ZEROS = 1e-6, -12.0
BETA_BINOMIAL, BINOMIAL = "beta_binomial", "binomial"


@dataclass(frozen=True, slots=True, eq=False)
class CountGround:
    """Counts as a ground of `level_fit`."""

    rows: Coded
    family: Family

    @property
    def groups(self) -> pd.DataFrame:
        """Every combination of the covariates, G rows."""
        return self.rows.groups

    @property
    def size(self) -> Floats:
        """Exposure or trials of each, shape (G,)."""
        counts = self.rows.counts
        spent = counts.weight * np.exp(counts.log_exposure)
        return np.asarray(np.bincount(counts.group, spent, len(self.rows.groups)))

    @property
    def is_share(self) -> bool:
        """Whether the link is the logit."""
        return False

    @property
    def base(self) -> float:
        """Log rate, or logit of the share, of all rows together."""
        return log_rate(self.rows.counts)

    def laws(self) -> list[str]:
        """Return the families to try, the one asked for first."""
        chain = [self.family]
        if self.family.has_zero_part and self.family.has_dispersion:
            chain.append(Family.NEGATIVE_BINOMIAL)
        return [str(one) for one in dict.fromkeys([*chain, Family.POISSON])]

    def likelihood(self, law: str, rows: Floats) -> Likelihood:
        """Return the likelihood of a family with the coefficients of some rows."""
        family = Family(law)
        zero = np.ones((len(rows), 1 if family.has_zero_part else 0))
        return CountLikelihood(family, self.rows.counts, rows, zero)

    def more(self, law: str) -> Floats:
        """Return where the other parameters start."""
        family = Family(law)
        return np.array([-1.0] * family.has_zero_part + [-0.7] * family.has_dispersion)

    def is_inside(self, law: str, params: Floats) -> bool:
        """Return whether the other parameters are not at an edge of what is allowed."""
        family = Family(law)
        if family.has_dispersion and math.exp(params[-1]) < NONE:
            return False
        return not family.has_zero_part or params[-1 - family.has_dispersion] > NO_ZEROS


@dataclass(frozen=True, slots=True, eq=False)
class ShareGround:
    """Shares as a ground of `level_fit`."""

    groups: pd.DataFrame
    successes: Ints
    trials: Ints
    group: Ints
    family: str

    @property
    def size(self) -> Floats:
        """Exposure or trials of each, shape (G,)."""
        return np.asarray(np.bincount(self.group, self.trials, len(self.groups)), dtype=np.float64)

    @property
    def is_share(self) -> bool:
        """Whether the link is the logit."""
        return True

    @property
    def base(self) -> float:
        """Log rate, or logit of the share, of all rows together."""
        return float(logit(self.successes.sum() / self.trials.sum()))

    def laws(self) -> list[str]:
        """Return the families to try, the one asked for first."""
        return list(dict.fromkeys([self.family, BINOMIAL]))

    def likelihood(self, law: str, rows: Floats) -> Likelihood:
        """Return the likelihood of a family with the coefficients of some rows."""
        whole = ShareLikelihood(rows, tally(self.successes, self.trials, self.group, len(rows)))
        return whole if law == BETA_BINOMIAL else Binomial(whole)

    def more(self, law: str) -> Floats:
        """Return where the other parameters start."""
        return np.array([float(logit(FIRST_RHO))] if law == BETA_BINOMIAL else [])

    def is_inside(self, law: str, params: Floats) -> bool:
        """Return whether the other parameters are not at an edge of what is allowed."""
        return law == BINOMIAL or float(expit(params[-1])) > NONE
