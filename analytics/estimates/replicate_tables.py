"""Replicate weights of a season as two tables that survey programs read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.estimates.replicate_weights import ReplicateMethod, replicates_of
from analytics.estimates.schemas import REPLICATE_SCHEMA, REPLICATE_WEIGHT_SCHEMA
from analytics.survey.reduction import Analysis

if TYPE_CHECKING:
    from analytics.arrays import Bools, Floats, Ints
    from analytics.estimates.replicate_weights import Replicates
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.survey.design import Design


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
