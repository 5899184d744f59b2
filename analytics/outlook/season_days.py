"""Days of a season: rules of each area on those to come, and what boats say of those so far.

Rules of days to come are from the table of seasons. Boats returned at sampled site-days say what
weekdays, day-to-day variation and weather do.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analytics.data.calendar import SUNDAY, season_days
from analytics.data.schema import TABLES
from analytics.options.baseline import Rules
from analytics.weeks import days_from, week_end, week_number, week_of_days, weekday_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from analytics.arrays import Bools, Floats, Ints
    from analytics.data.snapshot import Snapshot


#: Days after the last planned close on which an option may still open.
AFTER_CLOSE = 28
#: The most weeks to come.
MOST_WEEKS = 53


@dataclass(frozen=True, slots=True, eq=False)
class SeasonCalendar:
    """The calendar of A areas of a season around `through`, the last day of its totals.

    - `days` (N,), `weeks`, `week` (N,): days to come, their ISO weeks, and the index of each day's
      week; none of a season that is over.
    - `rules`: of the days to come; `rules_to_date`: of the most open days so far, N = 1, or of an
      area's first opening where it is not open yet.
    - `last_open`: last open day of each area of the season.
    """

    areas: tuple[str, ...]
    through: date
    days: NDArray[np.datetime64]
    weeks: tuple[str, ...]
    week: Ints
    rules: Rules
    rules_to_date: Rules
    last_open: dict[str, date]

    def planned_close(self, areas: Sequence[str]) -> date | None:
        """Return the last open day of some areas; None where none is ever open."""
        return max((self.last_open[one] for one in areas if one in self.last_open), default=None)


def season_calendar(
    snapshot: Snapshot, *, season: str, through: str, areas: tuple[str, ...]
) -> SeasonCalendar:
    """Return the days to come of a season.

    They run from the day after `through` to the Sunday on or after 28 days past the last planned
    close, for at most 53 weeks. The totals run through the Sunday of `through`, or the season's
    last open day where that is earlier.

    Parameters
    ----------
    snapshot : Snapshot
    season : str
    through : str
        Last ISO week of the totals.
    areas : tuple of str
    """
    opened = season_days(snapshot, season)
    last = {str(area): one.date() for area, one in opened.groupby("area")["date"].max().items()}
    end = max(last.values())
    sunday = week_end(through)
    day = min(sunday, end)
    days = days_from(sunday + timedelta(days=1), 0 if end <= sunday else _n_days(sunday, end))
    labels = week_of_days(days)
    weeks = tuple(dict.fromkeys(labels))
    openings = [row for row in snapshot["seasons"].to_pylist() if row["season"] == season]
    is_open = {(str(a), d.date()) for a, d in zip(opened["area"], opened["date"], strict=True)}
    return SeasonCalendar(
        areas=areas,
        through=day,
        days=days,
        weeks=weeks,
        week=np.array([weeks.index(one) for one in labels], dtype=np.int64),
        rules=_rules(openings, areas, days, is_open),
        rules_to_date=_rules_to_date(
            openings, areas, day, is_open, first=sunday + timedelta(days=1)
        ),
        last_open=last,
    )


def _n_days(sunday: date, end: date) -> int:
    last = end + timedelta(days=AFTER_CLOSE)
    last += timedelta(days=6 - last.weekday())
    return min((last - sunday).days, 7 * MOST_WEEKS)


def _rules(
    openings: Sequence[dict[str, Any]],
    areas: tuple[str, ...],
    days: NDArray[np.datetime64],
    is_open: set[tuple[str, date]],
) -> Rules:
    """Return the rules of each day: of the opening that holds it, else of the nearest."""
    civil: list[date] = days.astype(object).tolist()
    nearest = [_nearest([one for one in openings if one["area"] == area], days) for area in areas]
    numbers = [[[_number(one, name) for name in _FIELDS] for one in row] for row in nearest]
    shape = (len(areas), len(days))
    length, limit, selective = np.moveaxis(
        np.array(numbers, dtype=np.float64).reshape(*shape, len(_FIELDS)), -1, 0
    )
    opened = [[(area, day) in is_open for day in civil] for area in areas]
    return Rules(np.array(opened, dtype=bool).reshape(shape), length, limit, selective > 0)


_FIELDS = ("min_length_mm", "daily_limit_fish", "mark_selective")


def _number(opening: dict[str, Any] | None, field: str) -> float:
    value = None if opening is None else opening[field]
    return float("nan") if value is None else float(value)


def _nearest(
    openings: Sequence[dict[str, Any]], days: NDArray[np.datetime64]
) -> list[dict[str, Any] | None]:
    """Return the opening that holds each day, else the nearest; the later one at a tie."""
    if not openings:
        return [None] * len(days)
    ranked = sorted(openings, key=lambda one: one["open_date"], reverse=True)
    begins, ends = (
        np.array([one[name] for one in ranked], dtype="datetime64[D]")
        for name in ("open_date", "close_date")
    )
    before = (begins - days[:, None]).astype(np.int64)
    after = (days[:, None] - ends).astype(np.int64)
    return [ranked[place] for place in np.maximum(np.maximum(before, after), 0).argmin(axis=1)]


def _rules_to_date(
    openings: Sequence[dict[str, Any]],
    areas: tuple[str, ...],
    through: date,
    is_open: set[tuple[str, date]],
    *,
    first: date,
) -> Rules:
    """Return the rules that most open days so far were fished under, shape (A, 1).

    `is_open`: whether the opening of the next open day has begun by the `first` day to come.
    """
    found = []
    for place, area in enumerate(areas):
        past = sorted(day for name, day in is_open if name == area and day <= through)
        ahead = min((day for name, day in is_open if name == area), default=through)
        days = np.array(past or [ahead], dtype="datetime64[D]")
        mine = _rules(openings, areas[place : place + 1], days, is_open)
        rules = np.stack(
            [mine.min_length_mm, mine.daily_limit_fish, mine.is_mark_selective], axis=-1
        )
        kinds, count = np.unique(rules[0], axis=0, return_counts=True, equal_nan=True)
        coming = min((day for name, day in is_open if name == area and day >= first), default=None)
        runs = coming is not None and any(
            one["area"] == area and one["open_date"] <= first and coming <= one["close_date"]
            for one in openings
        )
        found.append((runs, *kinds[count.argmax()]))
    table = np.array(found, dtype=np.float64).reshape(len(areas), 4)[:, :, None]
    return Rules(table[:, 0] > 0, table[:, 1], table[:, 2], table[:, 3] > 0)


#: Weeks over which the usual number of boats of a site is taken to be level.
BLOCK = 4
#: A sampled date is unfishable at or below this share of the usual boats of its sampled ramps;
#: dates that usually have fewer than `LEAST_BOATS` there do not count. Our choice, no source.
UNFISHABLE_SHARE, LEAST_BOATS = 0.25, 4.0
#: Site-days from which an area tells its own variation from day to day.
LEAST_SITE_DAYS = 20
#: The variance of an area's day over its mean squared is no higher than this.
MOST_NOISE = 4.0
_ROUNDS = 30


@dataclass(frozen=True, slots=True)
class Weather:
    """Sampled dates that could tell weather, those unfishable, and those after an unfishable one.

    `n_again` of the `n_after` were unfishable again; `share`: boats on such dates over the usual.
    """

    n_dates: int
    n_unfishable: int
    n_after: int
    n_again: int
    share: float


@dataclass(frozen=True, slots=True, eq=False)
class DayEffects:
    """How days of A areas differ.

    - `weight` (A, 7): trips of a day by ISO weekday over the mean of seven; a holiday is a Sunday.
    - `kind` (A, 7): day group of each weekday; `log_se` (A, 7): error of the log of `weight`, one
      for all weekdays of a group.
    - `day_cv2` (A,): variance of a day's trips over their mean squared, unfishable days left out.
    - `unfishable`: by place of the area and ISO week, the share of the usual boats that its
      unfishable dates would have seen, sampled dates standing for their day group.
    - `has_boats` (A,): whether the area's own site-days show its weekdays.
    """

    weight: Floats
    kind: Ints
    log_se: Floats
    day_cv2: Floats
    weather: Weather
    unfishable: Mapping[tuple[int, str], float]
    holidays: frozenset[np.datetime64]
    has_boats: Bools

    def digit(self, days: NDArray[np.datetime64]) -> Ints:
        """Return the place 0 to 6 of each day's weekday, holidays with Sundays."""
        is_holiday = np.isin(days, np.array(sorted(self.holidays), dtype="datetime64[D]"))
        return np.where(is_holiday, SUNDAY, weekday_of(days)) - 1


