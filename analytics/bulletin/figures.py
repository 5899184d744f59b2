"""From totals to finished figures: value, error, interval, and what stands behind it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.combine import weighted_sum
from analytics.fish.marks import marked
from analytics.interval import log_t, logit_t
from analytics.survey.design import SITE_RULES
from analytics.survey.ratios import combined_ratio
from analytics.survey.successive import SiteRule
from analytics.units import QUANTITIES, CiMethod, Kind, Status

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.fish.release_deaths import DeathPlan
    from analytics.survey.design import Design
    from analytics.survey.totals import DomainTotals

Row = dict[str, Any]

#: A relative error under this is rounding.
ROUNDING_CV = 1e-9

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
    """

    kind: Kind
    value: NDArray[np.float64]
    variance: NDArray[np.float64]
    sample_variance: NDArray[np.float64]
    method: str
    missing: tuple[str, ...]
    is_ratio: bool = False

    def withheld(self, reason: str) -> Figures:
        """Return the same figures with no value anywhere."""
        return replace(self, missing=(reason,) * len(self.missing))


def catch_figures(kind: Kind, totals: DomainTotals) -> Figures:
    """Return a total of one measure, or the combined ratio of two."""
    none = ("",) * len(totals.code)
    if kind is Kind.TOTAL:
        variance = totals.cov[:, 0, 0]
        return Figures(kind, totals.total[:, 0], variance, variance, "two_stage_total", none)
    ratio, variance = combined_ratio(totals.total, totals.cov)
    return Figures(kind, ratio, variance, variance, "combined_ratio", none, is_ratio=True)


def mark_figures(quantity: str, totals: DomainTotals) -> Figures:
    """Return encounters by mark, or the marked share; where no mark was read there is no value."""
    found = marked(quantity, totals.total, totals.cov)
    missing = tuple("no mark was read" if unread else "" for unread in found.unread)
    kind = QUANTITIES[quantity].kind
    return Figures(
        kind,
        found.value,
        found.variance,
        found.variance,
        "reported_marks",
        missing,
        is_ratio=kind is Kind.SHARE,
    )


def death_figures(plan: DeathPlan, quantity: str, totals: DomainTotals) -> Figures:
    """Return deaths as fish times rates; a domain with fish that have no rate has no value."""
    weight, weight_se = plan.weights(quantity)
    value, sample_variance, variance = weighted_sum(
        totals.total, totals.cov, weight=weight, weight_se=weight_se
    )
    order = list(plan.measures)
    gaps, nothing = plan.lacking(quantity)
    missing = [nothing] * len(totals.code)
    for measure, words in gaps.items():
        for place in np.flatnonzero(totals.total[:, order.index(measure)] > 0):
            missing[place] = nothing or words
    method = "releases_times_rates" + (f"; {plan.note}" if plan.note else "")
    return Figures(Kind.DEATHS, value, variance, sample_variance, method, tuple(missing))


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
        "n_psu_frame": int(support.n_psu_frame[place]),
        "n_interviews": int(support.n_interviews[place]),
        "ci_level": level,
        "ci_method": str(CiMethod.NONE),
    }
    why_not = _why_not(design, totals, figures, place, area)
    if why_not:
        status, reason = why_not
        return row | {"status": str(status), "method": reason}
    status = _status(totals, figures, place)
    no_error = _why_no_error(totals, figures, place, status)
    row |= {
        "estimate": float(figures.value[place]),
        "df": float(support.df[place]),
        "status": str(status),
        "method": "; ".join([*_method(design, totals, figures, place), *no_error]),
    }
    return row if no_error else row | _error(row, status, figures, place, level)


