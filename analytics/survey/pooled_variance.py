"""What all strata of a season say of variances: of each domain, and of units of a week to come.

Home cells follow the pooled variance function; stray ones the mean of their like.

Units of a week to come vary as those of past weeks did, shrunk and discounted. A *row* is a landing
area and a day group. At home, where boats fished in the area they land in, the variance of a week
of the mean μ is ``ρ φ μ^b``: the pooled variance function of the season times how far the row's own
variances lie off it. Strays have the mean of their variances.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from analytics.arrays import add_at, equal_pairs, groups_of_linked, places_of
from analytics.intervals import LEAST_SEASON_DF
from analytics.survey.variance_function import (
    StratumCells,
    VarianceFunction,
    fitted_function,
    home_means,
    quotient,
    row_of_strata,
    stratum_cells,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from analytics.arrays import Bools, Floats, Ints
    from analytics.survey.domains import LinearForm


#: Most skewness and excess kurtosis of unit totals that is believed (our choice, no source).
_MOST_SKEWNESS, _MOST_KURTOSIS = 5.0, 30.0


@dataclass(frozen=True, slots=True, eq=False)
class PooledVariance:
    """What the pool expects of K measures in D domains; every array is (D, K).

    - `variance`, `expected`: of the domain's total, V0 and E0.
    - `own_df`: degrees of freedom of the domain's own variance estimate, by the shares that its
      strata are expected to have in it.
    - `prior_df`: degrees of freedom that the pool is worth: how well it is known itself.
    - `kurtosis_df`: as `own_df`, less where unit totals have heavy tails.
    - `skewness`: of the domain's total, from that of unit totals.
    - `tie`: by how many of its own values the variance estimate grows where the total is one
      standard error higher; the skewness where the frame is endless.
    """

    variance: Floats
    expected: Floats
    own_df: Floats
    prior_df: Floats
    kurtosis_df: Floats
    skewness: Floats
    tie: Floats

    def of(self, columns: Ints) -> PooledVariance:
        """Return some measures; -1 stands for one that is 0 everywhere."""
        none = np.zeros((len(self.variance), 1))
        arrays = (getattr(self, name) for name in self.__slots__)
        return PooledVariance(*(np.concatenate([one, none], axis=1)[:, columns] for one in arrays))


@dataclass(frozen=True, slots=True, eq=False)
class _Expected:
    """Expected mean and variance of a unit, by stratum at home (H, K) and by row and stray key."""

    home_mean: Floats
    home_variance: Floats
    stray: Ints
    stray_mean: Floats
    stray_variance: Floats
    function: VarianceFunction


@dataclass(frozen=True, slots=True, eq=False)
class _Terms:
    """Terms that add up to V0 and E0: R of them, each of one stratum in one domain.

    `cubed`: third cumulant for units of skewness 1. `tied`: their covariance with the variance
    estimate. With ``f = n/N`` these have the factors ``(1 - f)²`` and ``1 - f``. Of units whose
    totals are known, sampled without replacement, they are ``(1 - f)(1 - 2f)`` and ``(1 - f)²``;
    boats inside units, which no f corrects, bring both nearer to 1 (our choice, no source; compared
    with repeated samples of a season in the document of validation). `varies`: there is an error
    between units. `is_direct`: the stratum was sampled there.
    """

    place: Ints
    stratum: Ints
    variance: Floats
    cubed: Floats
    tied: Floats
    expected: Floats
    varies: Bools
    is_direct: Bools


class PooledLater:
    """A pooled variance that is made when a row asks for its interval; many totals have none."""

    def __init__(self, make: Callable[[], PooledVariance]) -> None:
        self._make = make

    def of(self, columns: Ints) -> PooledLater:
        """Return some measures, as `PooledVariance.of`."""
        return PooledLater(lambda: self.made.of(columns))

    @cached_property
    def made(self) -> PooledVariance:
        """The pooled variance."""
        return self._make()


def pooled_variance(form: LinearForm, *, codes: Ints) -> PooledVariance:
    r"""Return what all strata of a season say of the variance of each domain (sorted `codes`).

    ``V0 = Σ_c [ω² (1 - n/N)/n s0² + ω²/(nN) Σ_i v_i]`` over the cells c of a domain, with ω the
    units that the stratum stands for there, s0² from the variance function at the expected mean μ,
    and v_i the variance inside unit i; ``E0 = Σ N μ`` over the strata of the domain themselves. A
    filled stratum adds ``N² s0²`` and ``N μ``, beside what its donors' ω already has of it. The
    own degrees of freedom are ``(Σ V0)²/Σ(V0²/(n - 1))`` (Satterthwaite 1946, An approximate
    distribution of estimates of variance components, Biometrics Bulletin 2; from memory) with the
    expected parts as weights: a boat landing far from home brings next to nothing. The prior is
    worth what is known of the season's own variance, to which the pool is brought, at most the
    units less the strata of the season that the domain's own degrees of freedom leave: together
    they count once. How far variances of cells scatter about the function does not count against
    it: with two or three units a cell, heavy tails of units scatter them as much (the simulations),
    and the power of the quasi-likelihood already holds those. With heavy tails a stratum counts
    ``2/(2/(n - 1) + κ/n)``, since ``Var s²/σ⁴ = 2/(n - 1) + κ/n`` for an excess kurtosis κ.
    """
    cells = stratum_cells(form)
    row = row_of_strata(form)
    expected = _expected(form, cells, row)
    terms = _joined(_direct_terms(form, cells, row, expected, codes), form, row, expected, codes)
    size = len(codes)
    parts, df, place = _independent_parts(form, terms)
    skewness, kurtosis = _tails(form, expected)
    heavy = _heavy_df(df, kurtosis)
    of_season = _season_df(form, expected, kurtosis)
    filled_only = np.ones(size, dtype=bool)
    filled_only[terms.place[terms.is_direct]] = False
    own = _satterthwaite(place, parts, np.broadcast_to(df[:, None], parts.shape), size)
    heavy_tailed = np.where(filled_only[:, None], 1.0, _satterthwaite(place, parts, heavy, size))
    of_season = np.where(np.isfinite(expected.function.scale), of_season, 0.0)
    # The units of a domain are units of the pool: together they count once.
    n_free = float(np.maximum(form.plan.n_active - 1, 0).sum())
    variance, cubed, tied = (
        add_at(terms.place, one, size) for one in (terms.variance, terms.cubed, terms.tied)
    )
    return PooledVariance(
        variance=variance,
        expected=add_at(terms.place, terms.expected, size),
        own_df=np.where(filled_only[:, None], 1.0, own),
        prior_df=np.minimum(of_season, np.maximum(n_free - heavy_tailed, 0.0)),
        kurtosis_df=heavy_tailed,
        skewness=skewness * quotient(cubed, variance**1.5),
        tie=skewness * quotient(tied, variance**1.5),
    )


def _heavy_df(df: Floats, kurtosis: Floats) -> Floats:
    """Return the degrees of freedom of variances of heavy-tailed units, shape (R, K)."""
    found: Floats = 2 / (2 / df[:, None] + kurtosis / (df[:, None] + 1))
    return found


def _season_df(form: LinearForm, expected: _Expected, kurtosis: Floats) -> Floats:
    """Return the degrees of freedom of the season's own variance, (K,): no domain knows more."""
    n, frame = form.plan.n_active.astype(np.float64), form.design.strata.n_frame
    use = np.flatnonzero((n > 1) & (form.correction > 0))
    n, frame = n[use], frame[use]
    parts = (frame**2 * form.correction[use] / n)[:, None] * expected.home_variance[use]
    heavy = _heavy_df(n - 1, kurtosis)
    found = _satterthwaite(np.zeros(len(use), dtype=np.int64), parts, heavy, 1)[0]
    return np.asarray(np.clip(found, min(LEAST_SEASON_DF, (n - 1).sum()), None))