def day_effects(
    snapshot: Snapshot, days: pd.DataFrame, *, season: str, areas: Sequence[str]
) -> DayEffects:
    """Fit boats at site-days as site times four weeks times day group, area by area.

    The fit is of expected counts in proportion to the product (iterative scaling to the sums of
    each factor, which is the likeliest fit of Poisson counts; from memory: Bishop, Fienberg &
    Holland 1975, Discrete Multivariate Analysis). The variance over it is taken by moments. An area
    without boats of its own takes the mean of the others, or level days. `days` are the season's
    open days so far, as from `analytics.data.calendar.open_days`.
    """
    kind = weekday_groups(snapshot, season=season, areas=areas)
    holidays = frozenset(snapshot["holidays"]["date"].to_numpy().astype("datetime64[D]").tolist())
    rows = snapshot.once(
        ("site-days on open days", season),
        lambda: _on_open_days(snapshot, season_days(snapshot, season)),
    )
    rows = rows[rows["week"].isin(set(days["week"])) & rows["area"].isin(areas)]
    return effects_of(_coded(snapshot, rows, areas=areas), kind=kind, holidays=holidays)


def effects_of(
    rows: pd.DataFrame, *, kind: Ints, holidays: frozenset[Any] = frozenset()
) -> DayEffects:
    """Fit boats at site-days as `day_effects` says.

    `rows`: `date`, `week` and `boats` of each site-day, and codes from 0 of its `area`, `site`,
    `block` of weeks and weekday `digit`; `kind` (A, 7): day group of each weekday.
    """
    group = rows["area"].to_numpy() * 7 + kind[rows["area"].to_numpy(), rows["digit"].to_numpy()]
    every = np.ones(len(rows), dtype=bool)
    is_unfishable, _ = _weather(rows, _fit(rows, group, every)[0])
    usual, effect = _fit(rows, group, ~is_unfishable)
    is_unfishable, weather = _weather(rows, usual)
    fair = rows[~is_unfishable]
    weight, log_se, has = _weights(
        fair, usual[~is_unfishable], group[~is_unfishable], effect, kind=kind
    )
    return DayEffects(
        weight=weight,
        kind=kind,
        log_se=log_se,
        day_cv2=_day_cv2(fair, usual[~is_unfishable], n_areas=len(kind)),
        weather=weather,
        unfishable=_unfishable_of_weeks(rows, usual * is_unfishable, usual, group, kind=kind),
        holidays=frozenset(np.datetime64(day, "D") for day in holidays),
        has_boats=has,
    )


