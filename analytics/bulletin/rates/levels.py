"""The level of a response in every area and week, at one mix of how was fished."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, logit

from analytics.bulletin.rates.fitted import CELL, CLUSTER, EXPOSURE, TRIALS, beside
from analytics.errors import WrongUse
from analytics.models.at_mix import as_fished, at_mix
from analytics.models.climb import climb, clustered, coded
from analytics.models.count_laws import Family
from analytics.models.filled import fill
from analytics.models.share_climb import climb_shares, clustered_shares

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd
    from numpy.typing import NDArray

    from analytics.bulletin.rates.fitted import Fitted
    from analytics.models.terms import Coding

    Floats = NDArray[np.float64]

#: Site-days from which an area and week say how much site-days vary more than boats.
LEAST_SITE_DAYS = 4
HURDLES = (Family.HURDLE_POISSON, Family.HURDLE_NEGATIVE_BINOMIAL)


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """Levels of C area-weeks on the log scale, of a share on the logit scale.

    Parameters
    ----------
    area, week : tuple of str, length C
    value : ndarray of float, shape (C,)
    cov : ndarray of float, shape (C, C)
        With the cluster factor in it.
    cluster_factor : float
    n_clusters : int
    note : str
        What the fit had to do otherwise than the chosen model.
    """

    area: tuple[str, ...]
    week: tuple[str, ...]
    value: Floats
    cov: Floats
    cluster_factor: float
    n_clusters: int
    note: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """A weekly figure of one area, or of all areas, on the log or logit scale.

    Parameters
    ----------
    value : ndarray of float, shape (W,)
        NaN in a week without one.
    cov : ndarray of float, shape (W, W)
    """

    value: Floats
    cov: Floats

    @property
    def se(self) -> Floats:
        """Standard errors, shape (W,)."""
        return np.asarray(np.sqrt(np.maximum(np.diag(self.cov), 0.0)))


def levels_of(data: Fitted, *, terms: Sequence[str], family: str, mix: pd.DataFrame) -> Levels:
    r"""Fit a factor of areas and weeks in the place of the smooth, and take its levels at one mix.

    Errors are those of the model times a cluster factor: over area-weeks with n >= 4 site-days, the
    mean of ``n/(n-1)`` times the variance of a level by site-day over that by boat, weighted by
    ``n - 1`` and never below 1. A sandwich for every level by itself would rest on a handful of
    site-days. Our choice, no source.

    Parameters
    ----------
    data : Fitted
    terms : sequence of str
        Of the chosen model.
    family : str
        Of the chosen model; for a hurdle the negative binomial stands in, since a rate needs a
        mean in proportion to effort.
    mix : pandas.DataFrame
        Trips of which the mix of the other terms is taken, by angler-hours: the same for all.

    Returns
    -------
    Levels

    Raises
    ------
    WrongUse
        If no area-week has a level, or the fit is refused.
    """
    frame = data.with_fish
    if frame.empty:
        raise WrongUse("no area and week with fish that a level can be told of")
    others = beside(frame, tuple(terms))
    several = len(frame[CELL].unique()) > 1
    own = (CELL, *others) if several else others
    note = ""
    if family in HURDLES:
        family, note = Family.NEGATIVE_BINOMIAL, "a hurdle has no rate: negative binomial instead"
    coding, beta, cov, robust = (
        _of_share(frame, own, data.response, family)
        if data.is_share
        else _of_counts(frame, own, data.response, family)
    )
    cells = frame.drop_duplicates(CELL).sort_values(["area", "week"])[["area", "week", CELL]]
    value, slopes = _at_mix(coding, beta, cells[[CELL]], data=data, mix=mix, others=others)
    plain, by_day = (slopes @ one @ slopes.T for one in (cov, robust))
    days = cells[CELL].map(frame.groupby(CELL)[CLUSTER].nunique())
    n_days = np.asarray(days, dtype=np.float64)
    factor = _cluster_factor(np.diag(by_day), np.diag(plain), n_days)
    return Levels(
        area=tuple(cells["area"]),
        week=tuple(cells["week"]),
        value=value,
        cov=plain * factor,
        cluster_factor=factor,
        n_clusters=int(frame[CLUSTER].nunique()),
        note=note,
    )


def series_of(levels: Levels, weeks: Sequence[str]) -> dict[str, Series]:
    """Return the levels of each area as a series over some weeks."""
    found = {}
    for area in dict.fromkeys(levels.area):
        mine = np.array([one == area for one in levels.area])
        at = np.array([weeks.index(week) for week in np.array(levels.week)[mine]])
        value, cov = np.full(len(weeks), np.nan), np.zeros((len(weeks), len(weeks)))
        value[at], cov[np.ix_(at, at)] = levels.value[mine], levels.cov[np.ix_(mine, mine)]
        found[str(area)] = Series(value, cov)
    return found


def all_areas(
    levels: Levels, weeks: Sequence[str], weight: Mapping[str, float], *, is_share: bool
) -> Series:
    r"""Return the mean of all areas by week, at fixed weights.

    An area without a figure in a week stands with what its usual relation to the others says
    (`analytics.models.filled.fill`), so that an area that opens or closes is no rise or fall.

    Parameters
    ----------
    levels : Levels
    weeks : sequence of str
    weight : mapping of str to float
        By area; areas without one are left out.
    is_share : bool
        Whether levels are logits.

    Returns
    -------
    Series
        NaN in weeks without a figure of any area; without a weight of any area, in all.
    """
    areas = [area for area in dict.fromkeys(levels.area) if weight.get(area, 0.0) > 0]
    n = len(weeks)
    mine = np.array([area in areas for area in levels.area], dtype=bool)
    pairs = zip(np.array(levels.area)[mine], np.array(levels.week)[mine], strict=True)
    at = np.array([areas.index(area) * n + weeks.index(week) for area, week in pairs], dtype=int)
    if not len(at):
        return Series(np.full(n, np.nan), np.zeros((n, n)))
    known = np.full((len(areas), n), np.nan)
    known.ravel()[at] = levels.value[mine]
    filled, cov = fill(known, levels.cov[np.ix_(mine, mine)], at)
    share = np.array([weight[area] for area in areas])
    share /= share.sum()
    figure = expit(filled) if is_share else np.exp(filled)
    mean = share @ figure
    # The slope of the mean's log or logit in that of each area, by area and week.
    each, whole = (figure * (1 - figure), mean * (1 - mean)) if is_share else (figure, mean)
    slope = np.nan_to_num(share[:, None] * each / whole)
    gradient = np.zeros((n, len(areas) * n))
    for place in range(len(areas)):
        gradient[np.arange(n), place * n + np.arange(n)] = slope[place]
    told = logit(mean) if is_share else np.log(mean)
    return Series(np.asarray(told), gradient @ cov @ gradient.T)


def _of_counts(
    frame: pd.DataFrame, terms: Sequence[str], response: str, family: str
) -> tuple[Coding, Floats, Floats, Floats]:
    rows = coded(frame, response=response, exposure=EXPOSURE, terms=terms, cluster=CLUSTER)
    fit = climb(rows, terms, family=family)
    b = fit.coefficients["estimate"].to_numpy(np.float64)
    robust = clustered(rows, fit) if _has_clusters(frame) else fit.cov
    p = len(fit.coding.names)
    if fit.family.has_zero_part:
        # The constant chance of a zero that is no count scales every level alike.
        b = b.copy()
        b[0] += math.log1p(-float(expit(b[p])))
    return fit.coding, b[:p], fit.cov[:p, :p], robust[:p, :p]


def _of_share(
    frame: pd.DataFrame, terms: Sequence[str], response: str, family: str
) -> tuple[Coding, Floats, Floats, Floats]:
    fit = climb_shares(
        frame, successes=response, trials=TRIALS, terms=terms, is_binomial=family == "binomial"
    )
    robust = fit.cov
    if _has_clusters(frame):
        robust = clustered_shares(frame, fit, successes=response, trials=TRIALS, cluster=CLUSTER)
    return fit.coding, fit.coefficients["estimate"].to_numpy(np.float64), fit.cov, robust


def _cluster_factor(by_day: Floats, plain: Floats, n_days: Floats) -> float:
    enough = (n_days >= LEAST_SITE_DAYS) & (plain > 0)
    if not enough.any():
        return 1.0
    ratio, n = by_day[enough] / plain[enough], n_days[enough]
    return max(float(np.average(ratio * n / (n - 1), weights=n - 1)), 1.0)


def _has_clusters(frame: pd.DataFrame) -> bool:
    """Return whether trips come from two site-days or more."""
    return len(frame[CLUSTER].unique()) > 1


def _at_mix(
    coding: Coding,
    beta: Floats,
    cells: pd.DataFrame,
    *,
    data: Fitted,
    mix: pd.DataFrame,
    others: Sequence[str],
) -> tuple[Floats, Floats]:
    """Return levels and their slopes at the mix; levels that the fit never saw are left out."""
    if not others:
        rows = coding.matrix(cells)
        return np.asarray(rows @ beta), rows
    known = mix.replace({name: dict(data.joined.get(name, {})) for name in others})
    for name in others:
        if known[name].dtype.kind not in "fi":
            known = known[known[name].isin(data.with_fish[name].unique())]
    if known.empty:
        known = data.with_fish
    combined, weight = as_fished(known, list(others), EXPOSURE)
    return at_mix(coding, beta, cells, combined, weight, log_mean=not data.is_share)