def _satterthwaite(place: Ints, parts: Floats, df: Floats, size: int) -> Floats:
    """Return the degrees of freedom of sums of independent parts, at least 1, shape (size, K)."""
    above, below = add_at(place, parts, size) ** 2, add_at(place, parts**2 / df, size)
    none = add_at(place, df[:, :1], size)
    plain = np.broadcast_to(none, above.shape).copy()
    found: Floats = np.maximum(np.divide(above, below, out=plain, where=below > 0), 1.0)
    return found


# Expected means and variances of units.


def _expected(form: LinearForm, cells: StratumCells, row: Ints) -> _Expected:
    """Return what the pool expects of the units of every stratum."""
    mean = home_means(form, cells, row)
    home = np.flatnonzero(cells.is_home)
    of_home = cells.stratum[home]
    function = fitted_function(mean[of_home], cells.variance[home], cells.n[home] - 1)
    stray, width = np.flatnonzero(~cells.is_home), len(form.design.areas) + 1
    codes, at = np.unique(row[cells.stratum[stray]] * width + cells.key[stray], return_inverse=True)
    n_rows, of_row = int(row.max(initial=0)) + 1, codes // width
    sampled, known = (
        np.bincount(row[form.plan.n_active >= least], minlength=n_rows)[of_row][:, None]
        for least in (1, 2)
    )
    stray_mean = add_at(at, cells.mean[stray], len(codes)) / sampled
    has_two = (cells.n[stray] > 1)[:, None]
    summed = add_at(at, np.where(has_two, cells.variance[stray], 0.0), len(codes))
    return _Expected(
        home_mean=mean,
        home_variance=function.at(mean),
        stray=codes,
        stray_mean=stray_mean,
        stray_variance=np.where(known > 0, summed / np.maximum(known, 1), function.at(stray_mean)),
        function=function,
    )


