"""Where a climb starts from the fit below it, and whether there is anything to climb to."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.models.counts import ZERO, CountFit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.models.count_likelihood import CollapsedCounts, CountLikelihood

    Floats = NDArray[np.float64]

#: Logit of a zero part that is none.
NO_ZEROS = -20.0


def start_of(likelihood: CountLikelihood, names: Sequence[str], before: CountFit | None) -> Floats:
    """Return where the climb starts: coefficients by name, the rest at nothing."""
    at = np.zeros(likelihood.n_parameters)
    counts, p = likelihood.counts, likelihood.rows.shape[1]
    at[0] = log_rate(counts)
    if before is not None:
        known = dict(zip(before.coefficients["term"], before.coefficients["estimate"], strict=True))
        at[:p] = [known.get(name, 0.0) for name in names]
    if likelihood.zero_rows.shape[1]:
        zeros = float(counts.weight[counts.y == 0].sum() / counts.weight.sum())
        is_hurdle = likelihood.family.value.startswith("hurdle")
        share = 1 - zeros if is_hurdle else _beyond(likelihood, before, at, zeros)
        share = min(max(share, 0.01), 0.99)
        at[p] = math.log(share / (1 - share))
    if likelihood.family.has_dispersion:
        known_alpha = before is not None and before.dispersion > 0
        at[-1] = math.log(before.dispersion if known_alpha and before else 0.5)
    return at


def log_rate(counts: CollapsedCounts) -> float:
    """Return the log of all counts over all exposure."""
    spent = float(counts.weight @ np.exp(counts.log_exposure))
    return math.log(float(counts.weight @ counts.y) / spent)


def _beyond(
    likelihood: CountLikelihood, before: CountFit | None, at: Floats, zeros: float
) -> float:
    """Return about which share of rows has no count beyond what the family below expects."""
    if before is None:
        return zeros / 2
    counts = likelihood.counts
    chance = np.exp(_log_zero(likelihood, before, at))
    expected = float(counts.weight @ chance / counts.weight.sum())
    return (zeros - expected) / (1 - expected)


def _log_zero(likelihood: CountLikelihood, before: CountFit, at: Floats) -> Floats:
    """Return the log chance of no count in each row by the family below."""
    counts, p = likelihood.counts, likelihood.rows.shape[1]
    mu = np.exp((likelihood.rows @ at[:p])[counts.group] + counts.log_exposure)
    alpha = before.dispersion if before.family.has_dispersion else 0.0
    return np.asarray(-np.log1p(alpha * mu) / alpha if alpha > 0 else -mu)


def has_more(likelihood: CountLikelihood, before: CountFit, at: Floats) -> bool:
    r"""Return whether the family has anything over the one below it, by the slope at its edge.

    Dispersion: ``Σ (y - μ)² - y > 0`` (Dean & Lawless 1989, Tests for detecting overdispersion in
    Poisson regression models, J. Am. Stat. Assoc. 84; from memory). Zeros that are no counts:
    ``Σ 1(y=0)/f(0) - 1 > 0`` (van den Broek 1995, A score test for zero inflation in a Poisson
    distribution, Biometrics 51; from memory).
    """
    counts, law = likelihood.counts, likelihood.family
    if law is before.family or law.value.startswith("hurdle"):
        return True
    eta = (likelihood.rows @ at[: likelihood.rows.shape[1]])[counts.group] + counts.log_exposure
    mu = np.exp(eta)
    if not law.has_zero_part:
        return bool(counts.weight @ ((counts.y - mu) ** 2 - counts.y) > 0)
    log_zero = _log_zero(likelihood, before, at)
    return bool(counts.weight @ (np.where(counts.y == 0, np.exp(-log_zero), 0.0) - 1) > 0)


def at_edge(likelihood: CountLikelihood, before: CountFit) -> CountFit:
    """Return the fit of the family below, counted as one of this family at its edge."""
    more = likelihood.n_parameters - len(before.coefficients) - before.family.has_dispersion
    k = len(before.coefficients)
    names, cov = before.coefficients, before.cov
    if likelihood.family.has_zero_part:
        # No zeros but those of the counts: their logit is far below, and has no error.
        zero = pd.DataFrame({"term": [f"{ZERO}intercept"], "estimate": [NO_ZEROS], "se": [0.0]})
        names = pd.concat([names, zero], ignore_index=True)
        cov = np.pad(cov, (0, 1))[: k + 1, : k + 1]
    return CountFit(
        family=likelihood.family,
        coefficients=names,
        cov=cov,
        dispersion=before.dispersion if before.family.has_dispersion else 0.0,
        dispersion_se=before.dispersion_se,
        log_likelihood=before.log_likelihood,
        aic=before.aic + 2 * more,
        bic=before.bic + math.log(before.n) * more,
        n=before.n,
        n_clusters=None,
        converged=True,
        coding=before.coding,
        zero_coding=before.zero_coding,
        exposure=before.exposure,
        notes=(*before.notes, f"{likelihood.family} has nothing over {before.family} here"),
    )
