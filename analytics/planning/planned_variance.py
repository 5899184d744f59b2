r"""The variance of a week's figures as a function of how many site-days each stratum gets.

``V = Σ_h (N_h² s_h²/n_h) - Σ_h N_h (s_h² - w_h)`` over all landing strata h, s² the variance of
units' *estimated* totals and w what boats inside a unit add to it (two-stage sampling: Cochran
1977, Sampling Techniques, chapters 10 and 11; from memory). s² already holds the boats' part, which
therefore stays in the first sum: only the second, which no allocation moves, gives it back.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.planning.allocation import relative_variance
from analytics.quantities import RATIOS
from analytics.survey.domain_totals import UnitVariances, variances_of_units

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analytics.arrays import Bools, Floats, Ints
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.planning.plan import PlannedStratum
    from analytics.planning.week_ahead import WeekDraws


#: Most relative variance of cells about the variance function that is believed (our choice).
_MOST_SCATTER = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class PlannedVariance:
    """The relative variance ``Σ_h gain_hk/n_h - constant_k`` of K figures over H strata.

    - `area` (K,): area fished of each figure, None for all; `quantity` (K,).
    - `gain`, `df` (H, K): and degrees of freedom behind each s². `boats` (H, K): the part
      ``N_h² w_h`` of the gain. `scatter` (H, K): relative variance of the week's own s² about it.
    - `constant`, `expected` (K,): the expected figure.
    - `known` (K,): there is a variance and an expected figure above 0.
    """

    area: tuple[str | None, ...]
    quantity: tuple[str, ...]
    gain: Floats
    boats: Floats
    df: Floats
    scatter: Floats
    constant: Floats
    expected: Floats
    known: Bools

    def boats_part(self, n: Ints | Floats) -> Floats:
        """Return the part of each variance that lies between boats of a site-day, (K,).

        ``V = Σ N_h² (1/n_h - 1/N_h) (s_h² - w_h) + Σ N_h² w_h/n_h``, between site-days and between
        their boats: the second over both. NaN where there is no variance.
        """
        units = np.maximum(np.asarray(n, dtype=np.float64), 1)[:, None]
        within, whole = (self.boats / units).sum(axis=0), self.pse(n) ** 2
        found: Floats = np.divide(within, whole, out=np.full(len(whole), np.nan), where=whole > 0)
        return np.clip(found, 0.0, 1.0)

    def pse(self, n: Ints | Floats) -> Floats:
        """Return planned proportional standard errors, (K,); NaN where none can be given."""
        found = relative_variance(self.gain, self.constant, n)
        usable = self.known & np.isfinite(found)
        return np.where(usable, np.sqrt(np.maximum(np.where(usable, found, 0.0), 0.0)), np.nan)

    def pse_error(self, n: Ints | Floats) -> Floats:
        """Return how far, relative to it, each PSE reached may lie off the planned one, (K,).

        Half the relative standard error of the variance: what is not known of each s², and how the
        week's own will differ from it. What the week's fish do to the total comes on top.
        """
        return np.asarray(np.sqrt(self._relative_variance(n, self.scatter)) / 2)

    def known_df(self, n: Ints | Floats) -> Floats:
        """Return the degrees of freedom behind each planned variance, (K,).

        Satterthwaite 1946 (from memory), of prior and own variances together.
        """
        none = np.zeros_like(self.scatter)
        return np.asarray(2 / self._relative_variance(n, none))

    def _relative_variance(self, n: Ints | Floats, scatter: Floats) -> Floats:
        """Return the relative variance of each sum ``Σ_h gain_hk/n_h``; NaN where it is 0."""
        parts = self.gain / np.maximum(np.asarray(n, dtype=np.float64), 1)[:, None]
        above = (parts**2 * (2 / np.maximum(self.df, 1.0) + scatter)).sum(axis=0)
        whole = parts.sum(axis=0) ** 2
        found: Floats = np.divide(above, whole, out=np.full(len(whole), np.nan), where=above > 0)
        return found

    def without(self, lost: Bools) -> PlannedVariance:
        """Return the figures with nothing from some strata, (H,)."""
        gain, boats = (np.where(lost[:, None], 0.0, one) for one in (self.gain, self.boats))
        return replace(self, gain=gain, boats=boats)

    def of(self, rows: Bools | Ints) -> PlannedVariance:
        """Return some figures."""
        rows = np.flatnonzero(rows) if rows.dtype == bool else rows
        return PlannedVariance(
            tuple(self.area[one] for one in rows),
            tuple(self.quantity[one] for one in rows),
            self.gain[:, rows],
            self.boats[:, rows],
            self.df[:, rows],
            self.scatter[:, rows],
            self.constant[rows],
            self.expected[rows],
            self.known[rows],
        )


def two_stage_terms(frame: Floats, variance: Floats, within: Floats) -> tuple[Floats, Floats]:
    """Return A and C of ``V(n) = A/n - C``: ``N² s²`` and ``N (s² - w)``, shape (H,) each."""
    return frame**2 * variance, frame * (variance - within)


def week_scatter(prior_df: float, frame: Floats) -> Floats:
    """Return the relative variance of the s² of one week about what is expected of it, (H,).

    Variances of cells follow the variance function as a scaled inverse chi-square of `prior_df`
    degrees of freedom, whose relative variance is ``2/(d0 - 4)`` (what `prior_df` is estimated
    from), and the week has `frame` units to have a variance of.
    """
    cells = 2 / np.maximum(prior_df - 4, 2 / _MOST_SCATTER)
    found: Floats = (1 + cells) * (1 + 2 / np.maximum(frame - 1, 1)) - 1
    return found


def planned_variance(
    survey: SeasonSurvey,
    strata: Sequence[PlannedStratum],
    draws: WeekDraws,
    quantities: Sequence[str],
) -> PlannedVariance:
    """Return the planned variance of each quantity in every area fished and in all together."""
    blocks = [
        block
        for quantity in quantities
        for by_area in (True, False)
        for block in _blocks(survey, strata, draws, quantity, by_area=by_area)
    ]
    area, quantity, terms, within, constants, dfs, scatters, expected = zip(*blocks, strict=True)
    value = np.array(expected)
    gain, boats = np.stack(terms, axis=1), np.stack(within, axis=1)
    constant = np.array(constants)
    known = (value > 0) & np.isfinite(constant) & (gain.sum(axis=0) > 0)
    square = np.where(known, value, 1.0) ** 2
    return PlannedVariance(
        area=area,
        quantity=quantity,
        gain=np.where(known, gain / square, 0.0),
        boats=np.where(known, boats / square, 0.0),
        df=np.stack(dfs, axis=1),
        scatter=np.stack(scatters, axis=1),
        constant=np.where(known, constant / square, 0.0),
        expected=value,
        known=known,
    )


_Block = tuple["str | None", str, "Floats", "Floats", float, "Floats", "Floats", float]


def _blocks(
    survey: SeasonSurvey,
    strata: Sequence[PlannedStratum],
    draws: WeekDraws,
    quantity: str,
    *,
    by_area: bool,
) -> Iterator[_Block]:
    """Yield area, quantity, A and boats by stratum, C, df, scatter, the expected figure."""
    design, size = survey.design, len(survey.design.areas)
    total = RATIOS.get(quantity, (quantity, quantity))[1]
    code = np.array([design.areas.index(one) for one in draws.areas])
    base = np.zeros(size)
    base[code] = draws.expected(total)
    areas: list[str | None] = [*draws.areas] if by_area else [None]
    keys = code + 1 if by_area else np.zeros(1, dtype=np.int64)
    expected = draws.expected(quantity) if by_area else np.array([draws.of_all(quantity)])
    scale, ratio = np.ones(len(keys)), None
    if quantity in RATIOS:
        ratio = np.zeros(size + 1)
        ratio[keys] = expected
        scale = base[code] if by_area else base.sum(keepdims=True)
    landing = _landed_shares(survey, total) * base
    at_home = landing.diagonal() if by_area else landing.sum(axis=1)
    place = np.array([design.areas.index(one.area) for one in strata])
    frame = np.array([one.frame_size for one in strata], dtype=np.float64)
    mean = at_home[place] * _effort_shares(strata, draws) / frame
    if ratio is None:
        units = _units_of_total(survey, quantity, by_area=by_area)
    else:
        units = _units_of(survey, quantity, by_area=by_area, ratio=ratio)
    group = np.array([one.day_group for one in strata])
    row = np.array([_row_of(units, *one) for one in zip(place, group, strict=True)])
    scatter = week_scatter(float(np.nan_to_num(units.function.df[0])), frame)
    for at, (area, key) in enumerate(zip(areas, keys, strict=True)):
        is_home = (place + 1 == key) | (key == 0)
        variance, within, df = _cells(units, row, int(key), is_home, mean)
        terms, constant = two_stage_terms(frame, variance, within)
        square = float(scale[at]) ** 2 or 1.0
        boats, less = frame**2 * within / square, constant.sum() / square
        value = float(expected[at])
        yield area, quantity, terms / square, boats, less, df, scatter, value


def _units_of(
    survey: SeasonSurvey, quantity: str, *, by_area: bool, ratio: Floats | None = None
) -> UnitVariances:
    moments = survey.reduction.moments(survey.analyses[quantity])
    return variances_of_units(
        survey.design, moments, plans=survey.plans, by_area=by_area, ratio=ratio
    )


def _units_of_total(survey: SeasonSurvey, quantity: str, *, by_area: bool) -> UnitVariances:
    """Return the variances of site-days of a total so far, by area fished or of all together."""
    key = ("units_of_total", quantity, by_area)
    return survey.once(key, lambda: _units_of(survey, quantity, by_area=by_area))


def _landed_shares(survey: SeasonSurvey, quantity: str) -> Floats:
    """Return the part of each area's total that lands in each area, (landing, fished)."""
    found, size = _units_of_total(survey, quantity, by_area=True), len(survey.design.areas)
    table = np.zeros((size, size))
    np.add.at(table, (found.landing_area, found.landing_area), found.total)
    np.add.at(table, (found.landing_area[found.stray_row], found.stray_key - 1), found.stray_total)
    of_fished = table.sum(axis=0)
    return np.where(of_fished > 0, table / np.where(of_fished > 0, of_fished, 1.0), np.eye(size))


