"""The draws on which a season's options are compared, put together from a snapshot."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.codes import coded, error_code, join_codes
from analytics.data import query
from analytics.data.calendar import trip_tables
from analytics.errors import UsageError
from analytics.fish.lengths import measured_fish
from analytics.models import fit_censored_catch
from analytics.options.baseline import Baseline
from analytics.outlook.calibration import widened
from analytics.outlook.days_ahead import effort_ahead, rates_ahead, shares_ahead
from analytics.outlook.parts_to_date import marked_draws
from analytics.outlook.season_days import AFTER_CLOSE, MOST_WEEKS, season_calendar
from analytics.outlook.to_date_draws import over_areas, to_date_draws
from analytics.outlook.weekly_series import PROJECTED_FROM, past_weekly, weekly_of
from analytics.weeks import weeks_between

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from analytics.arrays import Floats, Ints
    from analytics.estimates.season_survey import SeasonSurvey
    from analytics.outlook.season_days import SeasonCalendar
    from analytics.outlook.to_date_draws import ToDate
    from analytics.outlook.weekly_series import Patterns, WeeklySeries

    Float32 = NDArray[np.float32]
    Row = dict[str, Any]


# What is to come of a season under any rules: effort by day, catch rates by week, as draws.

_SO_FAR = ("angler_trips", "encounter_fish", "released_sublegal_fish")


@dataclass(frozen=True, slots=True, eq=False)
class Projection:
    """What is to come, D draws over A areas, N days and W weeks; `assumed` holds codes.

    - `effort` (D, A, N): angler trips of a day, were it open under today's rules, unfishable days
      included; NaN for an area of whose effort or catch rate nothing is known.
    - `rate` (D, A, W): encounters per angler trip; 0 where `effort` is NaN.
    - `sublegal` (D, A, W): share of encounters released as sublegal.
    """

    effort: Float32
    rate: Float32
    sublegal: Float32
    assumed: tuple[str, ...]

    def widened(self, factor: float) -> Projection:
        """Return the same medians with logs, and logits of shares, as many times as far off."""
        if factor == 1.0:
            return self
        with np.errstate(divide="ignore", invalid="ignore"):
            odds = widened(self.sublegal / (1 - self.sublegal), factor)
            share = np.where(np.isfinite(odds), odds / (1 + odds), self.sublegal)
        return replace(
            self,
            effort=widened(self.effort, factor).astype(np.float32),
            rate=widened(self.rate, factor).astype(np.float32),
            sublegal=share.astype(np.float32),
        )


def project_season(
    season: SeasonSurvey,
    to_date: ToDate,
    rates: Mapping[str, pa.Table],
    *,
    days: NDArray[np.datetime64],
    weeks: Sequence[str],
    rng: np.random.Generator,
    past: Sequence[WeeklySeries] | None = None,
    patterns: Patterns | None = None,
) -> Projection:
    """Draw what is to come of a season on N consecutive days after its data, in their W weeks.

    `rates` are the bulletin's `index` and `seasonal_pattern`; either may be absent or empty, and
    the survey's own weekly rates stand in.
    """
    if not len(days):
        none = np.zeros((*to_date.by_method.shape[:2], 0), dtype=np.float32)
        return Projection(none, none.copy(), none.copy(), ())
    analyses = {name: season.analyses[name] for name in PROJECTED_FROM}
    now = weekly_of(
        season.snapshot, season.design, season.estimators, analyses, areas=to_date.areas
    )
    if past is None:
        past = past_weekly(season.snapshot, season=season.design.season)
    return project_weekly(
        now, past, to_date.to_date, rates, days=days, weeks=weeks, rng=rng, patterns=patterns
    )


def project_weekly(
    now: WeeklySeries,
    past: Sequence[WeeklySeries],
    to_date: Mapping[str, Floats],
    rates: Mapping[str, pa.Table],
    *,
    days: NDArray[np.datetime64],
    weeks: Sequence[str],
    rng: np.random.Generator,
    patterns: Patterns | None = None,
) -> Projection:
    """Draw what is to come from weekly figures and draws (D, A) of totals so far, by quantity.

    `patterns` of the same past seasons are filled once and serve every week of a season.
    """
    ahead = weeks_ahead(now.weeks[-1], weeks)
    trips, met, sublegal = (np.asarray(to_date[name], dtype=np.float64) for name in _SO_FAR)
    given: dict[str, Any] = {"ahead": ahead, "rng": rng, "patterns": patterns}
    effort = effort_ahead(now, past, trips, days=days, **given)
    rate = rates_ahead(now, past, rates, met=met, trips=trips, effort=effort, **given)
    share = shares_ahead(
        now, past, rates, sublegal=sublegal, met=met, so_far=effort.so_far, **given
    )
    every = [*now.weeks, *ahead]
    at = [every.index(week) for week in weeks]
    of_weeks = rate.draws[:, :, at].astype(np.float32)
    # A catch rate that is not known makes the effort of no use: one of them says so. Where no trip
    # is expected none is needed.
    unknown = np.isnan(of_weeks).any(axis=(0, 2))
    effort.effort[:, unknown & ~effort.is_none] = np.nan
    of_weeks[:, unknown] = 0.0
    return Projection(
        effort=effort.effort,
        rate=of_weeks,
        sublegal=share.draws[:, :, at].astype(np.float32),
        assumed=(*effort.assumed, *rate.assumed, *share.assumed),
    )


def weeks_ahead(last: str, weeks: Sequence[str]) -> tuple[str, ...]:
    """Return every ISO week after one through the last of some, closed ones included."""
    if not len(weeks):
        return ()
    return weeks_between(last, max(weeks))[1:]


# What boats would keep and how many anglers they carry, from the season's interviews.

#: Boats with more anglers than this count as boats of this many.
MOST_ANGLERS = 12
_BOATS = """
SELECT t.sample_id, t.area, t.anglers, t.kept, max(q.daily_limit_fish) AS most
FROM trips t SEMI JOIN days USING (sample_id)
LEFT JOIN seasons q ON q.season = $season AND q.area = t.area
    AND t.on_day BETWEEN q.open_date AND q.close_date