# Terms of every domain.


def _direct_terms(
    form: LinearForm, cells: StratumCells, row: Ints, expected: _Expected, codes: Ints
) -> _Terms:
    """Return the terms of sampled strata, with what they add to the weeks they are donors for."""
    design, plan, weights = form.design, form.plan, form.weights
    n_keys, width = len(design.areas) + 1, len(design.weeks) + 1
    of_unit = design.units.stratum[weights.unit]
    pairs, at = np.unique(of_unit * width + weights.week_key, return_inverse=True)
    pair_stratum, week_key = np.divmod(pairs, width)
    n = plan.n_active[pair_stratum].astype(np.float64)
    frame = design.strata.n_frame[pair_stratum]
    omega = add_at(at, weights.weight, len(pairs)) / n
    direct = frame * add_at(at, (~weights.is_imputation).astype(np.float64), len(pairs)) / n
    pair, key, mean, variance = _at_keys(form, pair_stratum, row, expected)
    code = form.domains.code(key, week_key[pair])
    kept = np.flatnonzero(np.isin(code, codes))
    pair, key, code, variance = pair[kept], key[kept], code[kept], variance[kept]
    stratum = pair_stratum[pair]
    own = cells.stratum * n_keys + cells.key
    place = places_of(stratum * n_keys + key, own)
    within = np.where(place[:, None] >= 0, cells.within[place], 0.0)
    scale = (omega**2 / n)[pair][:, None]
    finite = form.correction[stratum][:, None]
    tied = (omega**3 / n**2)[pair][:, None] * finite * variance**1.5
    return _Terms(
        place=np.searchsorted(codes, code),
        stratum=stratum,
        variance=scale * (finite * variance + within / frame[pair][:, None]),
        cubed=finite * tied,
        tied=tied,
        expected=direct[pair][:, None] * mean[kept],
        varies=form.correction[stratum] > 0,
        is_direct=direct[pair] > 0,
    )


def _at_keys(
    form: LinearForm, stratum: Ints, row: Ints, expected: _Expected
) -> tuple[Ints, Ints, Floats, Floats]:
    """Pair some strata with their home key and the stray keys of their row.

    Returns
    -------
    pair, key : ndarray of int, shape (R,)
        Place in `stratum`, and key.
    mean, variance : ndarray of float, shape (R, K)
        Expected of a unit.
    """
    home = form.domains.area_key(form.design.strata.landing_area[stratum])
    of_row, stray_key = np.divmod(expected.stray, len(form.design.areas) + 1)
    pair, stray = equal_pairs(row[stratum], of_row)
    return (
        np.concatenate([np.arange(len(stratum)), pair]),
        np.concatenate([home, stray_key[stray]]),
        np.concatenate([expected.home_mean[stratum], expected.stray_mean[stray]]),
        np.concatenate([expected.home_variance[stratum], expected.stray_variance[stray]]),
    )


