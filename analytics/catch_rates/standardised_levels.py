"""The level of a response in every area and week, at one mix of how was fished."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, logit

from analytics.catch_rates.trips import CELL, CLUSTER, EXPOSURE, FACTORS, TRIALS, beside, varies
from analytics.codes import coded, error_code, join_codes
from analytics.errors import UsageError
from analytics.models import CountFit, Family
from analytics.models.cell_levels import (
    impute_areas,
    level_counts,
    level_shares,
    marginal_means,
    reference_mix,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from analytics.arrays import Floats
    from analytics.catch_rates.trips import ResponseTrips
    from analytics.models.cell_levels import LevelFit


HURDLES = {
    Family.HURDLE_POISSON: Family.POISSON,
    Family.HURDLE_NEGATIVE_BINOMIAL: Family.NEGATIVE_BINOMIAL,
}
#: Terms beside the levels that give way, one after the other, where the fit is refused.
GIVE_WAY = ("tide_range_m", "moon", "site", "party", "day_group", "method")
NO_ERROR = coded("site_days_unlike_unknown")


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """Levels of C area-weeks on the log scale, of a share on the logit scale.

    - `cov` (C, C): with the cluster factor in it; NaN where that cannot be given.
    - `cluster_factor`: variance by site-day over that of single boats; NaN where there is none.
    - `model`: the regression behind the levels, with `terms`.
    - `note`: codes of what the fit had to do otherwise than the chosen model.
    """

    area: tuple[str, ...]
    week: tuple[str, ...]
    value: Floats
    cov: Floats
    cluster_factor: float
    n_clusters: int
    model: LevelFit
    terms: tuple[str, ...]
    note: str = ""

    @property
    def why_no_error(self) -> str:
        """Why levels have no error; empty where they have one."""
        return "" if math.isfinite(self.cluster_factor) else NO_ERROR


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """A weekly figure of one area, or of all areas, on the log or logit scale.

    - `value` (W,): NaN in a week without one; `cov` (W, W).
    - `imputed` (W,): part of a mean of areas that stands on imputed ones; None for one area.
    """

    value: Floats
    cov: Floats
    imputed: Floats | None = None

    @property
    def se(self) -> Floats:
        """Standard errors, shape (W,)."""
        return np.asarray(np.sqrt(np.maximum(np.diag(self.cov), 0.0)))


def levels_of(
    data: ResponseTrips, *, terms: Sequence[str], family: str, mix: pd.DataFrame
) -> Levels:
    """Fit a level for every area and week in the place of the smooth, all at one mix.

    Every area-week with trips has a level, also one without a fish (`models.cell_levels`).
    Errors are those of the model times a cluster factor, `level_fit.spread_by_cluster` over
    area-weeks with fish: a sandwich for every level by itself would rest on a handful of site-days.
    Where the fit is refused, terms give way in the order of `GIVE_WAY`, and a note says so. For a
    hurdle the family of its counts stands in, since a rate needs a mean in proportion to effort.

    `mix`: trips of which the mix of the other terms is taken, by angler-hours, for a share by
    encounters. UsageError without a trip or a fish, or where the fit is refused without other terms
    too.
    """
    if data.none:
        raise UsageError(data.none)
    notes = [data.joining] if data.joining else []
    if family in HURDLES:
        family = HURDLES[Family(family)]
        notes.append(coded("hurdle_replaced", family=str(family)))
    others, model = _fitted_beside(data, beside(data.frame, tuple(terms)), family, notes)
    cells = data.frame.drop_duplicates(CELL).sort_values(["area", "week"])[["area", "week", CELL]]
    value, slopes = _at_mix(model, cells[[CELL]], data=data, mix=mix, others=others)
    return Levels(
        area=tuple(cells["area"]),
        week=tuple(cells["week"]),
        value=value,
        cov=slopes @ model.fit.cov @ slopes.T * model.variance_ratio,
        cluster_factor=model.variance_ratio,
        n_clusters=model.n_clusters,
        model=model,
        terms=(CELL, *others) if len(cells) > 1 else others,
        note=join_codes([*notes, *map(error_code, getattr(model.fit, "notes", ()))]),
    )


def series_of(levels: Levels, weeks: Sequence[str]) -> dict[str | None, Series]:
    """Return the levels of each area as a series over some weeks."""
    found: dict[str | None, Series] = {}
    for area in dict.fromkeys(levels.area):
        mine = np.array([one == area for one in levels.area])
        at = np.array([weeks.index(week) for week in np.array(levels.week)[mine]])
        value, cov = np.full(len(weeks), np.nan), np.zeros((len(weeks), len(weeks)))
        value[at], cov[np.ix_(at, at)] = levels.value[mine], levels.cov[np.ix_(mine, mine)]
        found[str(area)] = Series(value, cov)
    return found


def all_areas(
    levels: Levels, weeks: Sequence[str], weight: Mapping[str, float], *, is_share: bool
) -> Series:
    """Return the mean of all areas by week, at fixed weights, without areas that have none.

    An area without a figure in a week stands with what its usual relation to the others says
    (`marginal_means.impute_areas`), so that an area that opens or closes is no rise or fall. NaN in
    weeks without a figure of any area; without a weight of any area, in all.
    """
    areas = [area for area in dict.fromkeys(levels.area) if weight.get(area, 0.0) > 0]
    n = len(weeks)
    mine = np.array([area in areas for area in levels.area], dtype=bool)
    pairs = zip(np.array(levels.area)[mine], np.array(levels.week)[mine], strict=True)
    at = np.array([areas.index(area) * n + weeks.index(week) for area, week in pairs], dtype=int)
    if not len(at):
        return Series(np.full(n, np.nan), np.zeros((n, n)))
    known = np.full((len(areas), n), np.nan)
    known.ravel()[at] = levels.value[mine]
    filled, cov = impute_areas(known, levels.cov[np.ix_(mine, mine)], at)
    share = np.array([weight[area] for area in areas])
    share /= share.sum()
    figure = expit(filled) if is_share else np.exp(filled)
    mean = share @ figure
    # The slope of the mean's log or logit in that of each area, by area and week.
    each, of_mean = (figure * (1 - figure), mean * (1 - mean)) if is_share else (figure, mean)
    slope = np.nan_to_num(share[:, None] * each / of_mean)
    gradient = np.zeros((n, len(areas) * n))
    for place in range(len(areas)):
        gradient[np.arange(n), place * n + np.arange(n)] = slope[place]
    on_scale = logit(mean) if is_share else np.log(mean)
    imputed = np.nan_to_num(share[:, None] * figure) * np.isnan(known)
    part = np.where(np.isfinite(mean), imputed.sum(axis=0) / mean, np.nan)
    return Series(np.asarray(on_scale), gradient @ cov @ gradient.T, part)


def _fitted_beside(
    data: ResponseTrips, others: tuple[str, ...], family: str, notes: list[str]
) -> tuple[tuple[str, ...], LevelFit]:
    """Return the terms that the fit can bear beside the levels, and the fit."""
    left, reason = list(others), ""
    for gone in (None, *GIVE_WAY):
        if gone is not None and gone not in left:
            continue
        left = [one for one in left if one != gone]
        try:
            model = _fit(data, left, family)
        except UsageError as error:
            reason = reason or error_code(error)
            continue
        out = [one for one in others if one not in left]
        if out:
            notes += [coded("without_terms", terms=out), reason]
        return tuple(left), model
    raise UsageError(reason)


def _fit(data: ResponseTrips, others: Sequence[str], family: str) -> LevelFit:
    fit = (
        partial(level_shares, successes=data.response, trials=TRIALS)
        if data.is_share
        else partial(level_counts, response=data.response, exposure=EXPOSURE)
    )
    return fit(
        data.frame, cell=CELL, parts=("area", "week"), others=others, cluster=CLUSTER, family=family
    )


def _at_mix(
    model: LevelFit,
    cells: pd.DataFrame,
    *,
    data: ResponseTrips,
    mix: pd.DataFrame,
    others: Sequence[str],
) -> tuple[Floats, Floats]:
    """Return levels and their slopes at the mix; levels that the fit never saw are left out."""
    fit = model.fit
    b, p = fit.coefficients["estimate"].to_numpy(np.float64), len(fit.coding.names)
    if not others:
        rows = fit.coding.matrix(cells)
        value = np.asarray(rows @ b[:p])
    else:
        combined, weight = reference_mix(_known(data, mix, others), list(others), _weight(data))
        value, rows = marginal_means(
            fit.coding, b[:p], cells, combined, weight, is_share=data.is_share
        )
    slopes = np.zeros((len(cells), len(b)))
    slopes[:, :p] = rows
    if isinstance(fit, CountFit) and fit.family.has_zero_part:
        # The constant chance of a zero that is no count scales every level alike.
        part = float(expit(b[p]))
        value, slopes[:, p] = value + math.log1p(-part), -part
    return value, slopes


def _known(data: ResponseTrips, mix: pd.DataFrame, others: Sequence[str]) -> pd.DataFrame:
    known = mix.replace({name: dict(data.joined.get(name, {})) for name in others})
    for name in others:
        if known[name].dtype.kind in "fi":
            known = known[known[name].notna()]
        else:
            known = known[known[name].isin(data.frame[name].unique())]
    return known if known[_weight(data)].sum() > 0 else data.frame


def _weight(data: ResponseTrips) -> str:
    return TRIALS if data.is_share else EXPOSURE


# Whether two seasons show how the ways of fishing compare.


def lacking(past: pd.DataFrame, now: pd.DataFrame, terms: Sequence[str]) -> list[str]:
    """Return what past trips cannot say of this season's mix, such as ``method jigging``."""
    words = []
    for name in terms:
        if name in FACTORS:
            unknown = set(now[name].unique()).difference(past[name].unique())
            words += [f"{name} {one}" for one in sorted(unknown)]
        elif not varies(past, name):
            words.append(f"change of {name}")
    return words


