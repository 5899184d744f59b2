"""The words beside a figure: its status, the rules it needed, why it or its error cannot be had."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from analytics.data.schema import TABLES
from analytics.survey.design import SITE_RULES
from analytics.survey.successive import SiteRule
from analytics.units import Kind, Status

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analytics.bulletin.figures import Figures
    from analytics.survey.design import Design
    from analytics.survey.sums import Measure
    from analytics.survey.totals import DomainTotals

#: A relative error under this is rounding.
ROUNDING_CV = 1e-9


def not_recorded(measures: Iterable[Measure]) -> str:
    """Return that no interview gave all the numbers behind a figure, naming them."""
    known = {column.name for column in TABLES["interviews"].columns}
    columns: dict[str, None] = {}
    for one in measures:
        named = [word for word in re.findall(r"\w+", one.sql) if word in known]
        columns |= dict.fromkeys(word for word in named if word not in one.optional)
    together = " together" if len(columns) > 1 else ""
    return f"not recorded in any interview: {', '.join(columns)}{together}"


def why_not(
    design: Design, totals: DomainTotals, figures: Figures, place: int, *, area: int | None
) -> tuple[Status, str] | None:
    """Return status and reason where a domain has no value, else None."""
    return _not_of_design(design, totals, figures, place) or _not_of_sample(
        totals, figures, place, area
    )


def _not_of_design(
    design: Design, totals: DomainTotals, figures: Figures, place: int
) -> tuple[Status, str] | None:
    if totals.is_convenience:
        if figures.is_ratio:
            return None
        return Status.NO_DESIGN, "interviews of convenience give rates and shares, never totals"
    if totals.support.is_undesigned[place]:
        names = _names(design, design.areas_without_design)
        return Status.NO_DESIGN, f"interviews of convenience only in {names}: no estimate here"
    return None


def _not_of_sample(
    totals: DomainTotals, figures: Figures, place: int, area: int | None
) -> tuple[Status, str] | None:
    support = totals.support
    reason = ""
    if totals.missing and totals.missing[place]:
        reason = totals.missing[place]
    elif figures.missing[place]:
        reason = figures.missing[place]
    elif support.n_psu[place] == 0 and not support.is_imputed[place]:
        reason = "no interview" if totals.is_convenience else "no site-day sampled"
    elif totals.plan.refuses and support.is_imputed[place]:
        reason = "open days without a sample, and filling them was refused"
    elif area is not None and support.is_partial[place]:
        reason = "no site-day sampled where boats of this area land"
        if totals.lost and totals.lost[place]:
            reason = f"nothing to reckon with in {totals.lost[place]}"
    elif math.isnan(figures.value[place]) and figures.is_ratio:
        return Status.ZERO_TOTAL, "the denominator is 0"
    elif math.isnan(figures.value[place]):
        reason = "the frame of a stratum is not known"
    return (Status.NO_SAMPLE, reason) if reason else None


def status_of(totals: DomainTotals, figures: Figures, place: int) -> Status:
    """Return the strongest reservation of a value."""
    support, value = totals.support, figures.value[place]
    by_fish = figures.is_sampled is not None and figures.is_sampled[place]
    none_seen = value == 0 or (figures.kind is Kind.SHARE and value == 1)
    found = (
        (support.is_partial[place], Status.NO_SAMPLE),
        (support.is_census[place] and not by_fish, Status.CENSUS),
        (none_seen, Status.ZERO_TOTAL),
        (support.is_imputed[place], Status.IMPUTED),
        (support.is_collapsed[place] and not totals.plan.refuses, Status.COLLAPSED),
    )
    return next((status for holds, status in found if holds), Status.OK)


def why_no_error(
    totals: DomainTotals, figures: Figures, place: int, status: Status
) -> tuple[str, ...]:
    """Return the reason where an estimate has no standard error; empty where it has one."""
    variance, support = figures.variance[place], totals.support
    unit = _unit(totals, place)
    if status is Status.CENSUS:
        return ()
    if status is Status.ZERO_TOTAL:
        what = "nothing else was seen" if figures.value[place] else "none was seen"
    elif totals.plan.refuses and (support.is_collapsed[place] or support.is_pooled[place]):
        what = "one unit or one boat alone, and borrowing a spread was refused"
    elif math.isnan(variance) or (figures.is_ratio and support.n_seen[place] < 2):
        of_factor = totals.estimator == "expanded_total" and support.n_seen[place] > 1
        what = "one day of contacts only" if of_factor else f"one {unit} only"
    elif variance > (ROUNDING_CV * figures.value[place]) ** 2:
        return ()
    elif variance < 0:
        what = "the unbiased estimate of its variance came out below 0"
    elif support.is_whole[place]:
        what = "its ramps sampled whole, boats landing elsewhere unseen"
    else:
        what = f"{unit}s all alike"
    return (f"{what}: no error can be had",)


def method_words(design: Design, totals: DomainTotals, figures: Figures, place: int) -> list[str]:
    """Name the estimator and every rule that thin data called for."""
    support = totals.support
    notes = [figures.method]
    if totals.is_convenience:
        return [*notes, "interviews of convenience: the error is that between their site-days"]
    if totals.estimator and figures.kind is Kind.TOTAL:
        notes = [totals.estimator]
    if figures.methods:
        own = figures.methods[place]
        notes = [own, *notes] if notes[0] == totals.estimator else [own]
    if support.of_days[place]:
        notes = [one.replace("two_stage", "three_stage") for one in notes]
        followed = zip(SITE_RULES, support.rules[place], strict=True)
        notes += [str(rule) for rule, is_so in followed if is_so and rule != SiteRule.EVERY_SITE]
    if support.is_imputed[place]:
        notes.append("open days without a sample filled from the nearest weeks")
    if support.is_collapsed[place] and not totals.plan.refuses:
        unit = _unit(totals, place)
        notes.append(f"a stratum of one {unit} took its spread together with a neighbour")
    if support.is_pooled[place] and not totals.plan.refuses:
        notes.append("spread between boats pooled where one of several was interviewed")
    if support.is_unknown[place]:
        notes.append("no spread between boats to be had: first stage without its finite term")
    if totals.notes:
        notes.append(totals.notes[place])
    if support.is_partial[place] and totals.lost:
        notes.append(f"without {totals.lost[place]}")
    elif support.is_partial[place]:
        lost = {int(design.strata.landing_area[one]) for one in totals.plan.unfilled}
        names = _names(design, lost)
        notes.append(f"without {names} (open and never sampled)")
    if design.no_design and not totals.estimator.startswith("counted"):
        names = _names(design, design.areas_without_design)
        notes.append(f"without boats that landed in {names}")
    return notes


def _unit(totals: DomainTotals, place: int) -> str:
    """Return what a sampled unit of a domain is called."""
    return "day" if totals.support.of_days[place] else "site-day"


def _names(design: Design, areas: Iterable[int]) -> str:
    return ", ".join(design.areas[one] for one in sorted(areas))