def weekday_groups(snapshot: Snapshot, *, season: str, areas: Sequence[str]) -> Ints:
    """Return the day group of each weekday by area, shape (A, 7).

    A weekday in no group goes with the nearest weekday of one; the last opening of the season
    tells, and an area without one has the default groups.
    """
    default = next(one.default for one in TABLES["seasons"].columns if one.name == "day_groups")
    groups = {
        row["area"]: row["day_groups"] or default
        for row in snapshot["seasons"].to_pylist()
        if row["season"] == season
    }
    return np.array([_groups(str(groups.get(area, default))) for area in areas]).reshape(-1, 7)


def _groups(written: str) -> list[int]:
    digits = {int(one): at for at, part in enumerate(written.split("|")) for one in part}
    return [digits[min(digits, key=lambda one: (abs(one - day), one))] for day in range(1, 8)]


def _on_open_days(snapshot: Snapshot, days: pd.DataFrame) -> pd.DataFrame:
    """Return the site-days with boats counted that lie on open days of their area."""
    rows = snapshot["site_days"].select(["site", "date", "boats_returned"]).to_pandas()
    rows["date"] = pd.to_datetime(rows["date"])
    rows = rows[rows["boats_returned"].notna()]
    rows = rows.merge(snapshot["sites"].select(["site", "area"]).to_pandas(), on="site")
    days = days.drop_duplicates(["area", "date"])[["area", "date", "week", "weekday"]]
    days["date"] = days["date"].astype(rows["date"].dtype)
    found: pd.DataFrame = rows.merge(days, on=["area", "date"])
    return found