WHERE coalesce(t.trip_complete, true) AND t.anglers >= 1 AND t.kept IS NOT NULL
GROUP BY t.interview_id, t.sample_id, t.area, t.anglers, t.kept ORDER BY t.interview_id
"""


@dataclass(frozen=True, slots=True, eq=False)
class Boats:
    """Boats of a season, D draws over A areas; `assumed` holds codes.

    - `uncapped_mean` (D, A): fish an angler would keep in a trip had he no daily limit; NaN where
      it cannot be given. `uncapped_size` (D,): size of its negative binomial.
    - `party_size_share` (A, P): share of boats with 1, 2, ... P anglers.
    """

    uncapped_mean: Floats
    uncapped_size: Floats
    party_size_share: Floats
    assumed: tuple[str, ...]


def boats_of(
    season: SeasonSurvey, *, areas: tuple[str, ...], rng: np.random.Generator, n_draws: int
) -> Boats:
    """Fit what boats would keep, and count anglers aboard.

    An area without a boat so far takes the mean and the parties of all areas.
    """
    found = _boats(season)
    area = np.asarray(found["area"].to_pylist(), dtype=str)
    anglers = np.asarray(found["anglers"].to_numpy(), dtype=np.int64)
    kept, most = (np.asarray(found[name].to_numpy(), dtype=np.float64) for name in ("kept", "most"))
    party = _party_size_share(area, anglers, areas)
    mean, size = np.full((n_draws, len(areas)), np.nan), np.full(n_draws, np.inf)
    try:
        uncapped = fit_censored_catch(kept, anglers, most, area.tolist())
    except UsageError as problem:
        why = join_codes([coded("uncapped_not_known"), error_code(problem)])
        return Boats(mean, size, party, (why,))
    drawn, size = uncapped.draws(rng, n_draws)
    known = np.flatnonzero(~np.isnan(uncapped.mean)).tolist()
    n_boats = uncapped.n_boats[known]
    weight = n_boats / max(int(n_boats.sum()), 1)
    mean[:] = (drawn[:, known] @ weight)[:, None] if known else np.nan
    for place in known:
        if uncapped.areas[place] in areas:
            mean[:, areas.index(uncapped.areas[place])] = drawn[:, place]
    assumed = [
        join_codes([coded("uncapped_of_all", areas=[name]), uncapped.reasons[name]])
        for place, name in enumerate(uncapped.areas)
        if place not in known
    ]
    without = [one for one in areas if one not in uncapped.areas]
    if without:
        assumed.append(coded("boats_of_all", areas=without))
    return Boats(mean, size, party, tuple(assumed))


def _boats(season: SeasonSurvey) -> pa.Table:
    """Return the boats of a season's site-days; those of a complete season serve its weeks."""
    whole = season.whole or season
    snapshot, name = season.snapshot, season.design.season

    def read() -> pa.Table:
        days = pa.table({"sample_id": pa.array(whole.design.site_days.sample_id, pa.string())})
        return query.run(_BOATS, trip_tables(snapshot) | {"days": days}, {"season": name})

    found: pa.Table = whole.once("boats", read) if season.whole else read()
    if season.whole:
        mine = pa.array(season.design.site_days.sample_id, pa.string())
        found = found.filter(pc.is_in(found["sample_id"], value_set=mine))
    return found


