"""From totals to finished figures: value, error, interval, and what stands behind it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from analytics.bulletin import reasons
from analytics.fish.marks import CLASSES, PARTS, marked
from analytics.fish.release_deaths import FATES
from analytics.interval import log_t, logit_t
from analytics.survey.ratios import combined_ratio
from analytics.units import QUANTITIES, CiMethod, Kind, Status

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from analytics.fish.lent import Lent
    from analytics.fish.release_deaths import DeathPlan
    from analytics.survey.design import Design
    from analytics.survey.totals import DomainTotals

Row = dict[str, Any]

#: The standard error from the sample alone, without that of the rates; not a result column.
SAMPLE_SE = "sample_se"


@dataclass(frozen=True, slots=True, eq=False)
class Figures:
    """One quantity in D domains.

    Parameters
    ----------
    kind : Kind
    value, variance : ndarray of float, shape (D,)
    sample_variance : ndarray of float, shape (D,)
        The part of the variance that is the sample's own; rates of death add the rest.
    method : str
        Name of the estimator, with its assumptions.
    missing : tuple of str, length D
        Why a value cannot be had; empty where it can.
    is_ratio : bool
        A ratio of two totals: within one site-day it does not vary.
    methods : tuple of str, length D
        Names of the estimators where domains differ in it; they stand before that of the totals.
    df : ndarray of float, shape (D,), optional
        Degrees of freedom, where they are not those of the totals alone.
    is_sampled : ndarray of bool, shape (D,), optional
        Where a sample of fish brings an error of its own: no census, even where every boat was
        asked.
    """

    kind: Kind
    value: NDArray[np.float64]
    variance: NDArray[np.float64]
    sample_variance: NDArray[np.float64]
    method: str
    missing: tuple[str, ...]
    is_ratio: bool = False
    methods: tuple[str, ...] = ()
    df: NDArray[np.float64] | None = None
    is_sampled: NDArray[np.bool_] | None = None

    def withheld(self, reason: str) -> Figures:
        """Return the same figures with no value anywhere."""
        return replace(self, missing=(reason,) * len(self.missing))


def catch_figures(kind: Kind, totals: DomainTotals) -> Figures:
    """Return a total of one measure, or the combined ratio of two."""
    none = ("",) * len(totals.code)
    if kind is Kind.TOTAL:
        variance = totals.cov_of_sums[:, 0, 0]
        return Figures(kind, totals.total[:, 0], variance, variance, "two_stage_total", none)
    ratio, variance = combined_ratio(totals.total, totals.cov)
    return Figures(kind, ratio, variance, variance, "combined_ratio", none, is_ratio=True)


def mark_figures(quantity: str, totals: DomainTotals, lent: Lent | None = None) -> Figures:
    """Return encounters by mark, or the marked share, from the marks told in interviews.

    Where no mark was read and none lent there is no value.
    """
    kind = QUANTITIES[quantity].kind
    is_share = kind is Kind.SHARE
    found = marked(
        quantity, totals.total, totals.cov if is_share else totals.cov_of_sums, lent=lent
    )
    name, value, spread = "reported_marks", found.value, found.variance
    parts = CLASSES.get(quantity, (tuple(PARTS), True))[0]
    words = lent.said([list(PARTS).index(one) for one in parts]) if lent else [""] * len(value)
    methods = tuple("; ".join([name, *([said] * bool(said))]) for said in words)
    return Figures(kind, value, spread, spread, name, found.unread, is_share, methods)


def death_figures(plan: DeathPlan, quantity: str, totals: DomainTotals) -> Figures:
    """Return deaths as fish times rates; a domain with fish that have no rate has no value."""
    fates = FATES[quantity]
    found = plan.fish(totals.total, totals.cov_of_sums)
    value, sample_variance, variance = plan.deaths(found, fates)
    name = "releases_times_rates"
    methods = tuple("; ".join([name, *([said] * bool(said))]) for said in plan.notes(found, fates))
    missing = plan.missing(found, fates)
    return Figures(Kind.DEATHS, value, variance, sample_variance, name, missing, methods=methods)


def finished(
    design: Design,
    totals: DomainTotals,
    figures: Figures,
    place: int,
    *,
    area: int | None,
    level: float,
) -> Row:
    """Return all of a result row but its names.

    Parameters
    ----------
    design, totals, figures
        What the row is made from.
    place : int
        Index of the domain.
    area : int or None
        Code of the domain's area, if it has one.
    level : float
        Confidence level.

    Returns
    -------
    dict
        A value that cannot be had is None, with the reason in ``status`` and ``method``. Beside the
        columns of a result row it holds `SAMPLE_SE`.
    """
    support = totals.support
    row: Row = {
        "n_psu": int(support.n_psu[place]),
        "n_psu_frame": None if totals.is_convenience else int(support.n_psu_frame[place]),
        "n_interviews": int(support.n_interviews[place]),
        "ci_level": level,
        "ci_method": str(CiMethod.NONE),
    }
    why_not = reasons.why_not(design, totals, figures, place, area=area)
    if why_not:
        status, reason = why_not
        return row | {"status": str(status), "method": reason}
    status = reasons.status_of(totals, figures, place)
    no_error = reasons.why_no_error(totals, figures, place, status)
    row |= {
        "estimate": float(figures.value[place]),
        "df": float((support.df if figures.df is None else figures.df)[place]),
        "status": str(status),
        "method": "; ".join([*reasons.method_words(design, totals, figures, place), *no_error]),
    }
    return row if no_error else row | _error(row, status, figures, place, level)


def _error(row: Row, status: Status, figures: Figures, place: int, level: float) -> Row:
    """Return standard errors and interval."""
    value, se = row["estimate"], math.sqrt(figures.variance[place])
    of_sample = figures.sample_variance[place]
    errors: Row = {"se": se, SAMPLE_SE: math.sqrt(of_sample) if of_sample >= 0 else None}
    if status is Status.CENSUS and se == 0:
        return errors | {"ci_low": value, "ci_high": value}
    share = figures.kind is Kind.SHARE
    low, high = (logit_t if share else log_t)(value, se, df=row["df"], level=level)
    if math.isnan(low):
        return errors
    method = CiMethod.LOGIT_T if share else CiMethod.LOG_T
    return errors | {"ci_low": low, "ci_high": high, "ci_method": str(method)}
