"""The interval of every domain of one quantity: which kind it has, and from what."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.estimates.result_rows import ROUNDING_CV
from analytics.fish.mark_composition import (
    CLASSES,
    MARK_QUANTITIES,
    MARKED_SHARE,
    PARTS,
    mark_measures,
)
from analytics.fish.release_mortality import FATES
from analytics.intervals import (
    LEAST_SEASON_DF,
    WIDEST,
    DomainIntervals,
    Prior,
    benchmark,
    design_effect,
    has_spread,
    logit_t,
    prior_df,
    quasi_log_width,
    rate_intervals,
    share_intervals,
    skew_shift,
    t_quantiles,
    total_intervals,
)
from analytics.quantities import RATIOS, RATIOS_BESIDE_MODELS, CiMethod, QuantityKind

if TYPE_CHECKING:
    from analytics.arrays import Floats
    from analytics.estimates.result_rows import DomainEstimates
    from analytics.fish.release_mortality import DeathPlan
    from analytics.survey.domain_totals import DomainTotals

#: Most of the log by which the linearised variance of a share is raised (our choice, no source).
_MOST_RAISED = 1.0
#: Weights of a total of one measure, and of a ratio of two.
ONE, ABOVE = np.array([1.0]), np.array([1.0, 0.0])


def carrier_of(quantity: str, deaths: DeathPlan | None) -> Floats:
    """Return how much each measure of a quantity's analysis bears on its variance, shape (K,).

    Quantities that are no total of one measure take the course of their variance over the domains
    from a weighted sum: all fish of the parts of a class, fish times rates for deaths.
    """
    if deaths is not None and quantity in FATES:
        order = list(deaths.measures)
        weight = np.zeros(len(order))
        for group in deaths.groups:
            if group.fate in FATES[quantity]:
                rates = [one.rate_prop for one in group.rates]
                weight[order.index(group.measure.name)] += sum(rates) / len(rates)
        return weight
    if quantity not in MARK_QUANTITIES:
        return ABOVE if quantity in RATIOS | RATIOS_BESIDE_MODELS else ONE
    names = list(mark_measures())
    parts = CLASSES.get(quantity, (tuple(PARTS), True))[0]
    return np.isin(names, [f"{part}_all" for part in parts]).astype(np.float64)


def domain_intervals(
    totals: DomainTotals,
    figures: DomainEstimates,
    *,
    weight: Floats,
    level: float,
) -> DomainIntervals:
    """Return the intervals of one quantity in all domains of one kind.

    Domains of an area or a week borrow from all strata of the season (`moderated_intervals`).
    Season figures keep their own variance, with fewer degrees of freedom where few strata weigh
    most, or unit totals have heavy tails. Nothing is borrowed where the user refuses it, and by
    interviews of convenience.

    Parameters
    ----------
    totals, figures
        What the rows are made from.
    weight : ndarray of float, shape (K,)
        As of `carrier_of`, `ONE` or `ABOVE`.
    level : float
        Confidence level.
    """
    if totals.total.shape[1] != len(weight):  # sampled quantities stand on the measures of marks
        weight = carrier_of(MARKED_SHARE, None)
    design_df = np.asarray(totals.support.df if figures.df is None else figures.df, np.float64)
    is_season = totals.code.tolist() == [0]
    pool = None if totals.plan.refuses and not is_season else totals.pool
    if figures.kind is QuantityKind.SHARE:
        if pool is None:
            return _logit_t(figures, design_df, level=level)
        if is_season:
            return _of_season_share(totals, figures, weight, design_df, level=level)
        return _of_shares(totals, figures, weight, design_df, level=level)
    if is_season or pool is None:
        own = replace(figures, variance=_known(totals, figures))
        if is_season:
            prior = None if pool is None else _prior(totals, weight)
            return _of_season(own, prior, design_df, level=level)
        return _alone(own, design_df, level=level)
    return _of_amounts(totals, figures, _prior(totals, weight), weight, design_df, level=level)


def _of_amounts(
    totals: DomainTotals,
    figures: DomainEstimates,
    prior: Prior,
    weight: Floats,
    df: Floats,
    *,
    level: float,
) -> DomainIntervals:
    """Return the intervals of totals and rates of areas and weeks."""
    own = np.where(prior.variance > 0, prior.own_df, df)
    if figures.df is not None or totals.estimator:
        own = np.minimum(own, df)
    prior = replace(prior, own_df=own)
    if figures.is_ratio and len(weight) == len(ABOVE):
        below = totals.total[:, 1]
        residual = _known(totals, figures) * below**2
        return rate_intervals(totals.total[:, 0], below, residual, prior, level=level)
    if len(weight) == 1 and not totals.estimator:
        return total_intervals(figures.value, figures.variance, prior, level=level)
    return _of_composites(figures, prior, level=level)


def _known(totals: DomainTotals, figures: DomainEstimates) -> Floats:
    """Return variances, NaN where a ratio rests on one unit: that always equals itself, (D,)."""
    is_known = (totals.support.n_psu_interviewed > 1) | (not figures.is_ratio)
    return np.where(is_known, figures.variance, np.nan)


def _prior(totals: DomainTotals, weight: Floats) -> Prior:
    """Return what the pool expects of the weighted sum of measures, taken as independent."""
    pool = totals.pool
    assert pool is not None
    own, prior, plain, skewness, tie = (
        _mean_of(pool.variance, weight, one)
        for one in (pool.kurtosis_df, pool.prior_df, pool.own_df, pool.skewness, pool.tie)
    )
    variance, expected = pool.variance @ weight**2, pool.expected @ weight
    return Prior(variance, expected, own, prior, plain, skewness, tie)


def _mean_of(variance: Floats, weight: Floats, values: Floats) -> Floats:
    """Return the mean of a value of some measures, by their part of the variance; 1 for none."""
    part = variance * weight**2
    below = part.sum(axis=1)
    mean = np.ones(len(below))
    found: Floats = np.divide((part * values).sum(axis=1), below, out=mean, where=below > 0)
    return found


def _of_composites(figures: DomainEstimates, prior: Prior, *, level: float) -> DomainIntervals:
    """Return the intervals of totals that share only the course of their variance with the prior.

    Its mean and its variance are first brought to those of the figures over all domains.
    """
    known = np.isfinite(figures.variance) & np.isfinite(figures.value)
    of_prior, of_figures = prior.expected[known].sum(), figures.value[known].sum()
    if not (of_prior > 0 and of_figures > 0):
        nothing = np.full(len(figures.value), np.nan)
        return DomainIntervals(nothing, nothing, nothing, CiMethod.QUASI_T)
    scaled = prior.scaled(float(of_figures / of_prior))
    factor = benchmark(figures.variance, prior.variance)
    return total_intervals(figures.value, figures.variance, scaled, level=level, factor=factor)


def _of_shares(
    totals: DomainTotals,
    figures: DomainEstimates,
    weight: Floats,
    df: Floats,
    *,
    level: float,
) -> DomainIntervals:
    """Return the intervals of shares, from the variance as `_raised`."""
    pool = totals.pool
    assert pool is not None
    below = _below(weight)
    fish = totals.total @ below
    variance = _known(totals, figures) * _raised(totals, below, df)
    own = np.maximum(np.minimum(df, _mean_of(pool.variance, below, pool.own_df)), 1.0)
    effect = design_effect(figures.value, variance, fish)
    use = has_spread(figures.value, variance, fish)
    binomial = effect * figures.value[use] * (1 - figures.value[use]) / fish[use]
    firm = prior_df((variance[use] / binomial)[:, None], own[use][:, None])[0]
    return share_intervals(
        figures.value, variance, fish, own_df=own, prior_df=float(firm), level=level
    )


def _below(weight: Floats) -> Floats:
    """Return the weights of the total below a share."""
    return np.array([0.0, 1.0]) if len(weight) == len(ABOVE) else weight


def _raised(totals: DomainTotals, below: Floats, df: Floats) -> Floats:
    r"""Return by what the linearised variance of a share falls short, shape (D,).

    The ratio is drawn towards the units that weigh most in it, and its residuals with it: with the
    parts h of the units in the total below, and single fish that are independent, the variance
    comes out as ``1 - Σ h²`` of itself. ``Σ h²`` is about ``1/ν + cv²``, with ν units and the
    relative variance cv² of the total. Taken as ``exp(1/ν + cv²)``, which stays finite where one
    unit is nearly all, at most e (our choice, no source; coverage in the simulations).
    """
    fish = totals.total @ below
    n_units = np.maximum(totals.support.n_psu, np.maximum(df + 1, 2))
    some = np.where(fish > 0, fish, np.inf)
    cv2 = np.nan_to_num(np.einsum("k,dkl,l->d", below, totals.cov, below) / some**2)
    found: Floats = np.exp(np.minimum(1 / n_units + cv2, _MOST_RAISED))
    return found


# Without the domains' own pool: seasons, interviews of convenience, and where none may be used.


def _of_season(
    figures: DomainEstimates, prior: Prior | None, design_df: Floats, *, level: float
) -> DomainIntervals:
    """Return Student's t on the log scale for season totals and rates."""
    df = design_df
    if prior is not None and figures.df is None:  # else joined from those of several samples
        df = np.minimum(np.maximum(prior.own_df, LEAST_SEASON_DF), design_df)
    value, cv = _relative(figures)
    width = t_quantiles(level, df) * cv
    width = np.where(width < WIDEST, width, np.nan)
    shift = 0.0 if prior is None else cv * skew_shift(cv, prior, 1.0, level=level, power=2.0)
    low, high = (value * np.exp(shift + sign * width) for sign in (-1, 1))
    return DomainIntervals(low, high, df, CiMethod.LOG_T)


