"""Encounters by size and mark by the method the user names: sampled, or reported."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.bulletin.class_base import borrowed_marks
from analytics.bulletin.classes import Sampled, pooled_of, sampled_classes
from analytics.bulletin.figures import Figures, mark_figures
from analytics.bulletin.reasons import ROUNDING_CV
from analytics.combine import joint_df
from analytics.fish.marks import CLASSES
from analytics.fish.sample_counts import NO_TEST_FISHING
from analytics.options import Classes
from analytics.units import Kind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.bulletin.prepare import Season
    from analytics.fish.lent import Lent
    from analytics.survey.reach import Domains
    from analytics.survey.totals import DomainTotals
    from analytics.survey.ways import Way

SAMPLED = "sampled_composition"


class MarkFigures:
    """Figures of marks over one choice of domains; what several of them need is made once.

    Parameters
    ----------
    season : Season
    domains : Domains
    """

    def __init__(self, season: Season, domains: Domains) -> None:
        self._season, self._domains = season, domains
        self._lent: dict[int, Lent] = {}
        self._sampled: dict[int, Sampled] = {}

    def of(self, way: Way, quantity: str, totals: DomainTotals) -> Figures:
        """Return the figures of one quantity of marks; their methods say which method it is."""
        if totals.is_convenience:
            return mark_figures(quantity, totals)
        key = id(way)
        if key not in self._lent:
            self._lent[key] = borrowed_marks(self._season, way, self._domains, totals)
        reported = mark_figures(quantity, totals, self._lent[key])
        sample = self._season.sample
        if quantity not in CLASSES or sample is None:
            return reported
        if sample.why_none:
            return _without_sample(reported, sample.why_none, self._season.classes)
        if key not in self._sampled:
            pooled = self._season.pooled(way, lambda: pooled_of(self._season, way, sample))
            self._sampled[key] = sampled_classes(self._season, pooled, self._domains, totals)
        column = list(CLASSES).index(quantity)
        sampled = sampled_figures(self._sampled[key], column, totals)
        if self._season.classes is Classes.SAMPLED:
            return sampled
        return _first(sampled, reported, totals)


def sampled_figures(found: Sampled, column: int, totals: DomainTotals) -> Figures:
    """Return one class of a sampled season as figures.

    Degrees of freedom are joined from those of the survey and the sampled fish behind the domain
    less one (`analytics.combine.joint_df`). Where interviews should bring an error and none is to
    be had, there is none in all.

    Parameters
    ----------
    found : Sampled
    column : int
        Place in `analytics.fish.sampled.COLUMNS`.
    totals : DomainTotals
        Of the measures of marks, over the same domains.

    Returns
    -------
    Figures
    """
    value = found.value[:, column]
    survey, sample = (one[:, column, column] for one in (found.from_survey, found.from_sample))
    lacks = lacks_survey_error(found, totals)
    own_df = totals.support.df.astype(np.float64)
    joint = joint_df([survey, sample], [own_df, np.maximum(found.n_class[:, -1] - 1, 0)])
    variance = np.where(lacks, 0.0, survey + sample)
    return Figures(
        Kind.TOTAL,
        value,
        variance,
        variance,
        SAMPLED,
        found.missing,
        methods=tuple(f"{SAMPLED}; {said}" for said in found.notes),
        df=np.where(lacks | np.isnan(survey), own_df, joint),
        is_sampled=(sample > 0) | (value == 0),
    )


def lacks_survey_error(found: Sampled, totals: DomainTotals) -> NDArray[np.bool_]:
    """Return where interviews should bring an error to all classes together and bring none."""
    of_all, whole = found.from_survey[:, -1, -1], found.value[:, -1]
    is_none = of_all <= (ROUNDING_CV * whole) ** 2
    lacks: NDArray[np.bool_] = is_none & (whole > 0) & ~totals.support.is_census
    return lacks


def _without_sample(reported: Figures, why: str, classes: Classes) -> Figures:
    """Return the figures of a season of which no fish of test fishing can be used."""
    if classes is Classes.SAMPLED:
        return reported.withheld(why)
    if why == NO_TEST_FISHING:
        return reported
    return replace(reported, methods=tuple(_not_sampled(one, why) for one in reported.methods))


def _not_sampled(method: str, why: str) -> str:
    return f"{method}; not sampled: {why}"


def _first(sampled: Figures, reported: Figures, totals: DomainTotals) -> Figures:
    """Return the sampled figures, and the reported ones where a domain has no sampled figure."""
    own_df = totals.support.df.astype(np.float64)
    use = np.array([not words for words in sampled.missing], dtype=bool)
    pick = zip(use, sampled.missing, sampled.methods, reported.methods, strict=True)
    methods = tuple(one if used else _not_sampled(other, why) for used, why, one, other in pick)
    return replace(
        sampled,
        value=np.where(use, sampled.value, reported.value),
        variance=np.where(use, sampled.variance, reported.variance),
        sample_variance=np.where(use, sampled.sample_variance, reported.sample_variance),
        missing=tuple("" if one else two for one, two in zip(use, reported.missing, strict=True)),
        methods=methods,
        df=np.where(use, own_df if sampled.df is None else sampled.df, own_df),
        is_sampled=None if sampled.is_sampled is None else use & sampled.is_sampled,
    )
