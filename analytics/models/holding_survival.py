"""Share of held fish alive over time; fish that left alive count as long as they were seen."""

from __future__ import annotations

import warnings
from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from analytics.codes import coded
from analytics.intervals import clopper_pearson, t_quantile, wilson

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analytics.arrays import Bools, Floats, Ints


@dataclass(frozen=True, slots=True, eq=False)
class Survival:
    """A survival curve at its E times (hours): the start, every time of a death, and the last seen.

    `at_risk`, `died`: fish under watch just before, and deaths then. `low`, `high`: NaN where the
    curve is 1 or 0. `relative_se`: error of the share alive over that share.
    """

    hours: Floats
    at_risk: Ints
    died: Ints
    alive_prop: Floats
    low: Floats
    high: Floats
    relative_se: Floats


def kaplan_meier(
    hours: Floats,
    is_dead: Bools,
    fish: Ints | None = None,
    *,
    cluster: Ints | None = None,
    level: float,
) -> Survival:
    r"""Estimate the share alive over time, right-censored.

    ``S(t) = Π (1 - d/n)`` over the times of deaths up to t (Kaplan & Meier 1958, Nonparametric
    estimation from incomplete observations, J. Am. Stat. Assoc. 53), with Greenwood's variance
    ``se² = S² Σ d/(n (n - d))``. The interval is symmetric for ``ln(-ln S)``: ``S^exp(±z se/(S ln
    S))``, which stays within 0 and 1 (Kalbfleisch & Prentice 1980, The statistical analysis of
    failure time data; from memory). With clusters the variance is that between them
    (`_between_clusters`), and z is t of one degree of freedom less than there are clusters.

    Parameters
    ----------
    hours : ndarray of float, shape (n,)
        Until death, or until last seen alive; ties count the deaths first.
    is_dead : ndarray of bool, shape (n,)
    fish : ndarray of int, shape (n,), optional
        How many fish each entry stands for; one if not given.
    cluster : ndarray of int, shape (n,), optional
        Fish of one cluster, such as a trip, may be alike; one by one if not given. A single cluster
        does not show how alike: there is then no interval.
    level : float
        Confidence level.

    Raises
    ------
    ValueError
        If there is no fish.
    """
    if fish is not None:
        hours, is_dead = np.repeat(hours, fish), np.repeat(is_dead, fish)
        cluster = None if cluster is None else np.repeat(cluster, fish)
    if not len(hours):
        raise ValueError("no fish was held; a survival curve needs one")
    hours = np.asarray(hours, dtype=np.float64)
    deaths = np.sort(hours[is_dead])
    times = np.unique([0.0, *deaths, hours.max()])
    at_risk = len(hours) - np.searchsorted(np.sort(hours), times)
    died = np.searchsorted(deaths, times, side="right") - np.searchsorted(deaths, times)
    alive = np.asarray(np.cumprod(1 - died / at_risk), dtype=np.float64)
    left = np.maximum(at_risk - died, 1)
    variance = np.cumsum(died / (at_risk * left))
    z = float(ndtri(0.5 + level / 2))
    if cluster is not None:
        n_clusters = len(np.unique(cluster))
        between = _between_clusters(hours, is_dead, cluster, times)
        # Clusters that are all alike show no error: then that of single fish stands.
        variance = np.where(between > variance * _ALIKE, between, variance)
        z = t_quantile(level, n_clusters - 1)
    relative = np.sqrt(variance)
    inner = (alive > 0) & (alive < 1)
    log_alive = np.log(np.where(inner, alive, 0.5))
    step = z * relative / -log_alive
    low, high = (
        np.asarray(np.where(inner, np.exp(log_alive * np.exp(side * step)), np.nan), np.float64)
        for side in (1, -1)
    )
    return Survival(times, at_risk, died, alive, low, high, relative)


#: Variance between clusters, over that of single fish, under which it is rounding.
_ALIKE = 1e-9