def comparable_seasons(
    past: pd.DataFrame, now: pd.DataFrame, factors: Sequence[str]
) -> tuple[tuple[pd.DataFrame, pd.DataFrame], str]:
    """Return trips of two seasons whose levels can all be compared with this one's, and a note.

    Two levels of a factor, say two methods, can be compared where some area and week knows both, or
    through others. A level that no such chain ties to this season's most fished one would stand
    for the season it was met in; it is taken for that one, and the note says so.
    """
    notes = []
    for factor in factors:
        base = str(now.groupby(factor)[EXPOSURE].sum().idxmax())
        tied = _tied_to(base, (past, now), factor)
        alone = sorted((set(past[factor]) | set(now[factor])) - tied)
        if alone:
            taken = {factor: dict.fromkeys(alone, base)}
            past, now = past.replace(taken), now.replace(taken)
            notes.append(coded("level_never_beside", factor=factor, levels=alone, base=base))
    return (past, now), join_codes(notes)


def _tied_to(base: str, trips: Sequence[pd.DataFrame], factor: str) -> set[str]:
    """Return the levels that some chain of areas and weeks ties to one of them."""
    together = [
        set(levels) for rows in trips for levels in rows.groupby(["area", "week"])[factor].unique()
    ]
    tied, grown = {base}, True
    while grown:
        more = set().union(*(one for one in together if one & tied)) - tied
        tied |= more
        grown = bool(more)
    return tied
