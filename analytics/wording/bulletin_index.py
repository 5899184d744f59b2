"""A bulletin indexed for reading: a row, a change or a stratum in one look-up, nulls as None.

Figures of several chosen areas together, each with its own error, follow from what is kept.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from textwrap import shorten
from typing import TYPE_CHECKING, Any, TypeVar
from unicodedata import bidirectional

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.codes import coded, sentences, with_area_names
from analytics.intervals import WIDEST, t_quantile
from analytics.precision import mark_of, pse_of
from analytics.quantities import QUANTITIES, RATIOS, CiMethod, QuantityKind, Status
from analytics.result_table import area_names
from analytics.weeks import week_start, weeks_between

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from analytics.arrays import Floats
    from analytics.bulletin.archive import Bulletin, BulletinMetadata
    from analytics.precision import Precision


T = TypeVar("T")

#: Columns that hold codes, and are read in words.
_CODED = ("reason", "note", "rule", "purpose", "case", "direction", "evidence", "survey_direction")

#: An area (None: all areas together), an ISO week (None: the whole season), a quantity.
Key = tuple[str | None, str | None, str]


@dataclass(frozen=True, slots=True)
class Row:
    """One result row; the fields are its columns, areas in `method` by their names."""

    season: str | None
    area: str | None
    week: str | None
    quantity: str
    unit: str
    estimate: float | None
    se: float | None
    ci_low: float | None
    ci_high: float | None
    ci_level: float | None
    ci_method: str | None
    df: float | None
    n_psu: int | None
    n_psu_frame: int | None
    n_interviews: int | None
    method: str | None
    status: str
    basis: str | None = None

    @property
    def has_interval(self) -> bool:
        """Whether both ends of the interval are known."""
        return self.ci_low is not None and self.ci_high is not None

    @property
    def pse(self) -> float | None:
        """Percent standard error; None where it is missing or the estimate is zero."""
        return pse_of(self.estimate, self.se)

    @property
    def precision(self) -> Precision:
        """What the percent standard error says of the use of the figure."""
        return mark_of(self.pse)


@dataclass(frozen=True, slots=True)
class Change:
    """Change of one quantity from the week before; the fields are the archive's columns."""

    season: str | None
    area: str | None
    week: str | None
    previous_week: str | None
    quantity: str
    previous: float | None
    estimate: float | None
    change: float | None
    ci_low: float | None
    ci_high: float | None
    ci_level: float | None
    form: str | None
    direction: str | None


@dataclass(frozen=True, slots=True)
class Stratum:
    """What sampling reached in one stratum; the fields are the archive's columns."""

    season: str | None
    landing_area: str | None
    week: str | None
    stratum: str | None
    n_psu_frame: int | None
    n_psu: int | None
    n_missing_psu: int | None
    boats_returned: int | None
    n_interviews: int | None
    status: str | None
    rule: str | None


@dataclass(frozen=True, slots=True, eq=False)
class BulletinIndex:
    """A bulletin, indexed.

    `bulletin` holds the Arrow tables as saved, for downloads; `names` the names of areas; `areas`
    and `weeks`, in order, those that have a row; `axis` every week from the first to the last,
    closed ones too, so that time runs evenly.
    """

    card: BulletinMetadata
    bulletin: Bulletin
    rows: Mapping[Key, Row]
    changes: Mapping[Key, Change]
    strata: tuple[Stratum, ...]
    findings: tuple[dict[str, Any], ...]
    names: Mapping[str, str]
    areas: tuple[str, ...]
    weeks: tuple[str, ...]
    axis: tuple[str, ...]

    def name(self, area: str | None) -> str:
        """Return the name of an area for people; None is all areas together."""
        return "all areas" if area is None else before_words(self.names.get(area) or area)

    def row(self, area: str | None, week: str | None, quantity: str) -> Row | None:
        """Return a result row, or None where the bulletin has none."""
        return self.rows.get((area, week, quantity))

    def change(self, area: str | None, week: str | None, quantity: str) -> Change | None:
        """Return the change from the week before, or None where the bulletin has none."""
        return self.changes.get((area, week, quantity))


