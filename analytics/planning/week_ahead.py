"""The week to be planned: its strata by the calendar, its draws, the variance of its figures.

The variance of a week's figures is a function of how many site-days each stratum gets.
``V = Σ_h (N_h² s_h²/n_h) - Σ_h N_h (s_h² - w_h)`` over all landing strata h, s² the variance of
units' *estimated* totals and w what boats inside a unit add to it (two-stage sampling: Cochran
1977, Sampling Techniques, chapters 10 and 11; from memory). s² already holds the boats' part, which
therefore stays in the first sum: only the second, which no allocation moves, gives it back.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.codes import coded
from analytics.data.calendar import season_days
from analytics.errors import UsageError
from analytics.options.compare import ahead_by_week
from analytics.planning.allocation import relative_variance
from analytics.planning.plan import PlannedStratum
from analytics.quantities import QUANTITIES, RATIOS
from analytics.survey.build import sampled_by_week, week_frame
from analytics.survey.design import DAY_SITE
from analytics.survey.domain_totals import UnitVariances, variances_of_units
from analytics.survey.estimators import CONVENIENCE
from analytics.weeks import week_start

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import date

    import pandas as pd
    from numpy.typing import NDArray

    from analytics.arrays import Bools, Floats, Ints
    from analytics.data.snapshot import Snapshot
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.options.baseline import Baseline


#: Sites a day of design ``day_site`` where no week says how many (our choice, no source): with one
#: the variance inside a day has no estimate.
_USUAL_SITES = 2


@dataclass(frozen=True, slots=True, eq=False)
class WeekDraws:
    """D joint draws of what a week brings to A areas fished, under today's rules.

    - `totals`: by quantity, (D, A). `day_share`: the part of an area's effort on each open day.
    """

    areas: tuple[str, ...]
    totals: Mapping[str, Floats]
    day_share: Mapping[tuple[str, date], float]

    def expected(self, quantity: str) -> Floats:
        """Return the mean of a total, or the ratio of two means, by area fished, shape (A,)."""
        if quantity in RATIOS:
            above, below = (self.expected(one) for one in RATIOS[quantity])
            return np.divide(above, below, out=np.zeros_like(above), where=below > 0)
        found: Floats = self.totals[quantity].mean(axis=0)
        return found

    def of_all(self, quantity: str) -> float:
        """Return the mean over all areas together."""
        if quantity in RATIOS:
            above, below = (float(self.expected(one).sum()) for one in RATIOS[quantity])
            return above / below if below > 0 else 0.0
        return float(self.expected(quantity).sum())


def ahead_of(
    survey: SeasonSurvey, baseline: Baseline, quantities: Iterable[str]
) -> Mapping[str, NDArray[np.float32]]:
    """Return the draws of every week to come, as `ahead_by_week`, made once for a season."""
    names = tuple(sorted(quantities))
    return survey.once(("draws ahead", baseline, names), lambda: ahead_by_week(baseline, names))


def draws_of_week(
    survey: SeasonSurvey, baseline: Baseline, week: str, quantities: Sequence[str]
) -> WeekDraws:
    """Return the draws of a week; `quantities` are totals that a baseline has, or ratios of them.

    Raises `UsageError` where the week is none of those to come.
    """
    if week not in baseline.weeks:
        known = f"{baseline.weeks[0]} to {baseline.weeks[-1]}" if baseline.weeks else "none"
        raise UsageError(
            f"week {week} is not one to come: season {baseline.season} is estimated through "
            f"{baseline.through}; allowed: {known}"
        )
    names = {part for one in quantities for part in RATIOS.get(one, (one,))}
    at = baseline.weeks.index(week)
    totals = {
        name: np.nan_to_num(found[:, at].T.astype(np.float64))
        for name, found in ahead_of(survey, baseline, names).items()
    }
    return WeekDraws(baseline.areas, totals, _day_shares(baseline, week))


def _day_shares(baseline: Baseline, week: str) -> dict[tuple[str, date], float]:
    """Return the share of an area's effort in a week that falls on each day."""
    mine = np.flatnonzero(baseline.week == baseline.weeks.index(week))
    days = baseline.days[mine].astype(object).tolist()
    effort = np.nan_to_num(baseline.effort[:, :, mine].astype(np.float64)).mean(axis=0)
    effort = effort * baseline.rules.is_open[:, mine]
    total = effort.sum(axis=1)
    return {
        (area, day): float(effort[place, at] / total[place]) if total[place] else 0.0
        for place, area in enumerate(baseline.areas)
        for at, day in enumerate(days)
    }


def strata_of_week(snapshot: Snapshot, *, season: str, week: str) -> tuple[PlannedStratum, ...]:
    """Return the strata open in a week, none of their units drawn yet.

    Raises `UsageError` for a week without an open day, naming the next one that has some.
    """
    week_start(week)
    key = ("strata of a week", season, week)
    return snapshot.once(key, lambda: _strata_of_week(snapshot, season, week))