def _of_season_share(
    totals: DomainTotals, figures: DomainEstimates, weight: Floats, df: Floats, *, level: float
) -> DomainIntervals:
    """Return the interval of a season's share: its own variance, and df of the total below."""
    pool, below = totals.pool, _below(weight)
    assert pool is not None
    raised = replace(figures, variance=figures.variance * _raised(totals, below, df))
    if figures.df is None:  # else joined from those of several samples
        own = _mean_of(pool.variance, below, pool.own_df)
        df = np.minimum(np.maximum(own, LEAST_SEASON_DF), df)
    return _logit_t(raised, df, level=level)


def _relative(figures: DomainEstimates) -> tuple[Floats, Floats]:
    """Return values above 0 and their relative errors, NaN where there is none, (D,) each."""
    value = np.where(figures.value > 0, figures.value, np.nan)
    cv = np.sqrt(np.where(figures.variance > 0, figures.variance, np.nan)) / value
    return value, np.where(cv > ROUNDING_CV, cv, np.nan)


def _logit_t(figures: DomainEstimates, df: Floats, *, level: float) -> DomainIntervals:
    """Return Student's t on the logit scale."""
    se = np.sqrt(np.where(figures.variance > 0, figures.variance, np.nan))
    rows = [
        logit_t(float(value), float(error), df=float(one), level=level)
        for value, error, one in zip(figures.value, se, df, strict=True)
    ]
    low, high = np.array(rows, dtype=np.float64).reshape(-1, 2).T
    return DomainIntervals(low, high, df, CiMethod.LOGIT_T)


def _alone(figures: DomainEstimates, df: Floats, *, level: float) -> DomainIntervals:
    """Return intervals by quasi-likelihood from the domain's own error."""
    value, cv = _relative(figures)
    width = quasi_log_width(cv, df=df, level=level)
    width = np.where(width < WIDEST, width, np.nan)
    low, high = value * np.exp(-width), value * np.exp(width)
    return DomainIntervals(low, high, df, CiMethod.QUASI_T)