def index_bulletin(bulletin: Bulletin) -> BulletinIndex:
    """Index a bulletin for reading."""
    names = area_names(bulletin.areas)
    found = (of_line(line, names) for line in bulletin.rows.to_pylist())
    rows = {(row.area, row.week, row.quantity): row for row in found}
    changes = {
        (one.area, one.week, one.quantity): replace(one, direction=sentences(one.direction))
        for one in _records(bulletin.changes, Change)
    }
    weeks = tuple(sorted({week for _, week, _ in rows if week is not None}))
    return BulletinIndex(
        card=bulletin.card,
        bulletin=bulletin,
        rows=rows,
        changes=changes,
        strata=tuple(_records(bulletin.strata, Stratum)),
        findings=tuple(bulletin.findings.to_pylist()),
        names=names,
        areas=tuple(sorted({area for area, _, _ in rows if area is not None})),
        weeks=weeks,
        axis=weeks_between(weeks[0], weeks[-1]) if weeks else (),
    )


#: Directions of letters that run from right to left, and the mark after which words turn back.
_RIGHT_TO_LEFT, _LEFT_TO_RIGHT = frozenset({"R", "AL"}), "\u200e"
#: What stands for the rest of a name.
_CUT = "…"


def before_words(name: str) -> str:
    """Return a name that does not turn the words after it where it runs from right to left."""
    return f"{name}{_LEFT_TO_RIGHT}" if _RIGHT_TO_LEFT & set(map(bidirectional, name)) else name


def cut_name(name: str, width: int) -> str:
    """Return a name of at most `width` characters, cut between words where it has some."""
    short = shorten(name, width, placeholder=_CUT)
    return f"{name[: width - 1]}{_CUT}" if short == _CUT else short


def of_line(line: dict[str, Any], names: Mapping[str, str]) -> Row:
    """Return a line of a table as a result row, areas in `method` by their names."""
    row = Row(**_sound(line))
    return replace(row, method=with_area_names(row.method, lambda area: names.get(area) or area))


def lines(index: BulletinIndex, name: str) -> list[dict[str, Any]]:
    """Return the lines of a table, its codes in words; what is no finite number is none.

    A column of codes is also there as codes, such as ``reason_codes``, areas by their names.
    """
    return [_in_words(line, index) for line in index.bulletin.table(name).to_pylist()]


def in_words(cell: str | None, index: BulletinIndex) -> str:
    """Return a cell of codes in words, areas by their names."""
    return sentences(cell, index.name)


def last_known(lines: Sequence[dict[str, Any]], column: str) -> dict[str, Any] | None:
    """Return the last line with a number in a column, else the last line, None of none."""
    known = [line for line in lines if line[column] is not None]
    return known[-1] if known else lines[-1] if lines else None


def finite(line: dict[str, Any]) -> dict[str, Any]:
    """Return a line of a table with None in the place of a number without bound, or of none."""
    return {
        name: None if isinstance(value, float) and not math.isfinite(value) else value
        for name, value in line.items()
    }


def _in_words(line: dict[str, Any], index: BulletinIndex) -> dict[str, Any]:
    sound = finite(line)
    coded = [name for name in _CODED if isinstance(sound.get(name), str)]
    return (
        sound
        | {f"{name}_codes": with_area_names(sound.get(name), index.name) for name in _CODED}
        | {name: in_words(sound[name], index) for name in coded}
    )


def rows_of_week(index: BulletinIndex, *, week: str, areas: tuple[str, ...]) -> pa.Table:
    """Return the result rows of an ISO week, in `RESULT_SCHEMA`; every domain without areas."""
    table = index.bulletin.rows
    chosen = pc.equal(table["week"], week)
    if areas:
        chosen = pc.and_(chosen, pc.is_in(table["area"], pa.array(areas, pa.string())))
    return table.filter(pc.fill_null(chosen, False))


def monday(week: str) -> date:
    """Return the Monday of an ISO week written ``2031-W05``."""
    return week_start(week).date()


def _records(table: pa.Table, kind: type[T]) -> list[T]:
    return [kind(**_sound(line)) for line in table.to_pylist()]


def _sound(line: dict[str, Any]) -> dict[str, Any]:
    """Return a line without NaN; a figure without bound is no figure, an interval may have none."""
    return {
        name: None if isinstance(value, float) and _is_no_number(name, value) else value
        for name, value in line.items()
    }


