"""What a bulletin holds of one area for anglers: figures, trend, rules, limits, usual dates."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median
from typing import TYPE_CHECKING

from analytics.wording import limits, reasons
from analytics.wording.bulletin_index import monday
from analytics.wording.regulations import AreaRules, OpenState, area_rules, openings, rules_on
from analytics.wording.week import EFFORT
from dashboard.catch_rates import records
from dashboard.charts.area_map import NONE, SURE, UNSURE

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from analytics.wording.bulletin_index import BulletinIndex, Row
    from analytics.wording.regulations import Opening
    from dashboard.catch_rates.records import Rates

MET, KEPT, SMALL = "encounters_per_angler_trip", "kept_per_angler_trip", "sublegal_prop"
#: Weeks of the small figure.
RECENT = 10
#: Limits that are named; those reached first come first.
MOST_LIMITS = 3
#: How much earlier a past season may have begun (our choice, no source).
_EARLIER = timedelta(days=90)
#: Past seasons under which no usual date is given (our choice, no source).
_LEAST_SEASONS = 2


@dataclass(frozen=True, slots=True)
class LimitFact:
    """How near one limit is: what it counts and where, its state, share used, likely day.

    `why` has the codes of why it is not known; `is_final` is whether nothing more can count.
    """

    quantities: tuple[str, ...]
    areas: tuple[str, ...]
    state: limits.LimitState
    used: float | None
    reached: date | None
    why: str = ""
    is_final: bool = False


@dataclass(frozen=True, slots=True)
class LocalFacts:
    """What anglers are shown of an area.

    `week` is the last one with figures, None where there is none; `later` the bulletin's last week
    where that one is later, and `was_closed` whether it had no open day; `is_unopened` whether no
    week so far had one, `is_unsampled` whether none has any figure; `kept_a_day` the fish that all
    anglers kept on one of the open days of `week`; `direction` the code of the trend over four
    weeks, `chance` that it rose and `no_trend` the codes of why not; `usual` past seasons and the
    days by which a half and three quarters of a season's fish have usually come.
    """

    area: str
    week: str | None
    met: Row | None
    kept: Row | None
    small: Row | None
    kept_a_day: float | None
    direction: str
    chance: float | None
    rules: AreaRules
    limits: tuple[LimitFact, ...]
    usual: tuple[int, date, date] | None
    later: str | None = None
    was_closed: bool = False
    no_trend: str = ""
    is_unopened: bool = False
    is_unsampled: bool = False


def local_facts(
    index: BulletinIndex,
    rates: Rates,
    area: str,
    *,
    ahead: Callable[[], Sequence[Opening]] = tuple,
) -> LocalFacts:
    """Gather what a bulletin holds of an area; `ahead` gives openings of seasons after its own.

    It is called once the area's season is over.
    """
    week = next((one for one in reversed(index.weeks) if figure(index, area, one)), None)
    met, kept, small = (
        shown(index.row(area, week, name)) if week else None for name in (MET, KEPT, SMALL)
    )
    direction, chance, no_trend = _trend(rates, area)
    later = index.card.through if week and week < index.card.through else None
    is_unopened = all(is_closed(index, area, one) for one in index.axis)
    return LocalFacts(
        area=area,
        week=week,
        met=met,
        kept=kept,
        small=small,
        kept_a_day=_kept_a_day(index, area, week) if week else None,
        direction=direction,
        chance=chance,
        rules=_rules(index, area, ahead),
        limits=_limits(index, area),
        usual=_usual(index, rates, area),
        later=later,
        was_closed=later is not None and is_closed(index, area, later),
        no_trend="closed" if is_unopened else no_trend,
        is_unopened=is_unopened,
        is_unsampled=not any(_has_figure(index.row(area, one, MET)) for one in index.weeks),
    )


def shown(row: Row | None) -> Row | None:
    """Return a row that anglers are shown: one with a figure and an error fit to publish."""
    if row is None or row.estimate is None or reasons.caution(row)[0] == reasons.STRONG:
        return None
    return row


def figure(index: BulletinIndex, area: str, week: str) -> Row | None:
    """Return what an angler met on a trip, if it is fit to show: never of a week without open day.

    Boats may report a closed area all the same, by a slip or not.
    """
    row = shown(index.row(area, week, MET))
    return None if row is None or is_closed(index, area, week) else row


def openings_after(index: BulletinIndex, every: Sequence[Opening]) -> tuple[Opening, ...]:
    """Return, of all openings that a store has, those of seasons that begin after a bulletin's."""
    mine = openings(index)
    last = max((one.open_date for one in mine), default=None)
    seasons = {one.season for one in mine} | {index.card.season}
    return tuple(
        one for one in every if last and one.season not in seasons and one.open_date > last
    )


def _rules(index: BulletinIndex, area: str, ahead: Callable[[], Sequence[Opening]]) -> AreaRules:
    """Return the rules of an area; once its season is over, with the opening of a later one."""
    rules = area_rules(index, area)
    if rules.state not in (OpenState.OVER, OpenState.NO_RULES):
        return rules
    later = rules_on([*openings(index), *ahead()], area=area, day=rules.day)
    return rules if later.next_open is None else later


