"""Encounters by size and mark: interviews tell the base, test fishing the classes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.bulletin.class_base import base_of
from analytics.bulletin.class_words import DomainWords
from analytics.fish.marks import UNKNOWN, mark_analysis
from analytics.fish.pools import pools_of
from analytics.fish.sample_counts import composition_sample
from analytics.fish.sampled import class_ratios
from analytics.survey.arrays import add_at
from analytics.survey.mapped import Maps, coarse_codes, fine_domains, mapped_totals
from analytics.survey.totals import unit_cells
from analytics.survey.ways import Drawn

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.bulletin.class_base import Base
    from analytics.bulletin.prepare import Season
    from analytics.data.snapshot import Snapshot
    from analytics.fish.pools import CompositionSample, Pools
    from analytics.fish.sampled import ClassRatios
    from analytics.survey.reach import Domains
    from analytics.survey.totals import DomainTotals
    from analytics.survey.ways import Way

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Sampled:
    """Encounters by size and mark from a sample, over D domains and the five `COLUMNS`.

    Parameters
    ----------
    value : ndarray of float, shape (D, 5)
    from_survey, from_sample : ndarray of float, shape (D, 5, 5)
        (Co)variances that interviews and sample bring.
    across : ndarray of float, shape (D, 5, J)
        Covariances with J linear functions of the same totals.
    weight : ndarray of float, shape (D, C)
        Base fish of each area-week in each domain.
    ratios : ClassRatios
    missing : tuple of str, length D
        Why there is no figure; empty where there is one.
    rule : tuple of str, length D
        How samples were pooled, in words; empty where none was.
    n_class : ndarray of float, shape (D, 5)
        Sampled fish behind each figure.
    notes : tuple of str, length D
        What each figure rests on and assumes.
    """

    value: Floats
    from_survey: Floats
    from_sample: Floats
    across: Floats
    weight: Floats
    ratios: ClassRatios
    missing: tuple[str, ...]
    rule: tuple[str, ...]
    n_class: Floats
    notes: tuple[str, ...]

    @property
    def cov(self) -> Floats:
        """All (co)variance, shape (D, 5, 5)."""
        return self.from_survey + self.from_sample


@dataclass(frozen=True, slots=True, eq=False)
class Pooled:
    """What serves every choice of domains: the base, and the ratios of pooled samples to it.

    Parameters
    ----------
    way : Way
        What tells the base.
    base : Base
    sample : CompositionSample
    pools : Pools
    ratios : ClassRatios
    """

    way: Way
    base: Base
    sample: CompositionSample
    pools: Pools
    ratios: ClassRatios


def pooled_of(season: Season, way: Way, sample: CompositionSample) -> Pooled:
    """Return base and ratios of every area-week of a season."""
    base = base_of(season, way)
    pools = pools_of(
        sample, area=base.area, week=base.week, base=base.classes, names=season.design.areas
    )
    of_class = sample.classes_of(pools.line)
    ratios = class_ratios(sample.n, pools.member, base.classes, of_class)
    return Pooled(way, base, sample, pools, ratios)


def drawn_classes(snapshot: Snapshot, season: Season) -> Pooled:
    """Return base and ratios at listed sites, in whatever way the season itself is reckoned.

    Parameters
    ----------
    snapshot : Snapshot
    season : Season
        Prepared from it.

    Returns
    -------
    Pooled
    """
    sample = season.sample or composition_sample(snapshot, season.design)
    way = next((one for one in season.ways if isinstance(one, Drawn)), None)
    way = way or Drawn(season.design, season.plans, season.reduction)
    return season.pooled(way, lambda: pooled_of(season, way, sample))


def sampled_classes(
    season: Season,
    pooled: Pooled,
    domains: Domains,
    totals: DomainTotals,
    *,
    beside: Floats | None = None,
) -> Sampled:
    r"""Return encounters by class as ``T_j(D) = Σ_c r_cj N_c`` over the area-weeks c of a domain.

    N is the base from interviews and r the ratio from the pooled sample. The variance is
    ``Σ_cc' r_cj r_c'j Cov(N_c, N_c') + Σ_cc' N_c N_c' Cov(r_cj, r_c'j)``, as of the product of
    independent estimates (Goodman 1960); its small third term, the product of both variances, is
    left out, which errs to the safe side. The first part is exact for totals of drawn units. For
    other ways it is ``(T_j/N)² v(N)`` with the base of the whole domain. A marked share that
    area-weeks borrow adds its own error.

    Parameters
    ----------
    season : Season
    pooled : Pooled
    domains : Domains
    totals : DomainTotals
        Of the measures of marks, over the domains.
    beside : ndarray of float, shape (D, J, K), optional
        J linear functions of each domain's totals, whose covariances are wanted.

    Returns
    -------
    Sampled
    """
    base, ratios, way = pooled.base, pooled.ratios, pooled.way
    fine, size = fine_domains(season.design), len(totals.code)
    place = np.searchsorted(totals.code, coarse_codes(domains, fine, base.code))
    weight = np.zeros((size, len(base.code)))
    weight[place, np.arange(len(base.code))] = base.fish
    value = weight @ ratios.value
    if isinstance(way, Drawn):
        matrix = ratios.value[:, :, None] * base.gradient[:, None, :]
        if beside is not None:
            matrix = np.concatenate([matrix, beside[place]], axis=1)
        survey, across = _drawn(way, domains, totals.code, Maps(base.code, matrix))
    else:
        survey, across = _scaled(base, totals, value, place), np.zeros((size, 5, 0))
    words = DomainWords(season.design.areas, pooled, weight, place, totals.total[:, UNKNOWN])
    return Sampled(
        value=value,
        from_survey=survey + _from_lent(base, ratios, place, size),
        from_sample=ratios.covariance(weight),
        across=across,
        weight=weight,
        ratios=ratios,
        missing=words.missing(),
        rule=words.rules(),
        n_class=words.n_class,
        notes=words.notes(),
    )


def _drawn(way: Drawn, domains: Domains, codes: Ints, maps: Maps) -> tuple[Floats, Floats]:
    """Return the exact survey covariance of the classes, and theirs with other functions."""
    moments = way.reduction.moments(mark_analysis())
    plan, cells, _ = unit_cells(way.design, moments, plans=way.plans, by_area=True)
    _, cov = mapped_totals(way.design, plan, cells, domains, maps, codes=codes)
    return cov[:, :5, :5].copy(), cov[:, :5, 5:]


def _from_lent(base: Base, ratios: ClassRatios, place: Ints, size: int) -> Floats:
    """Return what the error of lent marked shares adds; one share has one error in a domain."""
    added = np.zeros((size, 5, 5))
    for part in (0, 1):
        fish, source = base.total[:, 3 * part], base.lent.source[:, part]
        for one in np.unique(source[(source >= 0) & base.is_by_mark]):
            rows = (source == one) & base.is_by_mark
            sums = add_at(place[rows], ratios.value[rows] * fish[rows, None], size)
            spread = base.lent.variance[rows, part][0]
            met = np.bincount(place[rows], minlength=size) > 0
            square = np.einsum("dj,di->dji", sums, sums)
            added += np.where(met[:, None, None], spread * square, 0.0)
    return added


def _scaled(base: Base, totals: DomainTotals, value: Floats, place: Ints) -> Floats:
    """Return the survey covariance where only that of whole domains is to be had.

    The base of a domain is ``Σ_c g_c'T_c = g'T`` with g the mean of the gradients of its
    area-weeks, each weighted by its totals: lent shares, and areas with another base, enter so.
    """
    sums = add_at(place, base.total, len(value))
    parts = add_at(place, base.gradient * base.total, len(value))
    slope = np.where(sums != 0, parts / np.where(sums != 0, sums, 1.0), 0.0)
    fish = parts.sum(axis=1)
    spread = np.einsum("dk,dkl,dl->d", slope, totals.cov_of_sums, slope)
    cv2 = np.maximum(spread, 0.0) / np.where(fish > 0, fish, np.nan) ** 2
    cov: Floats = np.einsum("dj,di,d->dji", value, value, np.where(fish > 0, cv2, 0.0))
    return cov
