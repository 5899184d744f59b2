"""Coverage: the share of boats that land at listed sites, and the factor that expands totals by it.

Boats are asked on the water where they will land; the days of the contacts are the clusters. A
total over listed sites times the factor is one over all boats, and its error that of a product of
independent estimates.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analytics.arrays import add_at, any_at
from analytics.codes import coded, join_codes, sentences
from analytics.data.calendar import season_days
from analytics.errors import UsageError
from analytics.intervals import logit_t
from analytics.propagation import joint_df
from analytics.survey.domains import (
    Domains,
    LinearMaps,
    aggregate_codes,
    area_week_domains,
    linear_totals,
)
from analytics.survey.estimators import DerivedEstimator
from analytics.weeks import iso_week

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pyarrow as pa
    from numpy.typing import ArrayLike, NDArray

    from analytics.arrays import Bools, Floats, Ints
    from analytics.data.snapshot import Snapshot
    from analytics.survey.design import Design
    from analytics.survey.domain_totals import DomainTotals
    from analytics.survey.reduction import Analysis


#: Days with contacts that an area needs for a factor of its own: fewer have no variance.
FEWEST_DAYS = 2


@dataclass(frozen=True, slots=True)
class Quotient:
    """A quotient of two means over days, nearly unbiased, with its linearised variance.

    The value is NaN where the denominator is 0, the variance for fewer than two days.
    """

    value: float
    variance: float


@dataclass(frozen=True, slots=True, eq=False)
class Coverage:
    """Share of boats that land at listed sites and expansion factor, by area; every array is (A,).

    `factor`, `variance`: expansion factor, 1 or more; NaN where there is none, the variance also
    where one day alone gives no error. `covariance` (A, A): of the factors, with `variance` on its
    diagonal: days of contacts are clusters. `df`: days - 1. `n_days`, `boats`: days with contacts
    and boats contacted behind the factor, of all areas where `is_pooled`. `share` and its error and
    interval (``logit_t``): of boats for listed sites. `method`: the estimator and its rule, or why
    there is no factor.
    """

    areas: tuple[str, ...]
    factor: Floats
    variance: Floats
    covariance: Floats
    df: Floats
    n_days: Ints
    boats: Ints
    share: Floats
    share_se: Floats
    share_low: Floats
    share_high: Floats
    is_pooled: Bools
    method: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Base:
    """Contacts of one area, or of all, day by day."""

    date: NDArray[np.datetime64]
    contacted: Floats
    listed: Floats

    @property
    def n_days(self) -> int:
        return len(self.contacted)

    @property
    def is_enough(self) -> bool:
        """Whether a factor with an error follows from these contacts."""
        return self.n_days >= FEWEST_DAYS and bool(self.listed.sum() > 0)

    def scores(self, dates: NDArray[np.datetime64]) -> Floats:
        """Return each day's part in the factor's error, whose squares add up to its variance."""
        found = np.zeros(len(dates))
        if self.is_enough:
            residual = self.contacted - self.contacted.sum() / self.listed.sum() * self.listed
            scale = math.sqrt(self.n_days / (self.n_days - 1)) / self.listed.sum()
            found[np.searchsorted(dates, self.date)] = scale * residual
        return found


def corrected_quotient(y: ArrayLike, x: ArrayLike, n_frame: float = math.inf) -> Quotient:
    """Return the quotient of two means over n days by Beale's estimator, of bias order 1/n².

    ``(x̄ȳ + (1-f) s_xy/n) / (x̄² + (1-f) s_x²/n)``, f = n/N (Beale 1962, Some uses of computers in
    operational research, Industrielle Organisation 31; from memory). The variance is that of the
    plain quotient r, equal to this order: ``(1-f) Σ(y - r x)² / (n (n-1) x̄²)`` (Cochran 1977,
    Sampling Techniques, section 2.11; from memory). Where y ≥ x ≥ 0 on every day the value is never
    below 1, which other corrected quotients can be. Where every day has the same quotient, the
    result is that quotient, with variance 0; one day gives its plain quotient.
    """
    above, below = np.asarray(y, dtype=np.float64), np.asarray(x, dtype=np.float64)
    n, mean_x, mean_y = len(below), below.mean(), above.mean()
    if not mean_x > 0:
        return Quotient(math.nan, math.nan)
    plain = float(above.sum() / below.sum())
    if n < FEWEST_DAYS:
        return Quotient(plain, math.nan)
    if np.array_equal(above * below.sum(), below * above.sum()):
        return Quotient(plain, 0.0)
    left = (1 - n / n_frame) / n
    off_x = below - mean_x
    numerator = mean_x * mean_y + left * (off_x @ (above - mean_y)) / (n - 1)
    denominator = mean_x**2 + left * (off_x @ off_x) / (n - 1)
    residual = above - plain * below
    variance = left * float(residual @ residual) / (n - 1) / mean_x**2
    return Quotient(float(numerator / denominator), float(variance))


def season_contacts(snapshot: Snapshot, *, season: str, through: str | None = None) -> pd.DataFrame:
    """Return the contacts made on days when some area was open in a season.

    Parameters
    ----------
    through : str, optional
        Last ISO week, such as ``2031-W05``; by default the season's last.

    Returns
    -------
    pandas.DataFrame
        ``area, date, boats_contacted, boats_to_listed_sites``; contacts of an area on days when it
        was closed are left out, those of an area the season does not name are kept on any day of
        the season.
    """
    contacts = snapshot["coverage"].to_pandas()
    contacts["date"] = pd.to_datetime(contacts["date"])
    days = season_days(snapshot, season)
    if through is not None:
        contacts = contacts[iso_week(contacts["date"]) <= through]
    opened = pd.MultiIndex.from_frame(days[["area", "date"]])
    is_open = pd.MultiIndex.from_frame(contacts[["area", "date"]]).isin(opened)
    is_elsewhere = ~contacts["area"].isin(days["area"]) & contacts["date"].isin(days["date"])
    kept: pd.DataFrame = contacts[is_open | is_elsewhere.to_numpy()]
    return kept.reset_index(drop=True)


def coverage_factors(
    contacts: pd.DataFrame | pa.Table, *, areas: Sequence[str], level: float = 0.95
) -> Coverage:
    """Estimate share and expansion factor of every area, days as clusters.

    The factor is `corrected_quotient` of boats contacted to boats for listed sites. An area with
    fewer than two days of contacts, or none for a listed site, takes the factor of all areas
    together, by the day (common practice, no source). Days without a contact carry nothing. Open
    days without contacts get no finite correction, which errs on the wide side.

    `contacts`: the ``coverage`` table, cut as by `season_contacts`; those of areas not in `areas`
    count in the pool alone. `level`: of the share's interval.
    """
    rows = contacts if isinstance(contacts, pd.DataFrame) else contacts.to_pandas()
    rows = rows[rows["boats_contacted"] > 0]
    pool = _base(rows)
    found, pooled, scores = [], [], []
    for area in areas:
        own = _base(rows[rows["area"] == area])
        pooled.append(not own.is_enough)
        base, rule = (own, "") if own.is_enough else (pool, _why_pooled(own))
        found.append(_one(base, rule, level=level))
        scores.append(base.scores(pool.date))
    numbers = np.array([row for row, _ in found]).reshape(len(found), 9).T
    factor, variance, df, n_days, boats, share, se, low, high = numbers
    by_day = np.array(scores).reshape(len(found), -1)
    covariance = by_day @ by_day.T
    np.fill_diagonal(covariance, variance)
    return Coverage(
        areas=tuple(areas),
        factor=factor,
        variance=variance,
        covariance=covariance,
        df=df,
        n_days=n_days.astype(np.int64),
        boats=boats.astype(np.int64),
        share=share,
        share_se=se,
        share_low=low,
        share_high=high,
        is_pooled=np.array(pooled, dtype=bool),
        method=tuple(words for _, words in found),
    )


def _base(rows: pd.DataFrame) -> _Base:
    days = rows.groupby("date")[["boats_contacted", "boats_to_listed_sites"]].sum()
    contacted, listed = days.to_numpy(np.float64).T
    return _Base(days.index.to_numpy(), contacted, listed)


def _why_pooled(own: _Base) -> str:
    if own.n_days == 0:
        return coded("pooled_no_contact")
    if own.n_days < FEWEST_DAYS:
        return coded("pooled_one_day")
    return coded("pooled_none_listed")


def _one(base: _Base, rule: str, *, level: float) -> tuple[tuple[float, ...], str]:
    """Return the nine numbers of one area and the method in words."""
    nothing = (math.nan,) * 4
    n_days, boats = base.n_days, float(base.contacted.sum())
    if not n_days:
        return (math.nan, math.nan, math.nan, 0, 0, *nothing), coded("no_contact")
    if not base.listed.sum() > 0:
        return (math.nan, math.nan, n_days - 1, n_days, boats, *nothing), coded(
            "no_contact_for_listed"
        )
    factor = corrected_quotient(base.contacted, base.listed)
    share = base.listed.sum() / boats
    # The share shown is the plain ratio of boats; its error is linearised like the factor's.
    se = math.sqrt(corrected_quotient(base.listed, base.contacted).variance)
    low, high = logit_t(share, se, df=n_days - 1, level=level) if se else (math.nan, math.nan)
    words = [coded("corrected_quotient"), rule]
    if n_days < FEWEST_DAYS:
        words.append(coded("one_contact_day"))
    elif factor.variance == 0:
        words.append(coded("no_spread"))
    numbers = (factor.value, factor.variance, n_days - 1, n_days, boats, share, se, low, high)
    return numbers, join_codes(words)


# Totals over all boats: what landed at listed sites, expanded by the share that lands there.


def coverage_of(snapshot: Snapshot, design: Design) -> Coverage:
    """Return share and factor of every area of a design, through its last week.

    Raises
    ------
    UsageError
        If no contact on an open day gives a factor.
    """
    contacts = season_contacts(snapshot, season=design.season, through=design.through)
    found = coverage_factors(contacts, areas=design.areas)
    if np.isnan(found.factor).any():
        why = sentences(found.method[0])
        raise UsageError(
            f"season {design.season} through {design.through}: {why}; import the table coverage, "
            "or leave totals as they are at listed sites"
        )
    return found


@dataclass(frozen=True, slots=True, eq=False)
class CoverageExpandedEstimator(DerivedEstimator):
    r"""Totals of a season expanded by coverage.

    ``T' = Σ_a f_a T_a`` over areas fished, with ``v = f² v(T) + v(f) T² - v(f) v(T)`` for the
    product of independent estimates (Goodman 1960, On the exact variance of products, J. Am. Stat.
    Assoc. 55). Days of contacts are clusters: areas that take the factor of all areas together
    share its error, and those with a factor of their own, whose days are among its days, a part.

    Parameters
    ----------
    sampled : DesignEstimator
        Totals at listed sites.
    coverage : Coverage
        Of every area of the design.
    """

    coverage: Coverage

    def _totals(self, analysis: Analysis, domains: Domains) -> DomainTotals:
        plain = self.sampled.totals(analysis, domains)
        cov = self._from_sample(analysis, domains, plain.code)
        by_area = Domains(by_area=True, by_week=domains.by_week, n_weeks=domains.n_weeks)
        parts = self.sampled.totals(analysis, by_area)
        area = by_area.areas_of(parts.code)
        place = np.searchsorted(plain.code, aggregate_codes(domains, by_area, parts.code))
        total = add_at(place, self.coverage.factor[area][:, None] * parts.total, len(plain.code))
        from_factor, product_term = self._from_factor(
            area, place, parts.total, parts.cov, size=len(plain.code)
        )
        variances = [np.einsum("dkk->d", np.nan_to_num(one)) for one in (cov, from_factor)]
        fewest = self.coverage.df[area] if len(area) else np.zeros(0)
        df = np.full(len(plain.code), np.inf)
        np.minimum.at(df, place, fewest)
        never = np.zeros(len(plain.code), dtype=bool)
        support = replace(
            plain.support,
            df=joint_df(variances, [plain.support.df, np.where(np.isinf(df), 0, df)]),
            is_census=never,
            is_landing_census=never,
        )
        return replace(
            plain,
            total=total,
            cov=cov + from_factor,
            product_term=product_term,
            support=support,
            estimator="expanded_total",
            notes=self._notes(area, place, len(plain.code)),
            missing=self._refused(area, place, len(plain.code)) if plain.plan.refuses else (),
        )

    def _from_sample(self, analysis: Analysis, domains: Domains, codes: Ints) -> Floats:
        """Return the covariance that the sample gives expanded totals, factors taken as known."""
        form = self.sampled.units(analysis).form
        fine = area_week_domains(self.design)
        code = np.arange((len(self.design.areas) + 1) * (fine.n_weeks + 1))
        key = code // (fine.n_weeks + 1)
        factor = np.concatenate([[0.0], self.coverage.factor])[key]
        k = form.cells.total.shape[1]
        matrix = factor[:, None, None] * np.eye(k)
        return linear_totals(form, domains, LinearMaps(code, matrix), codes=codes)[1]

    def _from_factor(
        self, area: Ints, place: Ints, total: Floats, cov: Floats, *, size: int
    ) -> tuple[Floats, Floats]:
        """Return what the error of the factors adds, and the term of the product."""
        found, k = self.coverage, total.shape[1]
        by_area = np.zeros((size, len(found.areas), k))
        by_area[place, area] = total
        known = np.nan_to_num(found.covariance)
        added = np.swapaxes(by_area, 1, 2) @ known @ by_area
        added[any_at(place[np.isnan(found.variance[area])], size)] = np.nan
        term = -add_at(place, found.variance[area][:, None, None] * cov, size)
        return added, term

    def _refused(self, area: Ints, place: Ints, size: int) -> tuple[str, ...]:
        """Say where a factor would be borrowed, for those who want none that is."""
        pooled = any_at(place[self.coverage.is_pooled[area]], size)
        return tuple(coded("factor_refused") if one else "" for one in pooled)

    def _notes(self, area: Ints, place: Ints, size: int) -> tuple[str, ...]:
        """Say by how much each domain was expanded."""
        found = self.coverage
        areas: list[set[int]] = [set() for _ in range(size)]
        for one, at in zip(area, place, strict=True):
            areas[at].add(int(one))
        notes = []
        for held in areas:
            factors = sorted({round(float(found.factor[one]), 3) for one in held})
            low, high = f"{factors[0]:.3f}", f"{factors[-1]:.3f}"
            alike = low == high
            by = (
                coded("expanded", factor=low)
                if alike
                else coded("expanded_between", low=low, high=high)
            )
            pooled = any(found.is_pooled[one] for one in held)
            notes.append(join_codes([by, coded("contacts_pooled") if pooled else ""]))
        return tuple(notes)