def _has_figure(row: Row | None) -> bool:
    return row is not None and row.estimate is not None


def certainty(row: Row | None) -> str:
    """Return how sure a figure is, as the map shows it."""
    if shown(row) is None:
        return NONE
    return UNSURE if reasons.caution(row)[0] == reasons.MILD else SURE


def areas(index: BulletinIndex) -> tuple[str, ...]:
    """Return the areas that anglers may ask for: also those that open later in the season."""
    return tuple(sorted({*index.areas, *(one.area for one in openings(index))}))


def recent_weeks(index: BulletinIndex) -> tuple[str, ...]:
    """Return the weeks of the small figure."""
    return index.axis[-RECENT:]


def area_figures(index: BulletinIndex, week: str) -> Mapping[str, Row | None]:
    """Return the figure of every area for the map, if it is fit to show."""
    return {area: figure(index, area, week) for area in areas(index)}


def outlines(index: BulletinIndex) -> dict[str, str]:
    """Return the outlines of areas; none in a bulletin without them."""
    table = index.bulletin.table("area_outlines").to_pylist()
    return {line["area"]: line["outline"] for line in table if line["outline"]}


def ramps(index: BulletinIndex) -> dict[str, tuple[float, float]]:
    """Return landing sites with their places; none where the bulletin has none."""
    table = index.bulletin.table("landing_sites").to_pylist()
    return {
        line["site_name"] or line["site"]: (line["longitude"], line["latitude"])
        for line in table
        if None not in (line["longitude"], line["latitude"])
    }


def _kept_a_day(index: BulletinIndex, area: str, week: str) -> float | None:
    row = shown(index.row(area, week, "kept_fish"))
    n_open = _open_days(index, area, week)
    return row.estimate / n_open if row and row.estimate is not None and n_open else None


def is_closed(index: BulletinIndex, area: str, week: str) -> bool:
    """Return whether an area had no open day in a week; without openings, whether it has no row."""
    n_open = _open_days(index, area, week)
    return index.row(area, week, EFFORT) is None if n_open is None else n_open == 0


def _open_days(index: BulletinIndex, area: str, week: str) -> int | None:
    """Return how many days of a week an area was open; None where no opening of it is known."""
    mine = [one for one in openings(index) if one.area == area]
    days = [monday(week) + timedelta(days=step) for step in range(7)]
    return sum(any(one.is_open_on(day) for one in mine) for day in days) if mine else None


def _trend(rates: Rates, area: str) -> tuple[str, float | None, str]:
    """Return the code of the trend over four weeks, the chance that it rose, and why not."""
    line = records.latest(rates, records.ENCOUNTERS, area)
    if line is None:
        return "not_known", None, ""
    why = line["reason_codes"] or ""
    if line["level"] is None:
        return "not_known", None, why
    return str(line["direction_codes"] or "not_known"), line["prob_increase_4_weeks"], why


def _limits(index: BulletinIndex, area: str) -> tuple[LimitFact, ...]:
    return tuple(_limit(line) for line in limits.read(index).of_areas([area]))


def _limit(line: limits.Line) -> LimitFact:
    state, half = limits.state(line), line["exceedance_date_p50"]
    is_ahead = half is not None and not limits.is_by_now(half, line["through"])
    return LimitFact(
        quantities=limits.quantities_of(line),
        areas=limits.areas_of(line),
        state=state,
        used=line["share_used"],
        reached=half if is_ahead and state is limits.LimitState.NEAR else None,
        why=(line["reason_codes"] or "") if state is limits.LimitState.UNKNOWN else "",
        is_final=not line["is_preliminary"],
    )


def _usual(index: BulletinIndex, rates: Rates, area: str) -> tuple[int, date, date] | None:
    """Return past seasons and their median days, as days of the bulletin's season."""
    start = min((one.open_date for one in openings(index)), default=None)
    if start is None:
        return None
    by_share = {share: _days(rates, area, share, start) for share in (0.5, 0.75)}
    n = min(map(len, by_share.values()))
    if n < _LEAST_SEASONS:
        return None
    half, most = (start + timedelta(days=round(median(days))) for days in by_share.values())
    return n, half, most


def _days(rates: Rates, area: str, share: float, start: date) -> Sequence[int]:
    """Return how many days after the season's first day past seasons reached a share."""
    dates = [
        line["date"]
        for line in rates.dates(area)
        if line["curve"] == "index"
        and line["share"] == share
        and line["date"]
        and line["season"] != rates.season
    ]
    return [_days_into(day, start) for day in dates]


def _days_into(day: date, start: date) -> int:
    """Return the days from the season's first day to a day of a past one, by month and day.

    Past seasons may have begun up to `_EARLIER` before the day on which this one begins.
    """
    years = (day.year + 1, day.year, day.year - 1)
    firsts = (date(year, start.month, 1) + timedelta(days=start.day - 1) for year in years)
    return next((day - first).days for first in firsts if first - _EARLIER <= day)