def _joined(terms: _Terms, form: LinearForm, row: Ints, expected: _Expected, codes: Ints) -> _Terms:
    """Return all terms: those of sampled strata, and of each filled stratum."""
    design = form.design
    stratum = form.plan.borrowers[form.plan.are_imputed]
    pair, key, mean, variance = _at_keys(form, stratum, row, expected)
    code = form.domains.code(key, form.domains.week_key(design.strata.week[stratum])[pair])
    kept = np.flatnonzero(np.isin(code, codes))
    stratum = stratum[pair[kept]]
    frame = design.strata.n_frame[stratum][:, None]
    cubed = frame**3 * variance[kept] ** 1.5
    return _Terms(
        place=np.concatenate([terms.place, np.searchsorted(codes, code[kept])]),
        stratum=np.concatenate([terms.stratum, stratum]),
        variance=np.concatenate([terms.variance, frame**2 * variance[kept]]),
        cubed=np.concatenate([terms.cubed, cubed]),
        tied=np.concatenate([terms.tied, cubed]),
        expected=np.concatenate([terms.expected, frame * mean[kept]]),
        varies=np.concatenate([terms.varies, np.ones(len(kept), dtype=bool)]),
        is_direct=np.concatenate([terms.is_direct, np.zeros(len(kept), dtype=bool)]),
    )


def _independent_parts(form: LinearForm, terms: _Terms) -> tuple[Floats, Floats, Ints]:
    """Return V0 by domain and group of strata, the degrees of freedom of each, and its domain.

    Strata that borrow and their donors are one group: their units count once. A stratum without an
    error between units is left out.
    """
    n_strata, plan = len(form.plan.n_active), form.plan
    links = [(one.stratum, donor) for one in plan.borrowings for donor in one.donors]
    ends = np.array(links, dtype=np.int64).reshape(-1, 2)
    group = groups_of_linked(ends[:, 0], ends[:, 1], n_strata)
    use = np.flatnonzero(terms.varies)
    place, stratum = terms.place[use], terms.stratum[use]
    donor_place, donors = [place], [stratum]
    for one in plan.borrowings:
        here = np.unique(place[stratum == one.stratum])
        for donor in one.donors:
            donor_place.append(here)
            donors.append(np.full(len(here), donor))
    once = np.unique(np.concatenate(donor_place) * n_strata + np.concatenate(donors))
    place_of, stratum_of = np.divmod(once, n_strata)
    codes, at = np.unique(place_of * n_strata + group[stratum_of], return_inverse=True)
    df = add_at(at, np.maximum(plan.n_active[stratum_of] - 1, 0).astype(np.float64), len(codes))
    where = np.searchsorted(codes, place * n_strata + group[stratum])
    parts = add_at(where, terms.variance[use], len(codes))
    return parts, np.maximum(df, 1.0), codes // n_strata


def _tails(form: LinearForm, expected: _Expected) -> tuple[Floats, Floats]:
    """Return the pooled skewness and excess kurtosis of unit totals at home, (K,) each.

    About their expected means, in units of their expected standard deviations.
    """
    design, cells, active = form.design, form.cells, form.plan.active
    stratum = design.units.stratum
    home = form.domains.area_key(design.strata.landing_area)[stratum[cells.unit]]
    rows = np.flatnonzero(cells.key == home)
    of_row = stratum[cells.unit[rows]]
    absent = np.bincount(stratum[active], minlength=len(form.plan.n_active))
    absent = absent - np.bincount(of_row, minlength=len(absent))
    skewness, kurtosis = np.zeros(cells.total.shape[1]), np.zeros(cells.total.shape[1])
    for k in range(len(skewness)):
        mean, variance = expected.home_mean[:, k], expected.home_variance[:, k]
        scale = np.where(variance > 0, 1 / np.sqrt(np.where(variance > 0, variance, 1.0)), 0.0)
        seen = (cells.total[rows, k] - mean[of_row]) * scale[of_row]
        zero = -mean * scale
        n = max(float(absent.sum()) + len(seen), 1.0)
        second, third, fourth = (
            float((seen**power).sum() + (absent * zero**power).sum()) / n for power in (2, 3, 4)
        )
        if second > 0:
            skewness[k] = min(max(third / second**1.5, 0.0), _MOST_SKEWNESS)
            kurtosis[k] = min(max(fourth / second**2 - 3, 0.0), _MOST_KURTOSIS)
    return skewness, kurtosis