def _coded(snapshot: Snapshot, rows: pd.DataFrame, *, areas: Sequence[str]) -> pd.DataFrame:
    """Return site-days of open days with codes of area and site, block of weeks and weekday."""
    rows = rows.reset_index(drop=True)
    code = {area: place for place, area in enumerate(areas)}
    monday = {week: week_number(week) for week in rows["week"].unique()}
    first = min(monday.values(), default=0)
    holiday = rows["date"].isin(pd.to_datetime(snapshot["holidays"]["date"].to_pandas()))
    return pd.DataFrame(
        {
            "date": rows["date"],
            "week": rows["week"],
            "area": rows["area"].map(code).astype(np.int64),
            "site": pd.factorize(rows["site"])[0],
            "block": (rows["week"].map(monday).astype(np.int64) - first) // BLOCK,
            "digit": rows["weekday"].mask(holiday, SUNDAY).astype(np.int64) - 1,
            "boats": rows["boats_returned"].astype(np.float64),
        }
    )


def _fit(rows: pd.DataFrame, group: Ints, used: Bools) -> tuple[Floats, Floats]:
    """Return the usual boats of every site-day by the used ones, and the factor of each group."""
    area, boats = rows["area"].to_numpy(), rows["boats"].to_numpy()
    codes = [rows["site"].to_numpy(), _codes(area * 1000 + rows["block"].to_numpy()), group]
    factors = [np.ones(int(one.max(initial=0)) + 1) for one in codes]
    usual = np.ones(len(rows))
    for _ in range(_ROUNDS):
        for place, code in enumerate(codes):
            seen = _sums(code, boats * used, len(factors[place]))
            expected = _sums(code, usual * used, len(factors[place]))
            ratio = np.divide(seen, expected, out=np.zeros_like(seen), where=expected > 0)
            factors[place] *= ratio
            usual *= ratio[code]
    return usual, factors[2]


def _sums(code: Ints, number: Floats, size: int) -> Floats:
    """Return sums by code as floats, also of no numbers at all."""
    return np.bincount(code, number, minlength=size).astype(np.float64)


def _codes(values: Ints) -> Ints:
    return np.asarray(np.unique(values, return_inverse=True)[1], dtype=np.int64)


def _weather(rows: pd.DataFrame, usual: Floats) -> tuple[Bools, Weather]:
    """Return which site-days lie on an unfishable date, and the counts of such dates."""
    day, place = np.unique(
        rows["date"].to_numpy().astype("datetime64[D]").astype(np.int64), return_inverse=True
    )
    boats, expected = (
        _sums(place, one, len(day)) for one in (rows["boats"].to_numpy(np.float64), usual)
    )
    is_known = expected >= LEAST_BOATS
    gone = is_known & (boats <= UNFISHABLE_SHARE * expected)
    after = np.isin(day[is_known], day[gone] + 1)
    usual_gone = float(expected[gone].sum())
    share = float(boats[gone].sum()) / usual_gone if usual_gone > 0 else 0.0
    again = int(gone[is_known][after].sum())
    found = Weather(int(is_known.sum()), int(gone.sum()), int(after.sum()), again, share)
    return gone[place], found