def _between_clusters(hours: Floats, is_dead: Bools, cluster: Ints, times: Floats) -> Floats:
    r"""Return the variance of the log share alive from what clusters differ by, shape (E,).

    ``T/(T-1) Σ_t (Σ_j (d_tj - n_tj d_j/n_j)/(n_j - d_j))²`` over T clusters t and the times j of
    deaths so far, with the fish n_tj of a cluster under watch and d_tj dead: the linearised curve,
    summed by cluster (Williams 1995, Product-limit survival functions with correlated survival
    times, Lifetime Data Anal. 1; from memory). Of single fish the sum is Greenwood's.
    """
    place = np.unique(cluster, return_inverse=True)[1]
    n_clusters = int(place.max()) + 1
    watched, dead = np.zeros((2, len(times), n_clusters))
    last = np.searchsorted(times, hours, side="right") - 1
    np.add.at(watched, (last, place), 1.0)
    watched = np.cumsum(watched[::-1], axis=0)[::-1]
    np.add.at(dead, (last[is_dead], place[is_dead]), 1.0)
    n, d = (one.sum(axis=1, keepdims=True) for one in (watched, dead))
    apart = np.cumsum((dead - watched * d / np.maximum(n, 1)) / np.maximum(n - d, 1), axis=0)
    found: Floats = (apart**2).sum(axis=1) * n_clusters / max(n_clusters - 1, 1)
    return found


# A logistic model of the death of held fish by where the hook held and by length.

#: Fewer deaths, or survivors, do not show what they depend on (our choice, no source).
FEWEST = 5
#: Deaths a coefficient from which its error can be trusted.
_DEATHS_A_TERM = 10
#: A fitted chance of death this near to 0 or 1 comes from coefficients without a bound.
_CERTAIN = 1e-6
LENGTH_TERM = "total_length_100mm"


@dataclass(frozen=True, slots=True)
class Term:
    """One coefficient on the logit scale, and its odds ratio with limits."""

    term: str
    estimate: float
    se: float
    odds_ratio: float
    ci_low: float
    ci_high: float


@dataclass(frozen=True, slots=True)
class HookingMortality:
    """The model, or why there is none.

    Parameters
    ----------
    terms : tuple of Term
        Intercept, each group against `base`, and 100 mm of length; empty without a model.
    base : str
        The group that the others are compared with: the one of most fish.
    n, died : int
        Fish in the model, and deaths among them.
    notes : tuple of str
        What was assumed or left out, in codes.
    reason : str
        Why there is no model, a code; empty where there is one.
    """

    terms: tuple[Term, ...]
    base: str
    n: int
    died: int
    log_likelihood: float | None = None
    notes: tuple[str, ...] = ()
    reason: str = ""


def hooking_mortality(
    died: Bools,
    group: Sequence[str],
    length_mm: Floats,
    *,
    trip: Ints | None = None,
    level: float,
) -> HookingMortality:
    r"""Fit ``logit P(death) = b₀ + b_group + b_L L/100 mm`` by maximum likelihood (statsmodels).

    Where trips are known, a standard error is that between trips, with t of one degree of freedom
    less than there are trips, and never less than that of fish taken one by one: with ``H`` the
    information and ``s_j`` the sum of the scores of the fish of trip j,

    .. math:: \widehat{V}(b) = c\, H^{-1} \Big(\sum_j s_j s_j^\top\Big) H^{-1},
        \quad c = \frac{m}{m-1}\,\frac{n-1}{n-k}

    for n fish, m trips and k coefficients (Liang & Zeger 1986, Longitudinal data analysis using
    generalized linear models, Biometrika 73; from memory).

    Parameters
    ----------
    died : ndarray of bool, shape (n,)
    group : sequence of str, length n
        Where the hook held.
    length_mm : ndarray of float, shape (n,)
        Total length; NaN where it was not measured. Such fish are left out, or the length where no
        fish was measured.
    trip : ndarray of int, shape (n,), optional
        The trip on which each fish was caught; fish one by one by default.
    level : float
        Confidence level of the odds ratios.

    Returns
    -------
    HookingMortality
        Without terms, but with a reason, where deaths or survivors are too few, all fish are of one
        group, or a group or a length sets the dead apart from the living.
    """
    names = np.asarray(group, dtype=object)
    measured = np.isfinite(length_mm)
    notes: list[str] = []
    if not measured.any():
        notes.append(coded("no_length_measured"))
    elif not measured.all():
        notes.append(coded("fish_without_length", n=int((~measured).sum())))
        died, names, length_mm = died[measured], names[measured], length_mm[measured]
        trip = trip if trip is None else trip[measured]
    has_length = bool(measured.any()) and len(set(length_mm.tolist())) > 1
    if measured.any() and not has_length:
        notes.append(coded("all_of_one_length"))
    sizes = Counter(names.tolist())
    base = min(sizes, key=lambda name: (-sizes[name], name)) if sizes else ""
    others = sorted(set(sizes) - {base})
    n_dead, n_terms = int(died.sum()), 1 + len(others) + has_length
    none = HookingMortality((), base, len(died), n_dead, notes=tuple(notes))
    reason = _refused(died, names, n_terms)
    if reason:
        return replace(none, reason=reason)
    if n_dead < _DEATHS_A_TERM * n_terms:
        # Peduzzi et al. 1996, A simulation study of the number of events per variable in logistic
        # regression analysis, J. Clin. Epidemiol. 49; from memory.
        notes.append(coded("rough_odds", died=n_dead, terms=n_terms, needed=_DEATHS_A_TERM))
    columns = [np.ones(len(died)), *((names == one).astype(float) for one in others)]
    if has_length:
        columns.append(length_mm / 100)
    terms = ["intercept", *(f"group {one}" for one in others), *[LENGTH_TERM] * has_length]
    if trip is not None and (n_trips := len(np.unique(trip))) <= n_terms:
        notes.append(coded("odds_by_fish", trips=n_trips, terms=n_terms))
        trip = None
    design = np.stack(columns, axis=1)
    return _fitted(replace(none, notes=tuple(notes)), design, died, terms, trip=trip, level=level)