#: What a week's variance counts for a week later (our choice, no source).
DISCOUNT = 0.9


@dataclass(frozen=True, slots=True, eq=False)
class UnitVariances:
    """Variances of units of R rows, and of S strays of them, of one measure.

    - `landing_area`, `group` (R,): codes. `ratio` (R,): ρ; `df` (R,): its degrees of freedom, those
      of the prior included. `total` (R,): fish, or effort, landed at home over the sampled strata.
    - `within` (R,), `stray_within` (S,): what boats inside a unit add, as a share of the variance.
    - `stray_row`, `stray_key` (S,): row and area key. `stray_variance`, `stray_df`, `stray_total`
      (S,).
    """

    landing_area: Ints
    group: Ints
    function: VarianceFunction
    ratio: Floats
    df: Floats
    within: Floats
    total: Floats
    stray_row: Ints
    stray_key: Ints
    stray_variance: Floats
    stray_df: Floats
    stray_within: Floats
    stray_total: Floats

    def at(self, mean: Floats, ratio: Floats) -> Floats:
        """Return variances of units of some means, each with the ρ of its row."""
        found: Floats = ratio * self.function.at(mean[:, None])[:, 0]
        return found


def shrunk_ratio(squares: Floats, df: Floats, prior_df: float) -> Floats:
    """Return ``ρ = (d0 + Σ d r)/(d0 + Σ d)`` of standardised variances r (`d0` the prior's df).

    `squares` are the sums ``Σ d r``, and `df` the sums ``Σ d``, of the same shape.
    """
    return (prior_df + squares) / np.maximum(prior_df + df, 1e-300)


def unit_variances(form: LinearForm, about: LinearForm) -> UnitVariances:
    """Return the variances of one measure of `form`, as a function of the means of `about`.

    Both stand on the same design and units; `about` is `form` itself for a total, and the total
    below for the residuals of a ratio.
    """
    design, row = form.design, row_of_strata(form)
    cells = stratum_cells(form)
    mean = home_means(about, stratum_cells(about), row)[:, :1]
    variance, n = cells.variance[:, 0], cells.n
    when = design.week_ordinal[design.strata.week]
    sampled = np.flatnonzero(form.plan.n_active > 0)
    age = when[sampled].max(initial=0) - when
    weight = np.maximum(form.plan.n_active - 1, 0) * DISCOUNT**age
    inside = cells.within[:, 0] / n
    inside = np.where(form.correction[cells.stratum] == 1, variance, inside)
    home, stray = np.flatnonzero(cells.is_home), np.flatnonzero(~cells.is_home)
    at_home = cells.stratum[home]
    function = fitted_function(mean[at_home], variance[home][:, None], n[home] - 1)
    standard = quotient(variance[home], function.at(mean[at_home])[:, 0])
    n_rows = int(row.max(initial=-1)) + 1
    prior = float(np.nan_to_num(function.df[0]))
    of_home = weight[at_home]
    d = add_at(row[at_home], of_home, n_rows)
    ratio = shrunk_ratio(add_at(row[at_home], of_home * standard, n_rows), d, prior)
    keys, at = np.unique(
        row[cells.stratum[stray]] * (len(design.areas) + 1) + cells.key[stray], return_inverse=True
    )
    of_row, key = np.divmod(keys, len(design.areas) + 1)
    of_stray = weight[cells.stratum[stray]]
    total = design.strata.n_frame[cells.stratum] * cells.mean[:, 0]
    d_stray = add_at(row, weight, n_rows)[of_row]
    squares = add_at(at, of_stray * variance[stray], len(keys))
    within_home = quotient(
        add_at(row[at_home], of_home * inside[home], n_rows),
        add_at(row[at_home], of_home * variance[home], n_rows),
    )
    _, first = np.unique(row, return_index=True)
    return UnitVariances(
        landing_area=design.strata.landing_area[first],
        group=design.strata.group[first],
        function=function,
        ratio=ratio,
        df=prior + d,
        within=within_home,
        total=add_at(row[at_home], total[home], n_rows),
        stray_row=of_row,
        stray_key=key,
        stray_variance=quotient(squares, d_stray),
        stray_df=d_stray,
        stray_within=quotient(add_at(at, of_stray * inside[stray], len(keys)), squares),
        stray_total=add_at(at, total[stray], len(keys)),
    )
