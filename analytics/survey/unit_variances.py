"""What the units of a week to come will vary by: variances of past weeks, shrunk and discounted.

A *row* is a landing area and a day group. At home, where boats fished in the area they land in, the
variance of a week of the mean μ is ``ρ φ μ^b``: the pooled variance function of the season times
how far the row's own variances lie off it. Strays have the mean of their variances.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analytics.arrays import add_at
from analytics.survey.pooled_variance import home_means, row_of_strata, stratum_cells
from analytics.survey.variance_function import VarianceFunction, fitted_function, quotient

if TYPE_CHECKING:
    from analytics.arrays import Floats, Ints
    from analytics.survey.domains import LinearForm

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