def _party_size_share(area: NDArray[np.str_], anglers: Ints, areas: tuple[str, ...]) -> Floats:
    """Return the share of boats by anglers aboard, shape (A, P)."""
    aboard = np.minimum(anglers, MOST_ANGLERS)
    width = int(aboard.max(initial=1))
    all_boats = np.bincount(aboard, minlength=width + 1)[1:].astype(np.float64)
    if not all_boats.sum():
        all_boats[0] = 1.0
    rows = []
    for one in areas:
        mine = np.bincount(aboard[area == one], minlength=width + 1)[1:].astype(np.float64)
        counted = mine if mine.sum() else all_boats
        rows.append(counted / counted.sum())
    return np.stack(rows)


#: Draws that a bulletin keeps.
N_DRAWS = 2_000
#: Seed of the draws: the same data give the same outlook.
SEED = 20_360_217


@dataclass(frozen=True, slots=True, eq=False)
class ProjectionResult:
    """A baseline with what it was made from; `assumed` holds codes of assumptions."""

    baseline: Baseline
    to_date: ToDate
    calendar: SeasonCalendar
    past: Sequence[WeeklySeries]
    assumed: tuple[str, ...]


def project_from(
    season: SeasonSurvey,
    rates: Mapping[str, pa.Table],
    *,
    n_draws: int = N_DRAWS,
    seed: int = SEED,
    level: float = 0.95,
    rows: Iterable[Row] | None = None,
    past: Sequence[WeeklySeries] | None = None,
    patterns: Patterns | None = None,
    width: float = 1.0,
) -> ProjectionResult:
    """Draw a season so far and its days to come, D draws.

    The same data and seed give the same draws. `rates` are the bulletin's tables of modelled rates,
    `rows` as in `to_date_draws`, `past` the weekly figures of the seasons before where they are at
    hand and `patterns` what was made of them; `width` is the factor of all that is ahead about its
    median, on the log scale.
    """
    so_far, boat, to_come, lengths, marks = (
        np.random.default_rng(one) for one in np.random.SeedSequence(seed).spawn(5)
    )
    name, through = season.design.season, season.design.through
    to_date = to_date_draws(season, rng=so_far, n_draws=n_draws, rows=rows)
    areas = to_date.areas
    calendar = season_calendar(season.snapshot, season=name, through=through, areas=areas)
    if past is None:
        # A season that is over is not projected, and asks for no trust in projections.
        past = past_weekly(season.snapshot, season=name) if len(calendar.days) else []
    boats = boats_of(season, areas=areas, rng=boat, n_draws=n_draws)
    ahead = project_season(
        season,
        to_date,
        rates,
        days=calendar.days,
        weeks=calendar.weeks,
        rng=to_come,
        past=past,
        patterns=patterns,
    ).widened(width)
    keys = [f"length {area}" for area in ("", *areas)]
    normal = dict(to_date.normal) | {key: lengths.standard_normal(n_draws) for key in keys}
    baseline = _baseline(season, to_date, calendar, ahead=ahead, boats=boats)
    marked = over_areas(
        marked_draws(season, marks, n_draws), season.design.areas, areas, fill=np.nan
    )
    baseline = replace(
        baseline, normal=_single(normal), level=level, marked_prop=marked.astype(np.float32)
    )
    assumed = (*to_date.assumed, *ahead.assumed, *_days_to_come(calendar), *boats.assumed)
    return ProjectionResult(baseline, to_date, calendar, past, assumed)