def _why_not(
    design: Design, totals: DomainTotals, figures: Figures, place: int, area: int | None
) -> tuple[Status, str] | None:
    """Return status and reason where a domain has no value, else None."""
    support = totals.support
    if design.no_design if area is None else area in design.no_design:
        return Status.NO_DESIGN, "this area's sampling design gives no estimate here"
    if figures.missing[place]:
        return Status.NO_SAMPLE, figures.missing[place]
    if support.n_psu[place] == 0 and not support.is_imputed[place]:
        return Status.NO_SAMPLE, "no site-day sampled"
    if area is not None and support.is_partial[place]:
        return Status.NO_SAMPLE, "no site-day sampled where boats of this area land"
    if math.isnan(figures.value[place]):
        return Status.ZERO_TOTAL, "the denominator is 0"
    return None


def _status(totals: DomainTotals, figures: Figures, place: int) -> Status:
    support = totals.support
    value = figures.value[place]
    if support.is_partial[place]:
        return Status.NO_SAMPLE
    if support.is_census[place]:
        return Status.CENSUS
    if value == 0 or (figures.kind is Kind.SHARE and value == 1):
        return Status.ZERO_TOTAL
    if support.is_imputed[place]:
        return Status.IMPUTED
    if support.is_collapsed[place]:
        return Status.COLLAPSED
    return Status.OK


def _why_no_error(
    totals: DomainTotals, figures: Figures, place: int, status: Status
) -> tuple[str, ...]:
    """Return the reason where an estimate has no standard error; empty where it has one."""
    variance = figures.variance[place]
    if status is Status.CENSUS:
        return ()
    if status is Status.ZERO_TOTAL:
        return (
            "nothing else was seen: no error can be had"
            if figures.value[place]
            else "none was seen: no error can be had",
        )
    if math.isnan(variance) or (figures.is_ratio and totals.support.n_seen[place] < 2):
        return ("one site-day only: no error can be had",)
    if variance > (ROUNDING_CV * figures.value[place]) ** 2:
        return ()
    if totals.support.is_whole[place]:
        return ("its ramps sampled whole, boats landing elsewhere unseen: no error can be had",)
    return ("site-days all alike: no error can be had",)


def _error(row: Row, status: Status, figures: Figures, place: int, level: float) -> Row:
    """Return standard errors and interval."""
    value, se = row["estimate"], math.sqrt(figures.variance[place])
    errors: Row = {"se": se, SAMPLE_SE: math.sqrt(figures.sample_variance[place])}
    if status is Status.CENSUS and se == 0:
        return errors | {"ci_low": value, "ci_high": value}
    share = figures.kind is Kind.SHARE
    low, high = (logit_t if share else log_t)(value, se, df=row["df"], level=level)
    if math.isnan(low):
        return errors
    method = CiMethod.LOGIT_T if share else CiMethod.LOG_T
    return errors | {"ci_low": low, "ci_high": high, "ci_method": str(method)}


def _method(design: Design, totals: DomainTotals, figures: Figures, place: int) -> list[str]:
    """Name the estimator and every rule that thin data called for."""
    support = totals.support
    notes = [figures.method]
    if support.of_days[place]:
        notes[0] = notes[0].replace("two_stage", "three_stage")
        followed = zip(SITE_RULES, support.rules[place], strict=True)
        notes += [str(rule) for rule, is_so in followed if is_so and rule != SiteRule.EVERY_SITE]
    if support.is_imputed[place]:
        notes.append("open days without a sample filled from the nearest weeks")
    if support.is_collapsed[place]:
        notes.append("a stratum of one site-day took its spread together with a neighbour")
    if support.is_pooled[place]:
        notes.append("spread between boats pooled where one of several was interviewed")
    if support.is_unknown[place]:
        notes.append("no spread between boats to be had: first stage without its finite term")
    if support.is_partial[place]:
        lost = {int(design.strata.landing_area[one]) for one in totals.plan.unfilled}
        names = ", ".join(design.areas[one] for one in sorted(lost))
        notes.append(f"without {names} (open and never sampled)")
    if design.no_design:
        names = ", ".join(design.areas[one] for one in sorted(design.no_design))
        notes.append(f"without boats that landed in {names}")
    return notes