def _is_no_number(name: str, value: float) -> bool:
    return math.isnan(value) or (math.isinf(value) and name in ("estimate", "previous", "change"))


#: A row of an area whose figure is another than its total here was estimated otherwise.
_ALIKE = 1e-6
#: Confidence level of rows that name none.
_LEVEL = 0.95
_STRONGEST = (Status.IMPUTED, Status.COLLAPSED, Status.OK)


def area_sum(
    index: BulletinIndex, areas: Sequence[str], week: str | None, quantity: str
) -> Row | None:
    r"""Return one figure over some areas of a week, None the season; None where none can be had.

    Totals add up, ``v = Σ_ab cov(a, b)``; a ratio is that of the sums, ``v(R) = Σ_ab [cov_yy - R
    (cov_yx + cov_xy) + R² cov_xx] / X²``, the linearised variance (Cochran 1977, Sampling
    Techniques, section 6.11; from memory). The interval is made of those of the areas (`_ends`).
    Degrees of freedom are a mean of those of the areas, ``(Σ v / Σ (v / √df))²``: boats of one
    site-day fish in several areas, so that their variances err together, and are taken as if they
    did so fully; Satterthwaite's rule for independent ones would say several times too many.

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
    is_ratio = quantity in RATIOS
    value, error = _ratio(total, cov) if is_ratio else (total.sum(), cov)
    own = total[0::2] / total[1::2] if is_ratio else total
    shown = np.array([row.estimate for row in known], dtype=np.float64)
    if not np.isfinite(value) or not np.allclose(own, shown, rtol=_ALIKE, atol=_ALIKE):
        return None
    weight, own_variance = _parts(total, cov) if is_ratio else (np.ones(len(own)), np.diag(cov))
    ends = _ends(known, float(value), error, weight=weight, own_variance=own_variance)
    return _row(known, float(value), float(error.sum()), ends)


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


def _ratio(total: Floats, cov: Floats) -> tuple[float, Floats]:
    """Return the ratio of the sums of parts above and below the line, and its error by area.

    The error is the covariance (A, A) of ``(y_a - R x_a)/X``, whose sum is the ratio's variance.
    """
    above, below = total[0::2].sum(), total[1::2].sum()
    n = len(total) // 2
    if not below > 0:
        return np.nan, np.full((n, n), np.nan)
    ratio = above / below
    line = np.kron(np.eye(n), np.array([1.0, -ratio])) / below
    return ratio, line @ cov @ line.T


def _parts(total: Floats, cov: Floats) -> tuple[Floats, Floats]:
    """Return each area's part of the total below the line, and the variance of its own ratio."""
    below = total[1::2]
    own = np.divide(total[0::2], below, out=np.zeros_like(below), where=below > 0)
    y, x = np.arange(0, len(total), 2), np.arange(1, len(total), 2)
    variance = cov[y, y] - 2 * own * cov[y, x] + own**2 * cov[x, x]
    scale = np.where(below > 0, below, np.inf) ** 2
    return below / below.sum(), variance / scale


