"""Parts of a season's catch by area and fishing method, as one joint analysis with all errors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.data import sql
from analytics.season.baseline import PARTS
from analytics.survey.arrays import add_at
from analytics.survey.measures import UNKNOWN_SIZE
from analytics.survey.reach import Domains, reach_of
from analytics.survey.reduce import Analysis, Measure, Reduction
from analytics.survey.totals import first_stage_correction, matrices, unit_cells
from analytics.survey.ways import Drawn

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.bulletin.prepare import Season
    from analytics.data.snapshot import Snapshot
    from analytics.survey.borrow import Loan, Plan
    from analytics.survey.cells import Cells
    from analytics.survey.design import Design
    from analytics.survey.reach import Reach

    Floats = NDArray[np.float64]

#: Result quantity of each of `PARTS`, and its column.
PART_QUANTITIES = (
    "angler_trips",
    "kept_fish",
    "released_legal_fish",
    "released_sublegal_fish",
    "released_unknown_fish",
)
_COLUMNS = ("anglers", "kept", "released_legal", "released_sublegal", UNKNOWN_SIZE)
_RELEASED = f"released_legal + released_sublegal + {UNKNOWN_SIZE}"
_DEEP = "released_deep_hooked"
_METHODS = "SELECT DISTINCT method FROM interviews SEMI JOIN days USING (sample_id) ORDER BY method"


@dataclass(frozen=True, slots=True, eq=False)
class JointParts:
    """Season totals of the parts of the catch over A areas and M fishing methods.

    Parameters
    ----------
    areas, methods : tuple of str
        A method not told is the empty string.
    total : ndarray of float, shape (A, M, 5)
        In the order of `PARTS`.
    cov : ndarray of float, shape (A, M, 5, A, M, 5)
        Survey covariance, across areas too.
    told, deep : ndarray of float, shape (A, M)
        Releases of boats that told how many were hooked deep, and those.
    deep_cov : ndarray of float, shape (A, M, 2, 2)
        Covariance of `deep` and `told`, in this order.
    """

    areas: tuple[str, ...]
    methods: tuple[str, ...]
    total: Floats
    cov: Floats
    told: Floats
    deep: Floats
    deep_cov: Floats

    @property
    def by_area(self) -> Floats:
        """Covariance of the parts over all methods, shape (A, 5, A, 5)."""
        found: Floats = self.cov.sum(axis=(1, 4))
        return found


def joint_parts(snapshot: Snapshot, season: Season) -> JointParts:
    """Total anglers, kept and released fish by area and method with their joint covariance.

    Parameters
    ----------
    snapshot : Snapshot
    season : Season
        Prepared from it in the usual way.

    Returns
    -------
    JointParts
        Of the areas of the design; a part that nobody recorded is 0.
    """
    design = season.design
    methods = _methods(snapshot, design)
    measures = _measures(season, methods)
    analysis = Analysis(tuple(measures))
    reduction = Reduction(
        snapshot.source("interviews"), design=design, measures=measures, analyses=[analysis]
    )
    moments = reduction.moments(analysis)
    plan, cells, _ = unit_cells(design, moments, plans=season.plans, by_area=True)
    total, cov = stacked_totals(design, plan, cells)
    a, m, n = len(design.areas), len(methods), len(PARTS)
    size = m * n
    wounds = cov.reshape(a, -1, a, cov.shape[1] // a)
    own = np.stack([wounds[one, size:, one, size:] for one in range(a)]).reshape(a, m, 2, m, 2)
    parts = wounds[:, :size, :, :size].reshape(a, m, n, a, m, n)
    of_wounds = total[:, size:].reshape(a, m, 2)
    return JointParts(
        areas=design.areas,
        methods=tuple(one or "" for one in methods),
        total=total[:, :size].reshape(a, m, n),
        cov=parts,
        told=of_wounds[..., 1],
        deep=of_wounds[..., 0],
        deep_cov=np.stack([own[:, one, :, one, :] for one in range(m)], axis=1),
    )


def stacked_totals(design: Design, plan: Plan, cells: Cells) -> tuple[Floats, Floats]:
    r"""Return season totals of K measures by area, and the covariance of all of them at once.

    As `analytics.survey.totals.domain_totals`, with the measures of each area in a block of their
    own: the first stage is exact across areas, since a site-day has boats of several; the second
    stage is that inside each area (the small negative covariance of boats of one site-day that
    fished in different areas is left out, as in `analytics.survey.mapped`).

    Parameters
    ----------
    design : Design
    plan : Plan
    cells : Cells
        By unit and area.

    Returns
    -------
    total : ndarray of float, shape (A, K)
    cov : ndarray of float, shape (A K, A K)
        A stratum with one unit and nobody to borrow from brings no error.
    """
    n_areas, k = len(design.areas), cells.total.shape[1]
    reach = reach_of(design, plan, Domains(by_area=False, by_week=False, n_weeks=len(design.weeks)))
    stratum, n = design.units.stratum, np.maximum(plan.n_active, 1)
    weight = np.zeros(len(stratum))
    weight[reach.unit] = reach.weight
    weight /= n[stratum]
    part = np.zeros((len(stratum), n_areas, k))
    part[cells.unit, cells.key - 1] = weight[cells.unit, None] * cells.total
    total = part.sum(axis=0)
    active, correction = np.flatnonzero(plan.active), first_stage_correction(design, plan, cells)
    flat, of_unit = part.reshape(len(stratum), -1)[active], stratum[active]
    off = flat - (add_at(of_unit, flat, len(n)) / n[:, None])[of_unit]
    factor = np.where(n > 1, np.maximum(correction, 0) * n / np.maximum(n - 1, 1), 0.0)
    off *= np.sqrt(factor[of_unit])[:, None]
    cov = off.T @ off
    shrink = (weight**2 * n[stratum] / design.strata.n_frame[stratum])[cells.unit]
    inside = matrices(cells.within.add_at(cells.key - 1, n_areas, factor=shrink), cells.pair, k)
    for area in range(n_areas):
        here = slice(area * k, (area + 1) * k)
        cov[here, here] += np.nan_to_num(inside[area])
    for loan in plan.loans:
        rest = 1.0 if loan.is_fill else float(correction[loan.stratum])
        cov += rest * _borrowed(loan, design, cells, reach)
    return total, cov


def _borrowed(loan: Loan, design: Design, cells: Cells, reach: Reach) -> Floats | float:
    """Return the first-stage covariance of a stratum that borrows its spread, uncorrected."""
    if len(loan.units) < 2:
        return 0.0
    n_areas = len(design.areas)
    rows = np.flatnonzero(np.isin(cells.unit, loan.units))
    weights = np.array([design.strata.n_frame[loan.stratum]])
    if not loan.is_fill:
        own = design.units.stratum[cells.unit] == loan.stratum
        home = design.strata.landing_area[[loan.stratum]] + 1
        held = np.union1d(home, cells.key[own & (cells.n > 0)])
        rows = rows[np.isin(cells.key[rows], held)]
        weights = reach.weight[design.units.stratum[reach.unit] == loan.stratum]
    lent = np.zeros((len(loan.units), n_areas, cells.total.shape[1]))
    lent[np.searchsorted(np.sort(loan.units), cells.unit[rows]), cells.key[rows] - 1] = cells.total[
        rows
    ]
    flat = lent.reshape(len(loan.units), -1)
    off = flat - flat.mean(axis=0)
    spread: Floats = float((weights**2).sum()) * (off.T @ off) / (len(flat) - 1)
    return spread


def _methods(snapshot: Snapshot, design: Design) -> list[str | None]:
    days = pa.table({"sample_id": pa.array(design.site_days.sample_id, pa.string())})
    found = sql.run(_METHODS, {"interviews": snapshot.source("interviews"), "days": days})
    return found["method"].to_pylist() or [None]


def _measures(season: Season, methods: list[str | None]) -> dict[str, Measure]:
    """Return every part by method, then fish hooked deep and releases of boats that told them."""
    drawn = next(one for one in season.ways if isinstance(one, Drawn))
    told = [drawn.was_told(season.analyses[one]) for one in PART_QUANTITIES]
    columns = [text if one else "0" for text, one in zip(_COLUMNS, told, strict=True)]
    if season.deaths.unsized:
        columns[2:] = ["0", "0", "released_unknown"]
    released = " + ".join(columns[2:]) if season.deaths.unsized else _RELEASED
    has_releases = season.deaths.unsized or (told[2] and told[3])
    seen = f"CASE WHEN {_DEEP} IS NULL THEN 0 * ({released}) ELSE {released} END"
    hooked = f"coalesce({_DEEP}, 0 * ({released}))"
    wounds = [hooked, seen] if has_releases else ["0", "0"]
    made = [
        Measure(
            f"{name}_{place}",
            _of_method(text, method),
            ("released_unknown", "method", _DEEP),
            only=frozenset({method}),
        )
        for names, texts in ((PARTS, columns), (("deep", "told"), wounds))
        for place, method in enumerate(methods)
        for name, text in zip(names, texts, strict=True)
    ]
    return {one.name: one for one in made}


def _of_method(text: str, method: str | None) -> str:
    test = "method IS NULL" if method is None else f"method = {sql.text(method)}"
    # `ELSE 0 * number` keeps a number that was not recorded a null.
    return f"CASE WHEN {test} THEN {text} ELSE 0 * ({text}) END"