def _effort_shares(strata: Sequence[PlannedStratum], draws: WeekDraws) -> Floats:
    """Return the part of a week's effort in its area that falls on the days of each stratum."""
    return np.array(
        [sum(draws.day_share.get((one.area, day), 0.0) for day in one.dates) for one in strata]
    )


def _row_of(units: UnitVariances, area: int, group: int) -> int:
    """Return the row of a landing area and day group, else one of the area, else -1."""
    here = np.flatnonzero(units.landing_area == area)
    alike = here[units.group[here] == group]
    rows = alike if len(alike) else here
    return int(rows[0]) if len(rows) else -1


def _cells(
    units: UnitVariances, row: Ints, key: int, is_home: Bools, mean: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return s², w and degrees of freedom of each stratum for one area key, (H,) each.

    A stratum whose area was never sampled follows the variance function alone.
    """
    prior = float(np.nan_to_num(units.function.df[0]))
    ratio = np.where(row >= 0, units.ratio[row], 1.0)
    variance = units.at(mean, ratio)
    within = np.where(row >= 0, units.within[row], 0.0)
    df = np.where(row >= 0, units.df[row], prior)
    stray = {
        int(of): at for at, of in enumerate(units.stray_row) if int(units.stray_key[at]) == key
    }
    for place in np.flatnonzero(~is_home):
        at = stray.get(int(row[place]), -1)
        variance[place] = units.stray_variance[at] if at >= 0 else 0.0
        within[place] = units.stray_within[at] if at >= 0 else 0.0
        df[place] = units.stray_df[at] if at >= 0 else 1.0
    return variance, variance * within, df
