"""The rules of an area on one day, as values and in words, always with the day they are said for.

They are what the bulletin's store had; a reader is always sent to the official rules.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import date, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

from analytics.data.calendar import weekday_words, with_weekdays
from analytics.units import DEFAULT_UNITS, both_lengths, day_words
from analytics.weeks import week_end

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pyarrow as pa

    from analytics.units import Units
    from analytics.wording.bulletin_index import BulletinIndex

_DAY = timedelta(days=1)


class OpenState(StrEnum):
    """Whether an area is open on a day, and why not."""

    OPEN = "open"
    CLOSED_WEEKDAY = "closed_weekday"
    NOT_YET = "not_yet"
    BETWEEN = "between_openings"
    OVER = "over"
    NO_RULES = "no_rules"


@dataclass(frozen=True, slots=True)
class Opening:
    """One opening of an area with its rules; a rule that is None is not recorded."""

    season: str
    area: str
    open_date: date
    close_date: date | None
    open_weekdays: str
    min_length_mm: float | None
    daily_limit_fish: int | None
    mark_selective: bool | None

    def open_from(self, day: date) -> date | None:
        """Return the first open day of the opening on or after a day."""
        start = max(day, self.open_date)
        days = (start + step * _DAY for step in range(7))
        return next((one for one in days if self.is_open_on(one)), None)

    def is_open_on(self, day: date) -> bool:
        """Return whether fishing is open on a day by this opening."""
        return self.holds(day) and str(day.isoweekday()) in self.open_weekdays

    def holds(self, day: date) -> bool:
        """Return whether a day lies in the opening, whatever its weekday."""
        return self.open_date <= day and (self.close_date is None or day <= self.close_date)

    @property
    def last_day(self) -> date | None:
        """The last open day; None where no close was given or no weekday is open."""
        if self.close_date is None:
            return None
        days = (self.close_date - step * _DAY for step in range(7))
        return next((one for one in days if self.is_open_on(one)), None)


@dataclass(frozen=True, slots=True)
class AreaRules:
    """The rules of an area on one day.

    Parameters
    ----------
    area : str
    day : datetime.date
        The day that they are said for.
    state : OpenState
    opening : Opening or None
        The one whose rules hold: of the next open day, or the last one of a season that is over.
    next_open : datetime.date or None
        The first open day from `day` on.
    season_last_day : datetime.date or None
        Last open day of the area's season; None where a close is not recorded.
    """

    area: str
    day: date
    state: OpenState
    opening: Opening | None
    next_open: date | None
    season_last_day: date | None

    @property
    def is_open(self) -> bool:
        """Whether fishing is open that day."""
        return self.state is OpenState.OPEN

    @property
    def last_day(self) -> date | None:
        """Last open day of the opening whose rules hold."""
        return self.opening.last_day if self.opening else None


def openings(index: BulletinIndex) -> tuple[Opening, ...]:
    """Return the openings of a bulletin's season; none in a bulletin made before it kept them."""
    return openings_of(index.bulletin.table("regulations"))


def openings_of(table: pa.Table) -> tuple[Opening, ...]:
    """Return the openings of a bulletin's ``regulations`` or of a store's ``seasons``."""
    columns = [one.name for one in fields(Opening)]
    return tuple(Opening(**line) for line in with_weekdays(table).select(columns).to_pylist())


def day_said_for(index: BulletinIndex, *, today: date | None = None) -> date:
    """Return the day that a bulletin's rules are said for.

    It is today where today lies after the bulletin's last week, so that a season that closed since
    reads as over; else the day after that week.

    Parameters
    ----------
    index : BulletinIndex
    today : datetime.date, optional
        Stands in for the day of the clock.
    """
    now = today or date.today()
    after = week_end(index.card.through)
    return now if after < now else after + _DAY


def area_rules(index: BulletinIndex, area: str, *, today: date | None = None) -> AreaRules:
    """Return the rules of an area on the day that they are said for; `today` as `day_said_for`."""
    return rules_on(openings(index), area=area, day=day_said_for(index, today=today))


