"""Weekly trips and catch rates of a season by area, with errors that a smoother can weigh.

Past seasons are each read by their own data alone; their weekly figures are kept as long as these
last.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field, fields
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from scipy.special import logit

from analytics.codes import coded, error_code
from analytics.data import query
from analytics.data.calendar import season_days
from analytics.data.kept import NOT_KEPT, Arrays, Kept, MakesOnce
from analytics.data.schema import TABLES
from analytics.data.snapshot import Snapshot, content_key
from analytics.errors import BlackmouthError
from analytics.estimates.result_rows import catch_figures, result_row
from analytics.outlook.season_days import DayEffects, Weather, day_effects
from analytics.outlook.seasonal_pattern import SeasonalPattern, pattern_of
from analytics.quantities import QUANTITIES
from analytics.survey.build import build_design, seasons_before
from analytics.survey.design import StratumTreatments
from analytics.survey.domains import Domains
from analytics.survey.estimators import DesignEstimator
from analytics.survey.reduction import Reduction, catch_analyses, catch_measures
from analytics.weeks import weeks_between

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Mapping, Sequence

    from numpy.typing import NDArray

    from analytics.arrays import Bools, Floats, Ints
    from analytics.outlook.seasonal_pattern import Figures
    from analytics.survey.design import Design
    from analytics.survey.estimators import TotalEstimator
    from analytics.survey.reduction import Analysis


TRIPS, RATE, SHARE = "angler_trips", "encounters_per_angler_trip", "sublegal_prop"
PROJECTED_FROM = (TRIPS, RATE, SHARE)
#: Variance of the log of a figure that stands for a week of none. Our choice, no source.
NONE_VARIANCE = 1.0
#: Share of a week that weather must leave to tell its level. Our choice, no source.
LEAST_FAIR = 0.3
#: Relative variance of one unit where no area tells one.
_DEFAULT = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class WeeklySeries:
    """Weekly figures of A areas over T consecutive ISO weeks, shape (A, T) each.

    - `figure`: by quantity of `PROJECTED_FROM`; NaN where nothing was sampled or the area was
      closed; `variance`: of logs, of the share's logit.
    - `weighted_open_days`: open days of each week, each with its weekday's weight.
    - `fishable_share`: share of them left by weather.
    - `figures`: figures made of it before, by name: past seasons are smoothed once for several
      uses.
    """

    season: str
    areas: tuple[str, ...]
    weeks: tuple[str, ...]
    figure: Mapping[str, Floats]
    variance: Mapping[str, Floats]
    weighted_open_days: Floats
    fishable_share: Floats
    days: DayEffects
    figures: dict[str, Figures] = field(default_factory=dict)

    def log_trips(self) -> tuple[Floats, Floats]:
        """Return logs of trips a fair day and their variances, shapes (A, T).

        Of a week that was unfishable but for `LEAST_FAIR` nothing is given.
        """
        fair = np.where(
            self.fishable_share >= LEAST_FAIR, self.weighted_open_days * self.fishable_share, 0.0
        )
        none = np.full_like(fair, np.nan)
        per_day = np.divide(self.figure[TRIPS], fair, out=none, where=fair > 0)
        return with_none(per_day, self.variance[TRIPS])

    def log_rate(self) -> tuple[Floats, Floats]:
        """Return logs of encounters a trip and their variances, shapes (A, T)."""
        return with_none(self.figure[RATE], self.variance[RATE])

    def logit_share(self) -> tuple[Floats, Floats]:
        """Return logits of sublegal shares and their variances, shapes (A, T); NaN at 0 and 1."""
        share = self.figure[SHARE]
        return logit(np.where((share > 0) & (share < 1), share, np.nan)), self.variance[SHARE]


def with_none(figure: Floats, variance: Floats) -> tuple[Floats, Floats]:
    """Return logs, a week of none as half the least of its area with a wide error.

    Left out, such weeks would leave the level of the rest, which is higher.
    """
    some = figure > 0
    least = np.where(some, figure, np.inf).min(axis=1, initial=np.inf, keepdims=True)
    is_none = (figure == 0) & np.isfinite(least)
    value = np.where(is_none, least / 2, np.where(some, figure, np.nan))
    return np.log(value), np.where(is_none, NONE_VARIANCE, variance)


def weekly_of(
    snapshot: Snapshot,
    design: Design,
    estimators: Sequence[TotalEstimator],
    analyses: Mapping[str, Analysis],
    *,
    areas: Sequence[str] = (),
) -> WeeklySeries:
    """Return the weekly figures of a season through its last week with data.

    A weekly standard error rests on few units and would weigh by chance, so that a log's variance
    is taken as one number of an area over the units of the week: the mean of ``n (se/estimate)²``,
    weighted by degrees of freedom. Our choice, no source. `areas` order the result; those of the
    design where none is given.
    """
    whole = season_days(snapshot, design.season)
    days = whole[whole["week"] <= design.through]
    later = set(whole["area"]) - set(days["area"])
    first = min([*days["week"], *design.weeks])
    weeks = weeks_between(first, design.through)
    areas = tuple(areas) or design.areas
    boats = day_effects(snapshot, days, season=design.season, areas=areas)
    rows = {
        name: _rows(design, estimators, name, analyses[name], weeks=weeks, areas=areas)
        for name in PROJECTED_FROM
    }
    return WeeklySeries(
        season=design.season,
        areas=areas,
        weeks=weeks,
        figure={name: one[0] for name, one in rows.items()},
        variance={name: one[1] for name, one in rows.items()},
        weighted_open_days=weighted_open_days(days, boats, areas, weeks, later=later),
        fishable_share=_fishable_share(boats, n_areas=len(areas), weeks=weeks),
        days=boats,
    )


def weighted_open_days(
    days: pd.DataFrame,
    boats: DayEffects,
    areas: Sequence[str],
    weeks: Sequence[str],
    *,
    later: Container[str],
) -> Floats:
    """Return open days by area and week with their weights, shape (A, T).

    An area that no opening names is open whenever any is: boats of other ramps fish there. Those
    that open `later` have no open day yet.
    """
    name, named = pd.factorize(days["area"])
    day = days["date"].to_numpy().astype("datetime64[D]")
    # Each area and day once: an area may have two openings that day.
    listed = _first_of(name * len(day) + np.unique(day, return_inverse=True)[1])
    anywhere = listed[_first_of(day[listed])]
    at = pd.Index(weeks).get_indexer(pd.Index(days["week"]))
    digit, of_area = boats.digit(day), named.get_indexer(pd.Index(areas))
    sums = np.zeros((len(areas), len(weeks)))
    for code, own in enumerate(of_area):
        mine = listed[name[listed] == own] if own >= 0 or areas[code] in later else anywhere
        mine = mine[at[mine] >= 0]
        sums[code] = np.bincount(at[mine], boats.weight[code, digit[mine]], minlength=len(weeks))
    return sums


def _first_of(values: NDArray[Any]) -> Ints:
    """Return the places at which each value stands first, in their order."""
    return np.sort(np.unique(values, return_index=True)[1])


def _fishable_share(boats: DayEffects, *, n_areas: int, weeks: Sequence[str]) -> Floats:
    """Return the share of each area and week that weather left, shape (A, T).

    Where no site-day tells it the mean of the week's other areas stands in, then that of all.
    """
    unfishable = np.full((n_areas, len(weeks)), np.nan)
    for (area, week), share in boats.unfishable.items():
        unfishable[area, weeks.index(week)] = share
    known = np.isfinite(unfishable)
    gone = np.where(known, unfishable, 0.0)
    overall = gone.sum() / max(known.sum(), 1)
    n_week = known.sum(axis=0)
    of_week = np.where(n_week > 0, gone.sum(axis=0) / np.maximum(n_week, 1), overall)
    return np.asarray(1 - np.where(known, unfishable, of_week) * (1 - boats.weather.share))


def codes_of_areas(areas: Sequence[str], flag: Bools, name: str, **more: int) -> list[str]:
    """Return the code of the areas that are flagged, none where none is."""
    flagged = [area for area, one in zip(areas, flag, strict=True) if one]
    return [coded(name, areas=flagged, **more)] if flagged else []


def _rows(
    design: Design,
    estimators: Sequence[TotalEstimator],
    name: str,
    analysis: Analysis,
    *,
    weeks: Sequence[str],
    areas: Sequence[str],
) -> tuple[Floats, Floats]:
    """Return figures of one quantity by area and week, and the variances of their logs."""
    domains = Domains(by_area=True, by_week=True, n_weeks=len(design.weeks))
    shape = (len(areas), len(weeks))
    figure, se, n, df = (np.full(shape, np.nan) for _ in range(4))
    place = {week: at for at, week in enumerate(weeks)}
    for estimator in estimators:
        totals = estimator.totals(analysis, domains)
        if not estimator.has_responses(analysis):
            continue
        figures = catch_figures(QUANTITIES[name].kind, totals)
        for at, code in enumerate(totals.code.tolist()):
            area, week = domains.cell(code)
            if area is None or week is None or design.weeks[week] not in place:
                continue
            if design.areas[area] not in areas:
                continue
            row = result_row(design, totals, figures, at, area=area, level=0.95)
            cell = (areas.index(design.areas[area]), place[design.weeks[week]])
            if np.isfinite(figure[cell]) or row.get("estimate") is None or not row["n_psu"]:
                continue
            figure[cell], n[cell], df[cell] = row["estimate"], row["n_psu"], row["df"]
            se[cell] = row.get("se") or np.nan
    return figure, log_variance(figure, se, n, df, is_share=name == SHARE)


def log_variance(
    figure: Floats, se: Floats, n: Floats, df: Floats, *, is_share: bool = False
) -> Floats:
    """Return variances of the logs (logits of shares) of weekly figures, shape (A, T).

    From `n` units and `df` degrees of freedom each, see `weekly_of`; NaN where there is no figure.
    """
    scale = figure * (1 - figure) if is_share else figure
    relative = np.divide(se, scale, out=np.full_like(se, np.nan), where=scale > 0) ** 2
    return np.asarray(np.log1p(_pooled(n * relative, df) / n))


def _pooled(unit: Floats, df: Floats) -> Floats:
    """Return the relative variance of one unit by area, shape (A, 1)."""
    weight = np.where(np.isfinite(unit) & (df > 0), df, 0.0)
    known = np.where(weight > 0, unit, 0.0)
    total = weight.sum()
    overall = (weight * known).sum() / total if total > 0 else _DEFAULT
    # An area's own counts by its degrees of freedom, that of all areas as four more.
    own = (weight * known).sum(axis=1) + 4 * overall
    return np.asarray((own / (weight.sum(axis=1) + 4))[:, None])


#: Tables of a past season beside its interviews: all that its projections read.
_WHOLE = ("areas", "sites", "release_rates", "drop_off")
#: Rows in any order: two sums of hashes, each hashed again so that cells do not cancel out.
_OF_ROWS = """
SELECT of_day.season, count(*) AS n, sum(hash(i.of_row)) AS total, bit_xor(hash(i.of_row, 1)) AS odd
FROM (SELECT sample_id, hash({columns}) AS of_row FROM interviews) i
JOIN of_day USING (sample_id) GROUP BY of_day.season
"""
_INTERVIEWS = "SELECT i.* FROM interviews i SEMI JOIN days USING (sample_id) ORDER BY interview_id"


@dataclass(frozen=True, slots=True, eq=False)
class PastSeasons:
    """Weekly figures of the seasons before one, oldest first.

    - `failed`: code of why a season with data has no weekly figures.
    - `keys`: by season, a hash of all that its projections read of it; empty where nothing is kept.
    """

    weekly: list[WeeklySeries] = field(default_factory=list)
    failed: Mapping[str, str] = field(default_factory=dict)
    keys: Mapping[str, str] = field(default_factory=dict)

    @property
    def key(self) -> str:
        """Names and hashes of the seasons that have weekly figures."""
        return json.dumps([[one.season, self.keys.get(one.season)] for one in self.weekly])


def past_seasons(snapshot: Snapshot, *, season: str, kept: Kept = NOT_KEPT) -> PastSeasons:
    """Return the weekly figures of every season with data before one; those kept are not made."""
    names = seasons_before(snapshot, season)
    keys = season_keys(snapshot, names) if kept.is_used else {}
    found: list[WeeklySeries] = []
    failed: dict[str, str] = {}
    for one in names:
        make = partial(_made, snapshot, one)
        arrays = Arrays.of(kept.table("past_weekly", keys.get(one, ""), make))
        if "reason" in arrays.about:
            failed[one] = arrays.about["reason"]
        else:
            found.append(_weekly(arrays))
    return PastSeasons(found, failed, keys)


def past_weekly(snapshot: Snapshot, *, season: str) -> list[WeeklySeries]:
    """Return the weekly figures of every season with data before one that has any."""
    return past_seasons(snapshot, season=season).weekly


def season_alone(snapshot: Snapshot, season: str) -> Snapshot:
    """Return a snapshot with what a past season's projections read of it, and no other row.

    Its site-days, their interviews, its openings and holidays, places and rates of death. Its fish
    are not needed. Of interviews that lie in memory it is made once.
    """
    source = snapshot.source("interviews")

    def make() -> Snapshot:
        tables = _beside_interviews(snapshot, season)
        days = tables["site_days"].select(["sample_id"])
        found = query.run(_INTERVIEWS, {"interviews": source, "days": days})
        return Snapshot.of(tables | {"interviews": found}, version=snapshot.version)

    is_held = isinstance(source, pa.Table)
    return snapshot.once(("season alone", season), make) if is_held else make()


def season_keys(snapshot: Snapshot, seasons: Sequence[str]) -> dict[str, str]:
    """Return a hash of the rows of `season_alone` by season; interviews are read in one pass."""
    tables = {one: _beside_interviews(snapshot, one) for one in seasons}
    if not tables:
        return {}
    of_day = pa.concat_tables(
        days.select(["sample_id"]).append_column("season", pa.repeat(name, len(days)))
        for name, one in tables.items()
        for days in [one["site_days"]]
    )
    columns = ", ".join(query.name(one.name) for one in TABLES["interviews"].columns)
    rows = query.run(
        _OF_ROWS.format(columns=columns),
        {"interviews": snapshot.source("interviews"), "of_day": of_day},
    ).to_pylist()
    of_rows = {row["season"]: f"{row['n']} {row['total']} {row['odd']}" for row in rows}
    return {name: f"{content_key(one)} {of_rows.get(name, 'none')}" for name, one in tables.items()}


def _beside_interviews(snapshot: Snapshot, season: str) -> dict[str, pa.Table]:
    """Return the rows of a season in the tables that its projections read, without interviews."""
    openings = snapshot["seasons"].filter(pc.equal(snapshot["seasons"]["season"], season))
    first, last = pc.min(openings["open_date"]), pc.max(openings["close_date"])

    def inside(name: str) -> pa.Table:
        table = snapshot[name]
        on = table["date"]
        return table.filter(pc.and_(pc.greater_equal(on, first), pc.less_equal(on, last)))

    days = inside("site_days")
    planned = snapshot["planned_site_days"]
    mine = pc.is_in(planned["sample_id"], value_set=days["sample_id"].combine_chunks())
    return {name: snapshot[name] for name in _WHOLE} | {
        "seasons": openings,
        "holidays": inside("holidays"),
        "site_days": days,
        "planned_site_days": planned.filter(mine),
    }


def _made(snapshot: Snapshot, season: str) -> pa.Table:
    """Make the weekly figures of a season; where they cannot be made, the code of why."""
    try:
        found = _arrays(_from_data(season_alone(snapshot, season), season=season))
    except BlackmouthError as error:
        found = Arrays({"reason": error_code(error)}, {})
    return found.to_table()


def _from_data(snapshot: Snapshot, *, season: str) -> WeeklySeries:
    design = build_design(snapshot, season=season)
    every = catch_analyses()
    analyses = {name: every[name] for name in PROJECTED_FROM}
    reduction = Reduction(
        snapshot.source("interviews"),
        design=design,
        measures=catch_measures(),
        analyses=analyses.values(),
    )
    estimator = DesignEstimator(design, StratumTreatments(design), reduction)
    return weekly_of(snapshot, design, [estimator], analyses)


# Weekly figures as they are kept.

#: Arrays of `DayEffects`, which are kept under their own names.
_OF_DAYS = ("weight", "kind", "log_se", "day_cv2", "has_boats")


def _arrays(weekly: WeeklySeries) -> Arrays:
    days = weekly.days
    arrays = {f"figure {name}": one for name, one in weekly.figure.items()}
    arrays |= {f"variance {name}": one for name, one in weekly.variance.items()}
    arrays |= {name: getattr(weekly, name) for name in ("weighted_open_days", "fishable_share")}
    arrays |= {name: getattr(days, name) for name in _OF_DAYS}
    return Arrays(
        {
            "season": weekly.season,
            "areas": weekly.areas,
            "weeks": weekly.weeks,
            "weather": [getattr(days.weather, one.name) for one in fields(Weather)],
            "unfishable": [[int(a), week, float(x)] for (a, week), x in days.unfishable.items()],
            "holidays": sorted(map(str, days.holidays)),
        },
        arrays,
    )


def _weekly(kept: Arrays) -> WeeklySeries:
    about, arrays = kept.about, kept.arrays
    days = DayEffects(
        weight=arrays["weight"],
        kind=arrays["kind"].astype(np.int64),
        log_se=arrays["log_se"],
        day_cv2=arrays["day_cv2"],
        weather=Weather(*about["weather"]),
        unfishable={(area, week): share for area, week, share in about["unfishable"]},
        holidays=frozenset(np.datetime64(day, "D") for day in about["holidays"]),
        has_boats=arrays["has_boats"].astype(bool),
    )
    return WeeklySeries(
        season=about["season"],
        areas=tuple(about["areas"]),
        weeks=tuple(about["weeks"]),
        figure={name: arrays[f"figure {name}"] for name in PROJECTED_FROM},
        variance={name: arrays[f"variance {name}"] for name in PROJECTED_FROM},
        weighted_open_days=arrays["weighted_open_days"],
        fishable_share=arrays["fishable_share"],
        days=days,
    )


# Courses of past seasons, as they are kept.


@dataclass(frozen=True, slots=True, eq=False)
class Patterns(MakesOnce):
    """Patterns of the same past seasons by name, each made once.

    Those of the seasons' own figures alone are kept where the data of these have a `key`.
    """

    kept: Kept = NOT_KEPT
    key: str = ""
    _made: dict[object, Any] = field(default_factory=dict, init=False)

    def of_past(
        self,
        name: str,
        figures: Callable[[], Sequence[Figures]],
        *,
        areas: Sequence[str],
        first: str,
    ) -> SeasonalPattern:
        """Return the pattern of the figures of past seasons, as `pattern_of`."""
        key = json.dumps([self.key, name, list(areas), first])

        def table() -> pa.Table:
            return _of_pattern(pattern_of(figures(), areas=areas, first=first)).to_table()

        def make() -> SeasonalPattern:
            return _pattern(Arrays.of(self.kept.table("past_pattern", key, table)))

        return self.once(name, make)


_VALUES = ("anchor", "level_variance", "rho", "is_known")
_ARRAYS = ("level", "shape", "growth", "log_weight", "departure")


def _of_pattern(pattern: SeasonalPattern) -> Arrays:
    arrays = {name: getattr(pattern, name) for name in _ARRAYS}
    known = {name: one for name, one in arrays.items() if one is not None}
    return Arrays({name: getattr(pattern, name) for name in _VALUES}, known)


def _pattern(kept: Arrays) -> SeasonalPattern:
    fields: dict[str, Any] = {**kept.about, **kept.arrays}
    return SeasonalPattern(**fields)