def _refused(died: Bools, names: NDArray[np.object_], n_terms: int) -> str:
    """Return why no model can be fitted, empty where one may."""
    n_dead, n_alive, needed = int(died.sum()), int((~died).sum()), max(FEWEST, n_terms)
    if min(n_dead, n_alive) < needed:
        return coded("few_deaths", died=n_dead, n=len(died), terms=n_terms, needed=needed)
    found = sorted(set(names.tolist()))
    if len(found) < 2:
        return coded("one_group_of_fish", group=found[0])
    sure = [name for name in found if len(set(died[names == name].tolist())) == 1]
    return coded("group_of_one_fate", groups=sure) if sure else ""


def _fitted(
    none: HookingMortality,
    design: Floats,
    died: Bools,
    terms: list[str],
    *,
    trip: Ints | None,
    level: float,
) -> HookingMortality:
    from statsmodels.discrete.discrete_model import Logit  # noqa: PLC0415
    from statsmodels.tools.sm_exceptions import (  # noqa: PLC0415
        ModelWarning,
        PerfectSeparationError,
    )

    apart = replace(none, reason=coded("dead_set_apart"))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ModelWarning)
        warnings.simplefilter("ignore", RuntimeWarning)
        model = Logit(died.astype(float), design)
        try:
            fit = model.fit(disp=0, method="newton", maxiter=100)
        except (PerfectSeparationError, np.linalg.LinAlgError):
            return apart
    chance = fit.predict()
    is_apart = bool((np.abs(chance - died) < _CERTAIN).mean() > 0.5)
    if not fit.mle_retvals["converged"] or is_apart or not np.isfinite(fit.bse).all():
        return apart
    errors, reach, notes = fit.bse, float(ndtri(0.5 + level / 2)), none.notes
    if trip is not None:
        n_trips = len(np.unique(trip))
        by_trip = model.fit(fit.params, disp=0, cov_type="cluster", cov_kwds={"groups": trip})
        errors, reach = np.maximum(errors, by_trip.bse), t_quantile(level, n_trips - 1)
        notes = (*notes, coded("odds_by_trip", trips=n_trips))
    made = tuple(
        Term(name, float(b), float(se), *(float(np.exp(b + k * reach * se)) for k in (0, -1, 1)))
        for name, b, se in zip(terms, fit.params, errors, strict=True)
    )
    return replace(none, terms=made, log_likelihood=float(fit.llf), notes=notes)


# Intervals of a share of single fish: Wilson's and the exact one.


@dataclass(frozen=True, slots=True)
class ShareLimits:
    """Two intervals of one binomial share."""

    wilson_low: float
    wilson_high: float
    exact_low: float
    exact_high: float


def share_limits(count: float, n: float, *, level: float) -> ShareLimits:
    """Return intervals of a share ``count/n`` of fish that are independent of each other.

    By `analytics.intervals.wilson` and `analytics.intervals.clopper_pearson`.

    Parameters
    ----------
    count, n : float
        ``0 <= count <= n``, n above 0; numbers of fish, or those that a share is worth.
    level : float
        Confidence level.
    """
    exact = clopper_pearson(count, n, level=level)
    return ShareLimits(*wilson(count / n, n, level=level), *exact)