def _ends(
    known: Sequence[Row], value: float, error: Floats, *, weight: Floats, own_variance: Floats
) -> tuple[float | None, float | None]:
    r"""Return the interval of a sum from the intervals of its areas; None where one has none.

    Each area's interval says how far it reaches, t of its standard errors (`_reach`), with all that
    the area borrows; the sum reaches ``√(Σ_ab r_ab l_a l_b)``, r the correlation of errors
    (variances recovered from intervals: Zou & Donner 2008, Construction of confidence limits about
    effect measures, Stat. Med. 27; from memory). An area of which nothing was seen reaches to its
    bound. In a ratio each area's reach has its part of the total below the line as weight; what the
    error of that part adds reaches t standard errors. The interval is of the form of the areas': of
    `quasi_log_width`, moved up by ``Σ l_a² T_a m_a/(l² T)`` for moves m_a of the areas', since both
    come from third cumulants, which add up; of a share on the logit scale.

    Parameters
    ----------
    known : sequence of Row
        The areas' rows.
    value : float
    error : ndarray of float, shape (A, A)
        Covariance of what each area adds to the error.
    weight, own_variance : ndarray of float, shape (A,)
        Of each area's figure in the sum, and its variance.
    """
    is_share = QUANTITIES[known[0].quantity].kind is QuantityKind.SHARE
    variance = np.diag(error)
    reach, moved = np.zeros((2, len(known)))
    for at, row in enumerate(known):
        own, moved[at] = _reach(row, is_share=is_share)
        if variance[at] > 0 and not own > 0:
            return None, None
        rest = max(variance[at] - weight[at] ** 2 * own_variance[at], 0.0)
        t = t_quantile(row.ci_level or _LEVEL, max(row.df or 1.0, 1.0))
        reach[at] = np.sqrt((weight[at] * own) ** 2 + t**2 * rest)
    product = np.sqrt(np.outer(variance, variance))
    correlation = np.divide(error, product, out=np.zeros_like(error), where=product > 0)
    np.fill_diagonal(correlation, 1.0)
    square = float(reach @ correlation @ reach)
    if not square > 0:
        return None, None
    far = math.sqrt(square)
    if is_share:
        return _share_ends(value, far)
    if not value > 0:
        return 0.0, far
    figures = np.array([row.estimate or 0.0 for row in known]) * weight
    middle = float((reach**2 * figures) @ moved) / (square * value)
    width = 4 * math.asinh(far / value / 4)
    return value * math.exp(middle - width), value * math.exp(middle + width)


def _reach(row: Row, *, is_share: bool) -> tuple[float, float]:
    """Return t standard errors of a figure by its interval, and how far its log was moved up.

    ``4 T sinh(h/4)`` for the half-width h on the log scale (the inverse of `quasi_log_width`), ``p
    (1 - p) h`` on the logit scale; to the far end where the figure is at its bound. 0 without one.
    """
    figure, low, high = row.estimate, row.ci_low, row.ci_high
    if figure is None or low is None or high is None or high <= low:
        return 0.0, 0.0
    if is_share:
        inside = low > 0 and high < 1 and 0 < figure < 1
        if not inside:
            return max(figure - low, high - figure), 0.0
        return figure * (1 - figure) * (_logit(high) - _logit(low)) / 2, 0.0
    if not (figure > 0 and low > 0):
        return max(figure - low, high - figure), 0.0
    width = math.log(high / low) / 2
    return 4 * figure * math.sinh(width / 4), math.log(high / figure) - width


def _logit(share: float) -> float:
    return math.log(share / (1 - share))


def _share_ends(share: float, far: float) -> tuple[float, float]:
    """Return the interval of a share that reaches so far, on the logit scale inside its bounds."""
    if not 0 < share < 1:
        return max(share - far, 0.0), min(share + far, 1.0)
    width = min(far / (share * (1 - share)), WIDEST)
    odds = share / (1 - share)
    low, high = odds * math.exp(-width), odds * math.exp(width)
    return low / (1 + low), high / (1 + high)


def _df(known: Sequence[Row]) -> float:
    """Return the degrees of freedom of a sum whose parts' variances err together."""
    parts = [(row.se**2, row.df) for row in known if row.se and row.df]
    if not parts:
        return 0.0
    variance, df = np.array(parts, dtype=np.float64).T
    return float((variance.sum() / (variance / np.sqrt(df)).sum()) ** 2)


def _row(
    known: Sequence[Row], value: float, variance: float, ends: tuple[float | None, float | None]
) -> Row:
    first = known[0]
    low, high = ends
    method = next((row.ci_method for row in known if row.has_interval), None)
    status = next(
        (one for one in _STRONGEST if any(row.status == one for row in known)), Status.ZERO_TOTAL
    )
    return replace(
        first,
        area=None,
        estimate=value,
        se=float(np.sqrt(variance)) if variance > 0 else None,
        ci_low=low,
        ci_high=high,
        ci_level=first.ci_level or _LEVEL if low is not None else None,
        ci_method=method if low is not None else str(CiMethod.NONE),
        df=_df(known) if variance > 0 else None,
        n_psu=None,
        n_psu_frame=None,
        n_interviews=sum(row.n_interviews or 0 for row in known),
        method=coded("areas_together"),
        status=str(status),
    )
