"""Figures of several chosen areas together, each with its own error, from a kept bulletin."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow.compute as pc

from analytics.codes import coded
from analytics.intervals import log_t, logit_t
from analytics.quantities import QUANTITIES, RATIOS, CiMethod, QuantityKind, Status

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pyarrow as pa

    from analytics.arrays import Floats
    from analytics.wording.bulletin_index import BulletinIndex, Row

#: A row of an area whose figure is another than its total here was estimated otherwise.
_ALIKE = 1e-6
_STRONGEST = (Status.IMPUTED, Status.COLLAPSED, Status.OK)


def area_sum(
    index: BulletinIndex, areas: Sequence[str], week: str | None, quantity: str
) -> Row | None:
    r"""Return one figure over some areas of a week, None the season; None where none can be had.

    Totals add up, ``v = Σ_ab cov(a, b)``; a ratio is that of the sums, ``v(R) = Σ_ab [cov_yy - R
    (cov_yx + cov_xy) + R² cov_xx] / X²``, the linearised variance (Cochran 1977, Sampling
    Techniques, section 6.11; from memory). Degrees of freedom are a mean of those of the areas,
    ``(Σ v / Σ (v / √df))²``: boats of one site-day fish in several areas, so that their variances
    err together, and are taken as if they did so fully; Satterthwaite's rule for independent ones
    would say several times too many. The interval is Student's t on the log scale, of a share on
    the logit scale; it borrows nothing from other weeks.

    All areas together have a row of their own, which counts strata that borrow exactly.
    """
    rows = [index.row(area, week, quantity) for area in areas]
    if len(areas) < 2 or any(row is None or row.estimate is None for row in rows):
        return None
    found = _joint(index, areas, week, quantity)
    if found is None:
        return None
    known = [row for row in rows if row is not None]
    total, cov = found
    value, variance = _ratio(total, cov) if quantity in RATIOS else (total.sum(), cov.sum())
    own = total[0::2] / total[1::2] if quantity in RATIOS else total
    shown = np.array([row.estimate for row in known], dtype=np.float64)
    if not np.allclose(own, shown, rtol=_ALIKE, atol=_ALIKE):
        return None
    return _row(known, float(value), float(variance))


def _joint(
    index: BulletinIndex, areas: Sequence[str], week: str | None, quantity: str
) -> tuple[Floats, Floats] | None:
    """Return the parts of the areas, one after the other, and their covariance; None without."""
    k = 2 if quantity in RATIOS else 1
    place = {(area, part): at * k + part for at, area in enumerate(areas) for part in range(k)}
    total, cov = np.full(len(place), np.nan), np.full((len(place), len(place)), np.nan)
    for line in _lines(index.bulletin.area_covariance, week, quantity):
        one = place.get((line["area"], line["part"]))
        other = place.get((line["other_area"], line["other_part"]))
        if one is not None and other is not None:
            cov[one, other] = cov[other, one] = line["covariance"]
            total[one], total[other] = line["total"], line["other_total"]
    return (total, cov) if np.isfinite(cov).all() and np.isfinite(total).all() else None


def _lines(table: pa.Table, week: str | None, quantity: str) -> list[dict[str, Any]]:
    of_week = pc.is_null(table["week"]) if week is None else pc.equal(table["week"], week)
    mine = pc.and_(pc.equal(table["quantity"], quantity), pc.fill_null(of_week, False))
    found: list[dict[str, Any]] = table.filter(mine).to_pylist()
    return found


def _ratio(total: Floats, cov: Floats) -> tuple[float, float]:
    """Return the ratio of the sums of parts above and below the line, and its variance."""
    above, below = total[0::2].sum(), total[1::2].sum()
    if not below > 0:
        return np.nan, np.nan
    ratio = above / below
    sign = np.tile([1.0, -ratio], len(total) // 2)
    return ratio, float(sign @ cov @ sign) / below**2


def _df(known: Sequence[Row]) -> float:
    """Return the degrees of freedom of a sum whose parts' variances err together."""
    parts = [(row.se**2, row.df) for row in known if row.se and row.df]
    if not parts:
        return 0.0
    variance, df = np.array(parts, dtype=np.float64).T
    return float((variance.sum() / (variance / np.sqrt(df)).sum()) ** 2)


def _row(known: Sequence[Row], value: float, variance: float) -> Row | None:
    first, kind = known[0], QUANTITIES[known[0].quantity].kind
    if not np.isfinite(value):
        return None
    se = float(np.sqrt(variance)) if variance > 0 else None
    level = first.ci_level or 0.95
    low = high = df = None
    if se is not None:
        df = _df(known)
        interval = logit_t if kind is QuantityKind.SHARE else log_t
        low, high = (
            end if np.isfinite(end) else None for end in interval(value, se, df=df, level=level)
        )
    status = next(
        (one for one in _STRONGEST if any(row.status == one for row in known)), Status.ZERO_TOTAL
    )
    method = CiMethod.LOGIT_T if kind is QuantityKind.SHARE else CiMethod.LOG_T
    return replace(
        first,
        area=None,
        estimate=value,
        se=se,
        ci_low=low,
        ci_high=high,
        ci_level=level if low is not None else None,
        ci_method=str(method if low is not None else CiMethod.NONE),
        df=df,
        n_psu=None,
        n_psu_frame=None,
        n_interviews=sum(row.n_interviews or 0 for row in known),
        method=coded("areas_together"),
        status=str(status),
    )