def rules_by_area(index: BulletinIndex, *, today: date | None = None) -> dict[str, AreaRules]:
    """Return the rules of every area that has an opening or a figure, in order."""
    every, day = openings(index), day_said_for(index, today=today)
    areas = {one.area for one in every} | set(index.areas)
    return {area: rules_on(every, area=area, day=day) for area in sorted(areas)}


def rules_on(every: Iterable[Opening], *, area: str, day: date) -> AreaRules:
    """Return the rules of an area on a day, from the openings of a season."""
    mine = [one for one in every if one.area == area]
    ahead = [(start, one) for one in mine if (start := one.open_from(day)) is not None]
    next_open, opening = min(ahead, key=lambda pair: pair[0], default=(None, None))
    if opening is None and mine:
        opening = max(mine, key=lambda one: one.open_date)
    lasts = [one.last_day for one in mine]
    ends = [last for last in lasts if last is not None]
    last = max(ends) if ends and len(ends) == len(lasts) else None
    return AreaRules(area, day, _state(mine, opening, next_open, day), opening, next_open, last)


def _state(
    mine: list[Opening], opening: Opening | None, next_open: date | None, day: date
) -> OpenState:
    if opening is None:
        return OpenState.NO_RULES
    if next_open is None:
        return OpenState.OVER
    if next_open == day:
        return OpenState.OPEN
    if opening.holds(day):
        return OpenState.CLOSED_WEEKDAY
    is_begun = any(one.open_date <= day for one in mine)
    return OpenState.BETWEEN if is_begun else OpenState.NOT_YET


def rule_words(rules: AreaRules, units: Units = DEFAULT_UNITS) -> str:
    """Return the rules of an area in one line.

    Such as ``open Thu–Sun until 30 April, 2 a day, at least 559 mm (22 in), marked fish only``.
    """
    opening = rules.opening
    if opening is None:
        return "no rules in this bulletin"
    if rules.state is OpenState.OVER:
        last = rules.season_last_day or rules.last_day
        return "closed: the season is over" + (f" since {_day(last, units)}" if last else "")
    times = open_words(rules, units)
    return ", ".join([times, *keep_words(opening, units)])


def open_words(rules: AreaRules, units: Units = DEFAULT_UNITS) -> str:
    """Return when an area is open that has a next open day."""
    opening, last = rules.opening, rules.last_day
    assert opening is not None
    days = weekdays(opening)
    until = f" until {_day(last, units)}" if last else ""
    if rules.is_open:
        return f"open {days}{until}"
    if rules.next_open is None:
        return "closed"
    first = f"{rules.next_open:%a} {_day(rules.next_open, units)}"
    return f"closed, opens {first}: then {days}{until}"


def keep_words(opening: Opening, units: Units = DEFAULT_UNITS) -> list[str]:
    """Return what may be kept: fish a day, the minimum length, whether marked fish alone."""
    limit, least = opening.daily_limit_fish, opening.min_length_mm
    words = []
    if limit is not None:
        words.append(f"{limit} a day")
    if least is not None:
        words.append(f"at least {both_lengths(least, units.length)}")
    if opening.mark_selective is not None:
        words.append(marked_words(opening.mark_selective))
    return words


def marked_words(is_selective: bool) -> str:
    """Return which fish may be kept by their mark."""
    return "marked fish only" if is_selective else "marked and unmarked fish"


def weekdays(opening: Opening) -> str:
    """Return the open weekdays in words, such as ``Thu–Sun`` or ``every day``."""
    is_daily = len(set(opening.open_weekdays)) == 7
    return "every day" if is_daily else weekday_words(opening.open_weekdays)


def said_for_words(day: date, units: Units = DEFAULT_UNITS) -> str:
    """Return the day that rules are said for, such as ``Monday 18 February 2036``."""
    return f"{day:%A} {day_words(day, units.dates)}"


def _day(day: date, units: Units) -> str:
    return day_words(day, units.dates, with_year=False)
