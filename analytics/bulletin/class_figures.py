"""Encounters by size and mark by the method the user names: sampled, or reported."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.bulletin.class_base import wider_marks
from analytics.bulletin.classes import Sampled, sampled_classes
from analytics.bulletin.figures import Figures, mark_figures
from analytics.bulletin.reasons import ROUNDING_CV
from analytics.fish.lent import lend
from analytics.fish.marks import CLASSES, PART_WORDS
from analytics.options import Classes
from analytics.units import QUANTITIES

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
            wider = wider_marks(self._season, way, self._domains, totals.code)
            self._lent[key] = lend(totals.total, wider, parts=list(PART_WORDS.values()))
        reported = mark_figures(quantity, totals, self._lent[key])
        sample = self._season.sample
        if quantity not in CLASSES or sample is None:
            return reported
        if key not in self._sampled:
            self._sampled[key] = sampled_classes(
                self._season, way, self._domains, totals, sample=sample
            )
        sampled = sampled_figures(self._sampled[key], quantity, totals)
        if self._season.classes is Classes.SAMPLED:
            return sampled
        return _first(sampled, reported, said=bool(len(sample.n)))


def sampled_figures(found: Sampled, quantity: str, totals: DomainTotals) -> Figures:
    """Return one class of a sampled season as figures."""
    column = list(CLASSES).index(quantity)
    value = found.value[:, column]
    variance = with_survey_error(found, totals)[:, column, column]
    methods = tuple(f"{SAMPLED}; {said}" for said in found.notes)
    kind = QUANTITIES[quantity].kind
    return Figures(kind, value, variance, variance, SAMPLED, found.missing, methods=methods)


def with_survey_error(found: Sampled, totals: DomainTotals) -> NDArray[np.float64]:
    """Return all (co)variance; 0 where interviews should bring an error and none is to be had."""
    spread = np.einsum("djj->dj", found.from_survey)
    lacks = (spread <= (ROUNDING_CV * found.value) ** 2).any(axis=1) & ~totals.support.is_census
    cov = found.cov
    cov[lacks & (found.value.sum(axis=1) > 0)] = 0.0
    return cov


def _first(sampled: Figures, reported: Figures, *, said: bool) -> Figures:
    """Return the sampled figures, and the reported ones where a domain has no sampled figure."""
    use = np.array([not words for words in sampled.missing], dtype=bool)
    pick = zip(use, sampled.missing, sampled.methods, reported.methods, strict=True)
    methods = tuple(
        one if used else other + (f"; not sampled: {why}" if said else "")
        for used, why, one, other in pick
    )
    return replace(
        sampled,
        value=np.where(use, sampled.value, reported.value),
        variance=np.where(use, sampled.variance, reported.variance),
        sample_variance=np.where(use, sampled.sample_variance, reported.sample_variance),
        missing=tuple("" if one else two for one, two in zip(use, reported.missing, strict=True)),
        methods=methods,
    )
