"""Weights of a season's units, replicates that give the variance of any total, and their tables.

Other programs add up ``w t`` of units with each replicate's weights: ``v = Σ_r c_r (T_r - T)²``.
Replicates give the variance between units. That inside units needs the boats and is not in them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.estimates.schemas import REPLICATE_SCHEMA, REPLICATE_WEIGHT_SCHEMA
from analytics.survey.domain_totals import unit_cells
from analytics.survey.domains import Domains, LinearForm
from analytics.survey.reduction import Analysis

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analytics.arrays import Bools, Floats, Ints
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.survey.design import Design, StratumTreatments
    from analytics.survey.reduction import Moments


#: Replicates of a bootstrap (our choice, no source).
N_BOOTSTRAP = 500


class ReplicateMethod(StrEnum):
    """How replicates are made."""

    JACKKNIFE = "jackknife"
    BOOTSTRAP = "bootstrap"


class ReplicatePart(StrEnum):
    """What a replicate gives the variance of."""

    SAMPLED = "sampled"  # between the units of a stratum
    COLLAPSED = "collapsed"  # borrowed by a stratum with one unit
    IMPUTED = "imputed"  # borrowed by a stratum without a unit
    ALL = "all"


@dataclass(frozen=True, slots=True, eq=False)
class Replicates:
    """Weights of U units, and R replicates of them.

    Parameters
    ----------
    weight : ndarray of float, shape (U,)
        ``b/n_h``, 0 for units that gave no answer. A unit that strata without a sample borrow
        from counts for them, too.
    direct : ndarray of float, shape (U,)
        ``N_h/n_h``: without what the unit counts for other strata.
    replicate : ndarray of float, shape (R, U)
    scale : ndarray of float, shape (R,)
        ``c_r`` of ``v = Σ_r c_r (T_r - T)²`` about the estimate T itself.
    correction : ndarray of float, shape (R,)
        The finite population correction that is in it: in `scale` (jackknife); 1 where it is in
        the weights (bootstrap).
    stratum : ndarray of int, shape (R,)
        Code of the stratum whose variance a replicate gives; -1 of all.
    part : tuple of ReplicatePart, length R
    lacking : tuple of int
        Codes of strata with one unit and no donor: no replicate has their error.
    """

    weight: Floats
    direct: Floats
    replicate: Floats
    scale: Floats
    correction: Floats
    stratum: Ints
    part: tuple[ReplicatePart, ...]
    lacking: tuple[int, ...]


def replicates_of(
    design: Design,
    moments: Moments,
    *,
    plans: StratumTreatments,
    method: ReplicateMethod = ReplicateMethod.JACKKNIFE,
    seed: int = 1,
) -> Replicates:
    r"""Return replicate weights of the units that answered `moments`, over an entire season.

    Jackknife of strata (JKn): a replicate leaves out one of n units and weights the others of its
    stratum by ``n/(n - 1)``; ``c = (1 - n/N)(n - 1)/n``. The variance of a total is then that of
    linearisation (Rust and Rao 1996, Variance estimation for complex surveys using replication
    techniques, Statistical Methods in Medical Research 5; from memory).

    Rescaled bootstrap: n - 1 draws with replacement of n units give
    ``w (1 - λ + λ r n/(n - 1))`` with ``λ = √(1 - n/N)`` and r the times that a unit was drawn
    (Rao and Wu 1988, Resampling inference with complex survey data, J. Am. Stat. Assoc. 83; Rao, Wu
    and Yue 1992, Some recent work on resampling methods for complex surveys, Survey Methodology 18;
    from memory); ``c = 1/R``.

    A stratum that borrows its variance (`survey.design`), with weight W and m units to borrow from,
    has replicates ``W² s²`` of its own: these units' weights move by
    ``-δ (1 - 1/m)`` for one and ``δ/m`` for the others, and ``c = (1 - f) W²/(δ² (m - 1))``
    (our choice, no source; it is the same form). δ is W/(m - 1), or less, so that no weight is
    below 0. Weights of a bootstrap may be below 0 in such strata.

    Parameters
    ----------
    design : Design
    moments : Moments
        Of the analysis whose answering units are weighted.
    plans : StratumTreatments
    method : ReplicateMethod
    seed : int
        Of a bootstrap's draws.
    """
    plan, cells, _ = unit_cells(design, moments, plans=plans, by_area=False)
    domains = Domains(by_area=False, by_week=False, n_weeks=len(design.weeks))
    form = LinearForm.of(design, plan, cells, domains)
    stratum, n = design.units.stratum, np.maximum(plan.n_active, 1)
    counted = np.zeros(len(stratum))
    counted[form.weights.unit] = form.weights.weight
    weight = counted / n[stratum]
    is_direct = plan.active & (design.units.week < design.n_weeks_estimated)
    direct = np.where(is_direct, design.strata.n_frame[stratum] / n[stratum], 0.0)
    jackknife = method is ReplicateMethod.JACKKNIFE
    found = list(_jackknife(form, weight) if jackknife else _bootstrap(form, weight, seed))
    short = [one.stratum for one in plan.borrowings if len(one.units) < 2]
    return Replicates(
        weight=weight,
        direct=direct,
        replicate=np.array([one.weight for one in found]).reshape(len(found), len(stratum)),
        scale=np.array([one.scale for one in found]),
        correction=np.array([one.correction for one in found]),
        stratum=np.array([one.stratum for one in found], dtype=np.int64),
        part=tuple(one.part for one in found),
        lacking=tuple(sorted(plan.single_psu | set(short))),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Replicate:
    weight: Floats
    scale: float
    correction: float
    stratum: int
    part: ReplicatePart


@dataclass(frozen=True, slots=True, eq=False)
class _BorrowedVariance:
    """A variance that a stratum borrows: `weight`² (1 - f) s² of some units."""

    stratum: int
    part: ReplicatePart
    units: Ints
    weight: float
    correction: float


def _borrowed_variances(form: LinearForm) -> Iterator[_BorrowedVariance]:
    one = form.borrowed
    for of, borrowing in enumerate(form.plan.borrowings):
        weights = one.weight[one.of == of]
        if len(borrowing.units) > 1 and len(weights):
            part = ReplicatePart.IMPUTED if borrowing.is_imputation else ReplicatePart.COLLAPSED
            weight = float(np.sqrt((np.unique(weights) ** 2).sum()))
            finite = float(one.finite[of])
            yield _BorrowedVariance(borrowing.stratum, part, borrowing.units, weight, finite)


def _sampled(form: LinearForm) -> Iterator[tuple[int, Ints, float]]:
    """Yield strata with two or more units, their units, and their finite correction."""
    stratum, plan = form.design.units.stratum, form.plan
    for code in np.flatnonzero(plan.n_active > 1).tolist():
        units = np.flatnonzero(plan.active & (stratum == code))
        yield code, units, max(float(form.correction[code]), 0.0)


def _jackknife(form: LinearForm, weight: Floats) -> Iterator[_Replicate]:
    for code, units, finite in _sampled(form):
        n = len(units)
        for unit in units:
            moved = weight.copy()
            moved[units] *= n / (n - 1)
            moved[unit] = 0.0
            scale = finite * (n - 1) / n
            yield _Replicate(moved, scale, finite, code, ReplicatePart.SAMPLED)
    for one in _borrowed_variances(form):
        m = len(one.units)
        least = float(weight[one.units].min())
        step = min(one.weight, least * m) / (m - 1) if least > 0 else one.weight / (m - 1)
        scale = one.correction * one.weight**2 / (step**2 * (m - 1))
        for unit in one.units:
            moved = weight.copy()
            moved[one.units] += step / m
            moved[unit] -= step
            yield _Replicate(moved, scale, one.correction, one.stratum, one.part)


def _bootstrap(form: LinearForm, weight: Floats, seed: int) -> Iterator[_Replicate]:
    rng = np.random.default_rng(seed)
    sampled, borrowed = list(_sampled(form)), list(_borrowed_variances(form))
    for _ in range(N_BOOTSTRAP):
        moved = weight.copy()
        for _, units, finite in sampled:
            moved[units] += np.sqrt(finite) * weight[units] * _departure(rng, len(units))
        for one in borrowed:
            m = len(one.units)
            own = _departure(rng, m) / np.sqrt(m)
            moved[one.units] += np.sqrt(one.correction) * one.weight * own
        yield _Replicate(moved, 1 / N_BOOTSTRAP, 1.0, -1, ReplicatePart.ALL)


def _departure(rng: np.random.Generator, n: int) -> Floats:
    """Return ``r n/(n - 1) - 1`` of n units, of which n - 1 were drawn with replacement."""
    drawn = rng.multinomial(n - 1, np.full(n, 1 / n))
    return np.asarray(drawn * (n / (n - 1)) - 1, dtype=np.float64)


def replicate_tables(
    season: SeasonSurvey, *, method: ReplicateMethod = ReplicateMethod.JACKKNIFE, seed: int = 1
) -> tuple[pa.Table, pa.Table, tuple[str, ...]]:
    """Return weights of the site-days that answered, their replicates, and strata without error.

    Site-days of which a boat was interviewed, or to which none returned. The weight of missed ones,
    with boats and none interviewed, is with those whose mean per boat stands for them.

    Parameters
    ----------
    season : SeasonSurvey
    method, seed
        As of `analytics.estimates.replicate_weights.replicates_of`.

    Returns
    -------
    weights : pyarrow.Table
        `REPLICATE_WEIGHT_SCHEMA`, and one column a replicate.
    replicates : pyarrow.Table
        In `REPLICATE_SCHEMA`.
    lacking : tuple of str
        ``area:stratum`` of strata whose error no replicate has.
    """
    design = season.design
    moments = season.reduction.moments(Analysis(("boat_trips",)))
    found = replicates_of(design, moments, plans=season.plans, method=method, seed=seed)
    interviewed = moments.boats_interviewed(len(design.site_days.sample_id))
    plan = season.plans.for_interviewed(interviewed)
    missed = plan.missed if len(plan.missed) else np.zeros(len(interviewed), dtype=bool)
    rows = np.flatnonzero(plan.active[design.site_days.unit] & ~missed)
    names = [f"replicate_{place + 1:04d}" for place in range(len(found.scale))]
    days = design.site_days
    unit, stratum = days.unit[rows], design.units.stratum[days.unit[rows]]
    by_unit = np.vstack([found.direct, found.weight, found.replicate])
    of_days = _with_missed(design, by_unit[:, days.unit] * days.weight, missed, interviewed)[
        :, rows
    ]
    columns = _places(design, stratum) | {
        "season": [design.season] * len(rows),
        "sample_id": days.sample_id[rows].tolist(),
        "unit": [str(one) for one in unit.tolist()],
        "n_psu_frame": np.rint(design.strata.n_frame[stratum]).astype(np.int64),
        "n_psu": plan.n_active[stratum],
        "boats_returned": np.rint(days.boats_returned[rows]).astype(np.int64),
        "boats_interviewed": np.rint(interviewed[rows]).astype(np.int64),
        "direct_weight": of_days[0],
        "weight": of_days[1],
    }
    weights = pa.table(columns).select(REPLICATE_WEIGHT_SCHEMA.names).cast(REPLICATE_WEIGHT_SCHEMA)
    for name, one in zip(names, of_days[2:], strict=True):
        weights = weights.append_column(name, pa.array(one))
    lacking = tuple(
        f"{design.areas[design.strata.landing_area[one]]}:{design.strata.label[one]}"
        for one in found.lacking
    )
    return weights, _replicates(design, found, names, method), lacking


def _with_missed(design: Design, weight: Floats, missed: Bools, interviewed: Floats) -> Floats:
    """Give the weights of missed site-days, times their boats, to the boats that stand for them.

    A missed site-day has the total ``M R`` with ``R = Σ w t / Σ w M`` over the stratum's
    interviewed site-days (`survey.unit_totals.with_missed_days`), which is linear in their totals.
    `weight`: any number of rows over the site-days.
    """
    days = design.site_days
    stratum = design.units.stratum[days.unit]
    boats = days.weight * np.nan_to_num(days.boats_returned)
    given = weight.copy()
    for code in np.unique(stratum[missed]):
        gave = (stratum == code) & (interviewed > 0) & (boats > 0)
        lost = (stratum == code) & missed
        owed = weight[:, lost] @ days.boats_returned[lost]
        given[:, gave] += owed[:, None] * days.weight[gave] / boats[gave].sum()
    given[:, missed] = 0.0
    return given


def _replicates(
    design: Design, found: Replicates, names: list[str], method: ReplicateMethod
) -> pa.Table:
    columns = _places(design, found.stratum) | {
        "replicate": names,
        "method": [str(method)] * len(names),
        "part": [str(one) for one in found.part],
        "scale": found.scale,
        "finite_correction": found.correction,
    }
    return pa.table(columns).select(REPLICATE_SCHEMA.names).cast(REPLICATE_SCHEMA)


def _places(design: Design, stratum: Ints) -> dict[str, object]:
    """Return landing area, week and stratum of some codes; null for -1."""
    strata = design.strata

    def texts(words: tuple[str, ...], code: Ints | None) -> pa.Array:
        places = stratum if code is None else code[stratum]
        pairs = zip(stratum.tolist(), places.tolist(), strict=True)
        return pa.array([None if one < 0 else words[at] for one, at in pairs], pa.string())

    return {
        "landing_area": texts(design.areas, strata.landing_area),
        "week": texts(design.weeks, strata.week),
        "stratum": texts(strata.label, None),
    }
