"""Encounters by size and mark: interviews tell the base, test fishing the classes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.bulletin.class_base import ALL_LEGAL, LEGAL_MARKED, base_of
from analytics.fish.marks import mark_analysis, marked
from analytics.fish.pools import SIZE_MARK, Pools, Rule, pools_of
from analytics.fish.sampled import DAMPED_UNDER, ClassRatios, class_ratios
from analytics.survey.arrays import add_at
from analytics.survey.mapped import Maps, coarse_codes, fine_domains, mapped_totals
from analytics.survey.totals import unit_cells
from analytics.survey.ways import Drawn

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.bulletin.class_base import Base
    from analytics.bulletin.prepare import Season
    from analytics.fish.pools import CompositionSample
    from analytics.survey.reach import Domains
    from analytics.survey.totals import DomainTotals
    from analytics.survey.ways import Way

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]


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
        How samples were pooled; empty where none was.
    n_class : ndarray of float, shape (D, 5)
        Sampled fish behind each figure.
    notes : tuple of str, length D
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


def sampled_classes(
    season: Season,
    way: Way,
    domains: Domains,
    totals: DomainTotals,
    *,
    sample: CompositionSample,
    beside: Floats | None = None,
) -> Sampled:
    r"""Return encounters by class as ``T_j(D) = Σ_c r_cj N_c`` over the area-weeks c of a domain.

    N is the base from interviews and r the ratio from the pooled sample. The variance is
    ``Σ_cc' r_cj r_c'j Cov(N_c, N_c') + Σ_cc' N_c N_c' Cov(r_cj, r_c'j)``, as of the product of
    independent estimates (Goodman 1960); its small third term, the product of both variances, is
    left out, which errs to the safe side. The first part is exact for totals of drawn units. For
    other ways it is ``(T_j/N)² v(N)`` with the base of the whole domain.

    Parameters
    ----------
    season : Season
    way : Way
    domains : Domains
    totals : DomainTotals
        Of the measures of marks, over the domains.
    sample : CompositionSample
    beside : ndarray of float, shape (D, J, K), optional
        J linear functions of each domain's totals, whose covariances are wanted.

    Returns
    -------
    Sampled
    """
    base = base_of(season, way)
    pools = pools_of(
        sample, area=base.area, week=base.week, base=base.classes, names=season.design.areas
    )
    ratios = class_ratios(sample.n, pools.member, base.classes)
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
        survey += _from_lent(base, ratios, place, size)
    else:
        survey, across = _scaled(base, totals, value, weight), np.zeros((size, 5, 0))
    return Sampled(
        value=value,
        from_survey=survey,
        from_sample=ratios.covariance(weight),
        across=across,
        weight=weight,
        ratios=ratios,
        missing=_missing(sample, ratios, weight),
        rule=_rules(pools, weight),
        n_class=_behind(sample, pools, weight),
        notes=_notes(base, sample, pools, ratios, weight),
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
    by_mark = ~base.classes[:, 1]
    for part in (0, 1):
        fish, source = base.total[:, 3 * part], base.lent.source[:, part]
        for one in np.unique(source[(source >= 0) & by_mark]):
            rows = (source == one) & by_mark
            sums = add_at(place[rows], ratios.value[rows] * fish[rows, None], size)
            spread = base.lent.variance[rows, part][0]
            met = np.bincount(place[rows], minlength=size) > 0
            square = np.einsum("dj,di->dji", sums, sums)
            added += np.where(met[:, None, None], spread * square, 0.0)
    return added


def _scaled(base: Base, totals: DomainTotals, value: Floats, weight: Floats) -> Floats:
    """Return the survey covariance where only that of whole domains is to be had."""
    if base.classes[:, 1].any():
        fish = totals.total @ ALL_LEGAL
        spread = np.einsum("k,dkl,l->d", ALL_LEGAL, totals.cov_of_sums, ALL_LEGAL)
    else:
        found = marked(LEGAL_MARKED, totals.total, totals.cov_of_sums)
        fish, spread = found.value, found.variance
    cv2 = spread / np.where(fish > 0, fish, np.nan) ** 2
    cov: Floats = np.einsum("dj,di,d->dji", value, value, cv2)
    return cov


def _missing(sample: CompositionSample, ratios: ClassRatios, weight: Floats) -> tuple[str, ...]:
    if sample.why_none:
        return (sample.why_none,) * len(weight)
    words = []
    for fish in weight:
        if (fish[~ratios.is_served] > 0).any():
            classes = ratios.base[(fish > 0) & ~ratios.is_served][0]
            what = "legal" if classes[1] else "legal and marked"
            words.append(f"none of {sample.n.sum():.0f} fish of test fishing was {what}")
        elif not fish.any():
            words.append("no fish of the base class was told here, so nothing can be expanded")
        else:
            words.append("")
    return tuple(words)


def _rules(pools: Pools, weight: Floats) -> tuple[str, ...]:
    """Say how samples were pooled; of several area-weeks how many, and how far at most."""
    rules = []
    for fish in weight:
        cells = np.flatnonzero(fish > 0)
        pooled = cells[pools.rule[cells] > Rule.OWN]
        if not len(pooled):
            rules.append("")
            continue
        furthest = pooled[np.argmax(pools.rule[pooled])]
        said = pools.words[furthest]
        many = f"{len(pooled)} of {len(cells)} area-weeks pooled, at most: "
        rules.append(said if len(cells) == 1 else many + said)
    return tuple(rules)


def _behind(sample: CompositionSample, pools: Pools, weight: Floats) -> Floats:
    """Return the sampled fish behind each domain by class, and all of them."""
    used = (weight > 0).astype(np.float64) @ pools.member > 0
    n = used @ sample.n
    return np.concatenate([n, n.sum(axis=1, keepdims=True)], axis=1)


def _notes(
    base: Base, sample: CompositionSample, pools: Pools, ratios: ClassRatios, weight: Floats
) -> tuple[str, ...]:
    n = _behind(sample, pools, weight)[:, len(SIZE_MARK)]
    notes = []
    for fish, rule, many in zip(weight, _rules(pools, weight), n, strict=True):
        said = [*base.notes, f"{many:.0f} fish of test fishing"]
        said += [rule] if rule else []
        if np.any(ratios.is_damped & (fish > 0)):
            said.append(f"damped where under {DAMPED_UNDER} fish of the base were sampled")
        lent = [one for one in np.array(base.lent.said((0, 1)))[fish > 0] if one]
        if lent:
            many_lent = f"marked shares lent to {len(lent)} area-weeks"
            said.append(many_lent if (fish > 0).sum() > 1 else str(lent[0]))
        if sample.n_left_out:
            said.append(f"{sample.n_left_out} fish of unknown side or mark left out")
        notes.append("; ".join(said))
    return tuple(notes)
