"""Replicate weights of a season as two tables that survey programs read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.estimates.replicate_weights import ReplicateMethod, replicates_of
from analytics.estimates.schemas import REPLICATE_SCHEMA, REPLICATE_WEIGHT_SCHEMA
from analytics.survey.reduction import Analysis

if TYPE_CHECKING:
    from analytics.arrays import Ints
    from analytics.estimates.replicate_weights import Replicates
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.survey.design import Design


def replicate_tables(
    season: SeasonSurvey, *, method: ReplicateMethod = ReplicateMethod.JACKKNIFE, seed: int = 1
) -> tuple[pa.Table, pa.Table, tuple[str, ...]]:
    """Return weights of the site-days that answered, their replicates, and strata without error.

    Site-days of which a boat was interviewed, or to which none returned; and missed ones, with
    boats and none interviewed, which stand for their boats times the stratum's mean per boat.

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
    rows = np.flatnonzero(plan.active[design.site_days.unit])
    names = [f"replicate_{place + 1:04d}" for place in range(len(found.scale))]
    days = design.site_days
    unit, stratum = days.unit[rows], design.units.stratum[days.unit[rows]]
    columns = _places(design, stratum) | {
        "season": [design.season] * len(rows),
        "sample_id": days.sample_id[rows].tolist(),
        "unit": [str(one) for one in unit.tolist()],
        "n_psu_frame": np.rint(design.strata.n_frame[stratum]).astype(np.int64),
        "n_psu": plan.n_active[stratum],
        "boats_returned": np.rint(days.boats_returned[rows]).astype(np.int64),
        "boats_interviewed": np.rint(interviewed[rows]).astype(np.int64),
        "direct_weight": found.direct[unit] * days.weight[rows],
        "weight": found.weight[unit] * days.weight[rows],
    }
    weights = pa.table(columns).select(REPLICATE_WEIGHT_SCHEMA.names).cast(REPLICATE_WEIGHT_SCHEMA)
    for name, one in zip(names, found.replicate, strict=True):
        weights = weights.append_column(name, pa.array(one[unit] * days.weight[rows]))
    lacking = tuple(
        f"{design.areas[design.strata.landing_area[one]]}:{design.strata.label[one]}"
        for one in found.lacking
    )
    return weights, _replicates(design, found, names, method), lacking


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