def _unfishable_of_weeks(
    rows: pd.DataFrame, gone: Floats, usual: Floats, group: Ints, *, kind: Ints
) -> dict[tuple[int, str], float]:
    """Return the share of boats that stayed in, by area and week; those of a group stand for it."""
    same = np.array([(row == row[:, None]).sum(axis=0) for row in kind]).reshape(-1, 7)
    n_days = same[rows["area"].to_numpy(), rows["digit"].to_numpy()]
    week, weeks = pd.factorize(rows["week"], sort=True)
    cell, place = np.unique(rows["area"].to_numpy() * len(weeks) + week, return_inverse=True)
    sampled = _codes(place * (int(group.max(initial=0)) + 1) + group)
    scale = n_days / np.maximum(np.bincount(sampled)[sampled], 1)
    out, usually = (_sums(place, one * scale, len(cell)) for one in (gone, usual))
    return {
        (int(code // len(weeks)), str(weeks[code % len(weeks)])): float(part / of)
        for code, part, of in zip(cell, out, usually, strict=True)
        if of > 0
    }


def _weights(
    rows: pd.DataFrame, usual: Floats, group: Ints, effect: Floats, *, kind: Ints
) -> tuple[Floats, Floats, Bools]:
    """Return weights of weekdays by area, the errors of their logs, and where they were recorded.

    The error follows from the boats behind a group and their variance over Poisson's
    (quasi-Poisson, McCullagh & Nelder 1989, Generalized Linear Models, section 9.2; from memory).
    """
    n_areas = len(kind)
    size = 7 * n_areas
    effect = np.pad(effect, (0, max(size - len(effect), 0)))[:size].reshape(n_areas, 7)
    boats = _sums(group, rows["boats"].to_numpy(np.float64), size).reshape(n_areas, 7)
    weight = np.take_along_axis(effect, kind, axis=1)
    behind = np.take_along_axis(boats, kind, axis=1)
    has = np.asarray(((weight > 0) & (behind > 0)).all(axis=1), dtype=bool)
    mean = weight[has] / weight[has].mean(axis=1, keepdims=True)
    weight = np.where(has[:, None], weight, mean.mean(axis=0) if has.any() else 1.0)
    weight = weight / weight.mean(axis=1, keepdims=True)
    square = (rows["boats"].to_numpy() - usual) ** 2
    pearson = float(np.divide(square, usual, out=np.zeros_like(square), where=usual > 0).sum())
    n_free = max(len(rows) - rows["site"].nunique() - len(np.unique(group)), 1)
    log_se = np.sqrt(max(pearson / n_free, 1.0) / np.maximum(behind, 1.0))
    between = float(mean.std(axis=0).mean()) if has.sum() > 1 else 0.5
    return weight, np.where(has[:, None], log_se, max(between, 0.2)), has


def _day_cv2(rows: pd.DataFrame, usual: Floats, *, n_areas: int) -> Floats:
    """Return the variance of days beyond Poisson's over the mean squared, area by area."""
    area, boats = rows["area"].to_numpy(), rows["boats"].to_numpy()
    n = np.bincount(area, minlength=n_areas).astype(np.float64)
    used = pd.DataFrame({"area": area, "site": rows["site"].to_numpy()}).drop_duplicates()
    n_used = np.bincount(used["area"].to_numpy(), minlength=n_areas) + 2.0
    free = np.where(n > n_used, n / np.maximum(n - n_used, 1.0), 1.0)
    square = _sums(area, (boats - usual) ** 2, n_areas) * free
    poisson = _sums(area, usual, n_areas)
    scale = _sums(area, usual**2, n_areas)
    overall = max(float(square.sum() - poisson.sum()), 0.0) / max(float(scale.sum()), 1e-12)
    over = np.maximum(square - poisson, 0.0)
    own = np.divide(over, scale, out=np.zeros_like(scale), where=scale > 0)
    return np.asarray(np.minimum(np.where(n >= LEAST_SITE_DAYS, own, overall), MOST_NOISE))
