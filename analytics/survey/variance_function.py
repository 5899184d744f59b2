"""The pooled variance function of a season: how the variance between units grows with their mean.

Two or three units a stratum say little of their own variance. All strata of a season together say
much: their expected means follow from a table of area and day group by week, and the variance is a
power of the expected mean. Everything here is done for K measures at once.

It is fitted to *cells*: a stratum and an area fished. A cell is *home* where the boats land in the
area they fished, else *stray*.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.arrays import add_at
from analytics.intervals import USUAL_DF, prior_df
from analytics.survey.domains import squares_about_mean

if TYPE_CHECKING:
    from analytics.arrays import Bools, Floats, Ints
    from analytics.survey.domains import LinearForm

#: Powers of the mean that are tried: Poisson to constant relative variance.
POWERS = np.linspace(1.0, 2.0, 6)
#: No expected mean is lower than this part of the highest (our choice, no source).
LEAST_MEAN = 1e-6
#: Relative difference of margins at which raking ends, and its most rounds.
_RAKED, _MOST_ROUNDS = 1e-10, 500
#: With fewer cells this power and the usual degrees of freedom are used (our choice, no source).
FEWEST_CELLS, USUAL_POWER = 8, 1.5
#: The layout is raked where it has so many cells for each effect (our choice, no source).
_CELLS_AN_EFFECT = 2


@dataclass(frozen=True, slots=True, eq=False)
class StratumCells:
    """Cells that have a unit, C of them: means and variances of unit totals, (C, K)."""

    stratum: Ints
    key: Ints
    is_home: Bools
    n: Floats
    mean: Floats
    variance: Floats
    within: Floats


# Cells: what the sampled units of each stratum say.


def stratum_cells(form: LinearForm) -> StratumCells:
    """Return the mean and variance of unit totals by stratum and key; every home cell is there."""
    design, cells, domains = form.design, form.cells, form.domains
    width = len(design.areas) + 1
    sampled = np.flatnonzero(form.plan.n_active > 0)
    home = domains.area_key(design.strata.landing_area)
    found = design.units.stratum[cells.unit] * width + cells.key
    codes = np.union1d(sampled * width + home[sampled], found)
    stratum, key = np.divmod(codes, width)
    at, n = np.searchsorted(codes, found), form.plan.n_active[stratum].astype(np.float64)
    k = cells.total.shape[1]
    own = np.arange(k)
    squares = squares_about_mean(at, cells.total, n, len(codes), pair=np.stack([own, own], axis=1))
    column = {int(i): p for p, (i, j) in enumerate(cells.pair) if i == j}
    within = cells.second_stage_cov.pick([column[one] for one in range(k)])
    return StratumCells(
        stratum=stratum,
        key=key,
        is_home=key == home[stratum],
        n=n,
        mean=add_at(at, cells.total, len(codes)) / n[:, None],
        variance=squares / np.maximum(n - 1, 1)[:, None],
        within=within.add_at(at, len(codes), factor=np.ones(len(at))),
    )


def row_of_strata(form: LinearForm) -> Ints:
    """Return the row of each stratum: its landing area and day group, shape (H,)."""
    strata = form.design.strata
    width = int(strata.group.max(initial=0)) + 1
    row: Ints = np.unique(strata.landing_area * width + strata.group, return_inverse=True)[1]
    return row


def home_means(form: LinearForm, cells: StratumCells, row: Ints) -> Floats:
    """Return the expected unit mean of every stratum at home, shape (H, K).

    From the effects of row and week where the layout is complete enough; else a stratum's own mean
    and one unit of the mean of its area, or of the season (our choice, no source).
    """
    strata, home = form.design.strata, np.flatnonzero(cells.is_home)
    stratum, n = cells.stratum[home], cells.n[home]
    total = n[:, None] * cells.mean[home]
    n_rows, n_weeks = int(row.max(initial=0)) + 1, len(form.design.weeks)
    n_areas = len(form.design.areas)
    by_area = add_at(strata.landing_area[stratum], np.column_stack([n, total]), n_areas)
    everywhere = by_area.sum(axis=0)
    by_area = np.where(by_area[:, :1] > 0, by_area, everywhere)
    of_area = (by_area[:, 1:] / np.maximum(by_area[:, :1], 1))[strata.landing_area]
    at = row[stratum] * n_weeks + strata.week[stratum]
    once = len(np.unique(at)) == len(at)
    effects = len(np.unique(row[stratum])) + len(np.unique(strata.week[stratum])) - 1
    if once and len(at) >= _CELLS_AN_EFFECT * effects:
        of_row, of_week = raked_effects(
            add_at(at, n, n_rows * n_weeks).reshape(n_rows, n_weeks),
            add_at(at, total, n_rows * n_weeks).reshape(n_rows, n_weeks, -1),
        )
        known = np.isin(row, row[stratum]) & np.isin(strata.week, strata.week[stratum])
        return np.where(known[:, None], of_row[row] * of_week[strata.week], of_area)
    mean = of_area.copy()
    mean[stratum] = (total + of_area[stratum]) / (n + 1)[:, None]
    return mean


# The table of effects and the function.


def raked_effects(n: Floats, total: Floats) -> tuple[Floats, Floats]:
    r"""Return row and column effects whose products fit the margins of a table of means.

    ``a_r = Σ_w n m / Σ_w n b_w``, then ``b_w = Σ_r n m / Σ_r n a_r``, until both margins hold: the
    fit of a multiplicative model by Poisson likelihood with weights n (iterative proportional
    fitting; Deming & Stephan 1940, On a least squares adjustment of a sampled frequency table, Ann.
    Math. Stat. 11; from memory).

    Parameters
    ----------
    n : ndarray of float, shape (R, W)
        Units behind each mean; 0 for a cell without a sample.
    total : ndarray of float, shape (R, W, K)
        ``n m``.

    Returns
    -------
    row : ndarray of float, shape (R, K)
    column : ndarray of float, shape (W, K)
        0 for a row or column of zeros.
    """
    by_row, by_column = total.sum(axis=1), total.sum(axis=0)
    column = np.ones_like(by_column)
    row = quotient(by_row, n @ column)
    for _ in range(_MOST_ROUNDS):
        column = quotient(by_column, n.T @ row)
        fitted = n @ column
        if (np.abs(row * fitted - by_row) <= _RAKED * by_row).all():
            break
        row = quotient(by_row, fitted)
    return row, column


def quotient(above: Floats, below: Floats) -> Floats:
    """Return a quotient, 0 where nothing is below."""
    found: Floats = np.divide(above, below, out=np.zeros_like(above), where=below > 0)
    return found


@dataclass(frozen=True, slots=True, eq=False)
class VarianceFunction:
    """The variance ``φ μ^b`` of a unit with the expected mean μ; all fields are (K,).

    `df`: how firmly cells follow it, as degrees of freedom of a prior of each cell's variance.
    `floor`: the lowest mean.
    """

    power: Floats
    scale: Floats
    df: Floats
    floor: Floats

    def at(self, mean: Floats) -> Floats:
        """Return the variance at expected means (..., K)."""
        found: Floats = self.scale * np.maximum(mean, self.floor) ** self.power
        return found


def fitted_function(mean: Floats, variance: Floats, df: Ints | Floats) -> VarianceFunction:
    r"""Fit the power and the scale of a variance function, and how firmly cells follow it.

    For each power b of `POWERS`, ``φ_b = Σ d s²/μ^b / Σ d``; the b of least gamma deviance ``Σ d
    (ln f + s²/f)``, ``f = φ_b μ^b``, is taken.

    Parameters
    ----------
    mean, variance : ndarray of float, shape (C, K)
        Expected mean and sample variance of each cell.
    df : ndarray, shape (C,)
        Degrees of freedom of each sample variance; cells of 0 are left out.
    """
    use = np.asarray(df) > 0
    highest = mean.max(axis=0, initial=0.0)
    floor = np.where(highest > 0, LEAST_MEAN * highest, 1.0)
    mean, variance = np.maximum(mean[use], floor), variance[use]
    d = np.asarray(df, dtype=np.float64)[use]
    n_measures = mean.shape[1]
    if not len(d):
        unknown = np.full(n_measures, np.nan)
        return VarianceFunction(np.full(n_measures, USUAL_POWER), unknown, unknown, floor)
    few = len(d) < FEWEST_CELLS
    powers = np.array([USUAL_POWER]) if few else POWERS
    of_mean = mean ** powers[:, None, None]
    scale = np.einsum("c,bck->bk", d, variance / of_mean) / d.sum()
    fitted = np.where(scale > 0, scale, 1.0)[:, None] * of_mean
    deviance = np.einsum("c,bck->bk", d, np.log(fitted) + variance / fitted)
    best = np.argmin(deviance, axis=0)
    every = np.arange(n_measures)
    ratio = variance / fitted[best, :, every].T
    firm = np.full(n_measures, USUAL_DF) if few else prior_df(ratio, d[:, None])
    return VarianceFunction(powers[best], scale[best, every], firm, floor)