def _baseline(
    season: SeasonSurvey,
    to_date: ToDate,
    calendar: SeasonCalendar,
    *,
    ahead: Projection,
    boats: Boats,
) -> Baseline:
    """Return the draws as a baseline keeps them, in single precision."""
    return Baseline(
        season=season.design.season,
        through=calendar.through,
        areas=to_date.areas,
        methods=to_date.methods,
        weeks=calendar.weeks,
        days=calendar.days,
        week=calendar.week,
        rules=calendar.rules,
        rules_to_date=calendar.rules_to_date,
        to_date=_single(to_date.to_date),
        by_method=to_date.by_method.astype(np.float32),
        deep_hook_share=to_date.deep_hook_share.astype(np.float32),
        effort=ahead.effort,
        rate=ahead.rate,
        sublegal=ahead.sublegal,
        class_per_fish=_single(to_date.class_per_fish),
        uncapped_mean=boats.uncapped_mean.astype(np.float32),
        uncapped_size=boats.uncapped_size.astype(np.float32),
        party_size_share=boats.party_size_share,
        rates=tuple(season.snapshot["release_rates"].to_pylist()),
        drop_off_rates=tuple(season.snapshot["drop_off"].to_pylist()),
        normal={},
        lengths=_lengths(season),
    )


def _single(values: Mapping[str, Floats]) -> dict[str, Float32]:
    return {name: one.astype(np.float32) for name, one in values.items()}


def _lengths(season: SeasonSurvey) -> dict[tuple[str, str], Floats]:
    """Return total lengths by area and size; of sublegal fish from test fishing alone.

    Anglers may not land a fish under the line, so those at the dock stand for no others.
    """
    if not season.snapshot["fish"].num_rows:
        return {}
    fish = measured_fish(
        season.snapshot, season=season.design.season, through=season.design.through
    )
    fish = fish.filter(pc.is_valid(fish["is_legal"]))
    area = np.asarray(fish["area"].to_pylist(), dtype=str)
    long = np.asarray(fish["total_mm"].to_numpy(), dtype=np.float64)
    is_legal = np.asarray(fish["is_legal"].to_pylist(), dtype=bool)
    is_test = np.asarray(fish["source"].to_pylist(), dtype=str) == "test_fishing"
    kinds = {"legal": is_legal, "sublegal": ~is_legal & is_test}
    found = {}
    for name in ("", *sorted(set(area.tolist()))):
        here = np.ones(len(area), dtype=bool) if not name else area == name
        for kind, mine in kinds.items():
            if (here & mine).any():
                found[name, kind] = np.sort(long[here & mine])
    return found


def _days_to_come(calendar: SeasonCalendar) -> list[str]:
    """Return what the days to come and the boats rest on, as codes."""
    boats = coded("most_anglers", n=MOST_ANGLERS)
    if not len(calendar.days):
        return [boats]
    first, last = (str(calendar.days[at]) for at in (0, -1))
    days = coded("days_to_come", first=first, last=last, days=AFTER_CLOSE, weeks=MOST_WEEKS)
    return [days, boats]
