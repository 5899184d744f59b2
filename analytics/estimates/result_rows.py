"""From totals to finished figures: value, error, interval, and what stands behind it."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from analytics.codes import coded, has_code, join_codes
from analytics.data.schema import TABLES
from analytics.fish.mark_composition import CLASSES, MARK_QUANTITIES, PARTS, marked
from analytics.fish.release_mortality import FATES
from analytics.intervals import log_t, logit_t
from analytics.quantities import QUANTITIES, CiMethod, QuantityKind, Status, quantity_of
from analytics.survey.design import SITE_RULES, SiteRule
from analytics.survey.domain_totals import combined_ratio

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analytics.arrays import Bools, Floats
    from analytics.fish.mark_composition import BorrowedShares
    from analytics.fish.release_mortality import DeathPlan
    from analytics.intervals import DomainIntervals
    from analytics.survey.design import Design
    from analytics.survey.domain_totals import DomainTotals
    from analytics.survey.domains import Domains
    from analytics.survey.reduction import Measure


# The codes beside a figure: its status, the rules it needed, why it or its error cannot be had.

#: The estimator where days are drawn first, then sites of a day.
_OF_DAYS = {"two_stage_total": "three_stage_total"}
COUNTED, DEATHS_ESTIMATOR = "counted_effort_times_rate", "releases_times_rates"
#: A relative error under this is rounding.
ROUNDING_CV = 1e-9


def not_recorded(measures: Iterable[Measure]) -> str:
    """Return the code that no interview gave all the numbers behind a figure, naming them."""
    known = {column.name for column in TABLES["interviews"].columns}
    columns: dict[str, None] = {}
    for one in measures:
        named = [word for word in re.findall(r"\w+", one.sql) if word in known]
        columns |= dict.fromkeys(word for word in named if word not in one.optional)
    return coded("not_recorded", columns=columns)


def why_not(
    design: Design, totals: DomainTotals, figures: DomainEstimates, place: int, *, area: int | None
) -> tuple[Status, str] | None:
    """Return status and reason where a domain has no value, else None."""
    return _not_of_design(design, totals, figures, place) or _not_of_sample(
        totals, figures, place, area
    )


def _not_of_design(
    design: Design, totals: DomainTotals, figures: DomainEstimates, place: int
) -> tuple[Status, str] | None:
    if totals.is_convenience:
        if figures.is_ratio:
            return None
        return Status.NO_DESIGN, coded("no_totals_from_convenience")
    if totals.support.is_convenience_only[place]:
        areas = _areas(design, design.areas_without_design)
        return Status.NO_DESIGN, coded("convenience_only", areas=areas)
    return None


def _not_of_sample(
    totals: DomainTotals, figures: DomainEstimates, place: int, area: int | None
) -> tuple[Status, str] | None:
    support = totals.support
    reason = ""
    if totals.missing and totals.missing[place]:
        reason = totals.missing[place]
    elif figures.missing[place]:
        reason = figures.missing[place]
    elif support.n_psu[place] == 0 and not support.is_imputed[place]:
        reason = coded("no_interview" if totals.is_convenience else "no_site_day")
    elif totals.plan.refuses and support.is_imputed[place]:
        reason = coded("imputation_refused")
    elif area is not None and support.lacks_area[place]:
        reason = coded("no_site_day_of_area")
        if totals.lost and totals.lost[place]:
            reason = join_codes([coded("nothing_to_calculate_from"), totals.lost[place]])
    elif math.isnan(figures.value[place]) and figures.is_ratio:
        return Status.ZERO_TOTAL, coded("zero_denominator")
    elif math.isnan(figures.value[place]):
        reason = coded("frame_unknown")
    return (Status.NO_SAMPLE, reason) if reason else None


def status_of(totals: DomainTotals, figures: DomainEstimates, place: int) -> Status:
    """Return the strongest reservation of a value."""
    support, value = totals.support, figures.value[place]
    by_fish = figures.is_sampled is not None and figures.is_sampled[place]
    none_seen = value == 0 or (figures.kind is QuantityKind.SHARE and value == 1)
    found = (
        (support.lacks_area[place], Status.NO_SAMPLE),
        (support.is_census[place] and not by_fish, Status.CENSUS),
        (none_seen, Status.ZERO_TOTAL),
        (support.is_imputed[place] or support.has_missed_days[place], Status.IMPUTED),
        (support.is_collapsed[place] and not totals.plan.refuses, Status.COLLAPSED),
    )
    return next((status for holds, status in found if holds), Status.OK)


def why_no_error(
    totals: DomainTotals, figures: DomainEstimates, place: int, status: Status
) -> tuple[str, ...]:
    """Return the code why an estimate has no standard error; empty where it has one."""
    variance, support = figures.variance[place], totals.support
    unit = _unit(totals, place)
    if status is Status.CENSUS:
        return ()
    if status is Status.ZERO_TOTAL:
        why = coded("nothing_else_seen" if figures.value[place] else "none_seen")
    elif totals.plan.refuses and (support.is_collapsed[place] or support.is_pooled[place]):
        why = coded("pooling_refused")
    elif math.isnan(variance) or (figures.is_ratio and support.n_psu_interviewed[place] < 2):
        of_factor = totals.estimator == "expanded_total" and support.n_psu_interviewed[place] > 1
        why = coded("one_contact_day") if of_factor else coded("one_unit", unit=unit)
    elif variance > (ROUNDING_CV * figures.value[place]) ** 2:
        return ()
    elif variance < 0:
        why = coded("negative_variance")
    elif support.is_landing_census[place]:
        why = coded("landing_census")
    else:
        why = coded("units_alike", unit=unit)
    return (why,)


def method_codes(
    design: Design, totals: DomainTotals, figures: DomainEstimates, place: int
) -> list[str]:
    """Name the estimator and every rule that thin data called for."""
    support = totals.support
    notes = [figures.method]
    if totals.is_convenience:
        return [*notes, coded("convenience_error")]
    if totals.estimator and figures.kind is QuantityKind.TOTAL:
        notes = [totals.estimator]
    if figures.methods:
        own = figures.methods[place]
        notes = [own, *notes] if notes[0] == totals.estimator else [own]
    if support.of_days[place]:
        notes = [_OF_DAYS.get(one, one) for one in notes]
        followed = zip(SITE_RULES, support.rules[place], strict=True)
        notes += [str(rule) for rule, is_so in followed if is_so and rule != SiteRule.EVERY_SITE]
    notes += _thin_codes(totals, place)
    if totals.notes:
        notes.append(totals.notes[place])
    if support.lacks_area[place] and totals.lost:
        notes.append(totals.lost[place])
    elif support.lacks_area[place]:
        lost = {int(design.strata.landing_area[one]) for one in totals.plan.not_imputed}
        notes.append(coded("without_never_sampled", areas=_areas(design, lost)))
    if design.without_totals and totals.estimator != COUNTED:
        areas = _areas(design, design.areas_without_design)
        notes.append(coded("without_landings", areas=areas))
    return notes


def _thin_codes(totals: DomainTotals, place: int) -> list[str]:
    """Name the rules that thin data called for."""
    support, borrows = totals.support, not totals.plan.refuses
    rules = {
        "imputed": support.is_imputed[place],
        "missed_days": support.has_missed_days[place],
        "prorated_frame": support.is_prorated[place],
        "collapsed": support.is_collapsed[place] and borrows,
        "boats_pooled": support.is_pooled[place] and borrows,
        "boats_unknown": support.is_unknown[place],
    }
    given = {"collapsed": {"unit": _unit(totals, place)}}
    return [coded(name, **given.get(name, {})) for name, holds in rules.items() if holds]


def _unit(totals: DomainTotals, place: int) -> str:
    """Return what a sampled unit of a domain is called."""
    return "day" if totals.support.of_days[place] else "site-day"


def _areas(design: Design, areas: Iterable[int]) -> list[str]:
    return [design.areas[one] for one in sorted(areas)]


Row = dict[str, Any]


def domain_names(design: Design, domains: Domains, code: int) -> Row:
    """Return season, area and week of a domain; None for all areas or weeks."""
    area, week = domains.cell(code)
    return {
        "season": design.season,
        "area": None if area is None else design.areas[area],
        "week": None if week is None else design.weeks[week],
    }


#: The standard error from the sample alone, without that of the rates; not a result column.
SAMPLE_SE = "sample_se"
#: Reasons for no error beside which an interval from all strata together may stand.
_POOLED_MAY_TELL = ("none_seen", "nothing_else_seen", "units_alike", "one_unit", "landing_census")


@dataclass(frozen=True, slots=True, eq=False)
class DomainEstimates:
    """One quantity in D domains.

    Parameters
    ----------
    kind : QuantityKind
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
        interviewed.
    intervals : DomainIntervals, optional
        By default each row has Student's t on the log or the logit scale.
    composition_variance : ndarray of float, shape (D,), optional
        The part of `sample_variance` that a sample of fish brings.
    """

    kind: QuantityKind
    value: Floats
    variance: Floats
    sample_variance: Floats
    method: str
    missing: tuple[str, ...]
    is_ratio: bool = False
    methods: tuple[str, ...] = ()
    df: Floats | None = None
    is_sampled: Bools | None = None
    intervals: DomainIntervals | None = None
    composition_variance: Floats | None = None

    def withheld(self, reason: str) -> DomainEstimates:
        """Return the same figures with no value anywhere."""
        return replace(self, missing=(reason,) * len(self.missing))


def catch_figures(kind: QuantityKind, totals: DomainTotals) -> DomainEstimates:
    """Return a total of one measure, or the combined ratio of two."""
    none = ("",) * len(totals.code)
    if kind is QuantityKind.TOTAL:
        variance = totals.cov_of_sums[:, 0, 0]
        return DomainEstimates(
            kind, totals.total[:, 0], variance, variance, "two_stage_total", none
        )
    ratio, variance = combined_ratio(totals.total, totals.cov)
    return DomainEstimates(kind, ratio, variance, variance, "combined_ratio", none, is_ratio=True)


def mark_figures(
    quantity: str, totals: DomainTotals, borrowed: BorrowedShares | None = None
) -> DomainEstimates:
    """Return encounters by mark, or the marked share, from the marks reported in interviews.

    Where no mark was read and none borrowed there is no value.
    """
    kind = QUANTITIES[quantity].kind
    is_share = kind is QuantityKind.SHARE
    found = marked(
        quantity, totals.total, totals.cov if is_share else totals.cov_of_sums, borrowed=borrowed
    )
    name, value, variance = "reported_marks", found.value, found.variance
    parts = CLASSES.get(quantity, (tuple(PARTS), True))[0]
    words = (
        borrowed.said([list(PARTS).index(one) for one in parts]) if borrowed else [""] * len(value)
    )
    methods = tuple(join_codes([name, said]) for said in words)
    return DomainEstimates(kind, value, variance, variance, name, found.unread, is_share, methods)


def reported_figures(
    quantity: str,
    totals: DomainTotals,
    deaths: DeathPlan,
    borrowed: BorrowedShares | None = None,
) -> DomainEstimates:
    """Return the figures of a quantity as interviews report it; `borrowed` as of `mark_figures`."""
    if quantity in MARK_QUANTITIES:
        return mark_figures(quantity, totals, borrowed)
    kind = quantity_of(quantity).kind
    if kind is QuantityKind.DEATHS:
        return death_figures(deaths, quantity, totals)
    return catch_figures(kind, totals)


def death_figures(plan: DeathPlan, quantity: str, totals: DomainTotals) -> DomainEstimates:
    """Return deaths as fish times rates; a domain with fish that have no rate has no value."""
    fates = FATES[quantity]
    found = plan.fish(totals.total, totals.cov_of_sums)
    value, sample_variance, variance = plan.deaths(found, fates)
    name = DEATHS_ESTIMATOR
    methods = tuple(join_codes([name, said]) for said in plan.notes(found, fates))
    missing = plan.missing(found, fates)
    return DomainEstimates(
        QuantityKind.DEATHS, value, variance, sample_variance, name, missing, methods=methods
    )


def result_row(
    design: Design,
    totals: DomainTotals,
    figures: DomainEstimates,
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
    absent = why_not(design, totals, figures, place, area=area)
    if absent:
        status, reason = absent
        return row | {"status": str(status), "method": reason}
    status = status_of(totals, figures, place)
    no_error = why_no_error(totals, figures, place, status)
    row |= {
        "estimate": float(figures.value[place]),
        "df": float((support.df if figures.df is None else figures.df)[place]),
        "status": str(status),
        "method": join_codes([*method_codes(design, totals, figures, place), *no_error]),
    }
    if no_error:
        if figures.intervals is None or not has_code(no_error[0], *_POOLED_MAY_TELL):
            return row
        return row | _pooled(figures.intervals, place)
    return row | _error(row, status, figures, place, level)


def _pooled(intervals: DomainIntervals, place: int) -> Row:
    """Return the interval of one domain and its degrees of freedom; nothing where it has none."""
    low, high, df = (float(one[place]) for one in (intervals.low, intervals.high, intervals.df))
    if not (math.isfinite(low) and math.isfinite(high)):
        return {}
    return {"ci_low": low, "ci_high": high, "df": df, "ci_method": str(intervals.method)}


def _error(row: Row, status: Status, figures: DomainEstimates, place: int, level: float) -> Row:
    """Return standard errors and interval."""
    value, se = row["estimate"], math.sqrt(figures.variance[place])
    of_sample = figures.sample_variance[place]
    errors: Row = {"se": se, SAMPLE_SE: math.sqrt(of_sample) if of_sample >= 0 else None}
    if status is Status.CENSUS and se == 0:
        return errors | {"ci_low": value, "ci_high": value}
    if figures.intervals is not None:
        return errors | _pooled(figures.intervals, place)
    share = figures.kind is QuantityKind.SHARE
    low, high = (logit_t if share else log_t)(value, se, df=row["df"], level=level)
    if math.isnan(low):
        return errors
    method = CiMethod.LOGIT_T if share else CiMethod.LOG_T
    return errors | {"ci_low": low, "ci_high": high, "ci_method": str(method)}