def _strata_of_week(snapshot: Snapshot, season: str, week: str) -> tuple[PlannedStratum, ...]:
    frame = week_frame(snapshot, season=season, week=week)
    if frame.empty:
        days = season_days(snapshot, season)
        days = days[~days["design"].eq(CONVENIENCE)]
        open_weeks = sorted(set(days["week"]))
        later = next((one for one in open_weeks if one > week), None)
        words = f"the next open week is {later}" if later else "no open week follows"
        raise UsageError(
            f"season {season} has no open day with a probability sample in {week}; {words}"
        )
    sampled = sampled_by_week(snapshot, season=season)
    return tuple(_stratum(row, sampled, week) for row in frame.to_dict("records"))


def _stratum(row: dict[Any, Any], sampled: pd.DataFrame, week: str) -> PlannedStratum:
    sites = tuple(row["sites"])
    here = sampled[sampled["area"] == row["area"]]
    a_day = 1
    if row["design"] == DAY_SITE:
        per_day = here.groupby("date").size()
        a_day = min(int(per_day.mode().min()) if len(per_day) else _USUAL_SITES, len(sites))
    here = here[(here["day_group"] == row["day_group"]) & (here["week"] < week)]
    return PlannedStratum(
        area=str(row["area"]),
        week=week,
        day_group=int(row["day_group"]),
        weekdays=str(row["weekdays"]),
        design=str(row["design"]),
        dates=tuple(row["dates"]),
        sites=sites,
        draw_probability=tuple(row["draw_probability"]),
        frame_size=int(row["n_frame"]),
        n=0,
        n_now=int((here["week"] == here["week"].max()).sum()),
        sites_a_day=a_day,
    )


def covered(
    strata: Sequence[PlannedStratum], not_covered: Sequence[str]
) -> tuple[PlannedStratum, ...]:
    """Return strata without the sites that nobody can visit: a stratum without any has no frame.

    Raises `UsageError` for a site that is in none of them, or where no site is left.
    """
    sites = sorted({site for one in strata for site in one.sites})
    unknown = [site for site in not_covered if site not in sites]
    if unknown:
        raise UsageError(
            f"no site {', '.join(unknown)} in the frame of {strata[0].week}; there are: "
            f"{', '.join(sites)}"
        )
    if set(sites) <= set(not_covered):
        raise UsageError("no site is left to visit; allowed: at least one that can be covered")
    return tuple(_covered(one, not_covered) for one in strata)


def _covered(one: PlannedStratum, not_covered: Sequence[str]) -> PlannedStratum:
    kept = [at for at, site in enumerate(one.sites) if site not in not_covered]
    if len(kept) == len(one.sites):
        return one
    chance = sum(one.draw_probability[at] for at in kept) or 1.0
    frame = len(one.dates) * (bool(kept) if one.is_of_days else len(kept))
    return replace(
        one,
        sites=tuple(one.sites[at] for at in kept),
        draw_probability=tuple(one.draw_probability[at] / chance for at in kept),
        frame_size=frame,
        sites_a_day=max(min(one.sites_a_day, len(kept)), 1),
    )


def coverage_notes(
    snapshot: Snapshot,
    strata: Sequence[PlannedStratum],
    not_covered: Sequence[str],
    *,
    season: str,
) -> list[str]:
    """Return, as codes, what sites that nobody visits do to the figures of their areas.

    By past counts of the season: the part of an area's boats that land there, and by how much the
    total moves where the days of such a site count as like those of the others, as they do in
    design ``site_day`` while it is among the sites.
    """
    counts = sampled_by_week(snapshot, season=season)
    mean = counts.groupby("site")["boats_returned"].mean()
    notes = []
    for area in dict.fromkeys(one.area for one in strata):
        mine = next(one for one in strata if one.area == area)
        lost = [site for site in mine.sites if site in not_covered]
        if not lost:
            continue
        if len(lost) == len(mine.sites):
            notes.append(coded("not_covered_area", areas=[area]))
            continue
        boats = mean.reindex(list(mine.sites))
        if boats.isna().any() or not boats.sum() > 0:
            notes.append(coded("not_covered_unknown", areas=[area], sites=lost))
            continue
        part = float(boats[lost].sum() / boats.sum())
        if mine.is_of_days:
            notes.append(
                coded("not_covered_days", areas=[area], sites=lost, part=f"{100 * part:.0f}")
            )
            continue
        off = float(boats.drop(lost).mean() / boats.mean() - 1)
        notes.append(
            coded(
                "not_covered_known",
                areas=[area],
                sites=lost,
                part=f"{100 * part:.0f}",
                off=f"{100 * off:+.0f}".replace("-", "−"),
            )
        )
    return notes


def unit_of(quantity: str) -> str:
    """Return the unit of a quantity."""
    return str(QUANTITIES[quantity].unit)


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
