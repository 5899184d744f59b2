"""What a bulletin keeps of modelled catch rates, ready for sentences and figures."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from analytics.wording import numbers
from analytics.wording.bulletin_index import last_known, monday
from analytics.wording.bulletin_index import lines as lines_of
from analytics.wording.numbers import Measurement, NumberKind
from analytics.wording.reasons import USELESS_TIMES, USELESS_WIDTH
from dashboard.catalogue import phrase

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from analytics.wording.bulletin_index import BulletinIndex

Line = dict[str, Any]

#: What bulletins did not do before they had the tables of these pages.
MODELLED = phrase("This bulletin was kept before bulletins modelled catch rates.")
ENCOUNTERS, KEPT, SHARE = "encounters", "kept", "sublegal"
#: The responses, in the order of their buttons.
RESPONSES = (ENCOUNTERS, KEPT, SHARE)
#: Shares of a run whose dates are given, in words.
SHARES = {0.25: phrase("a quarter"), 0.5: phrase("half"), 0.75: phrase("three quarters")}
_TABLES = ("run_dates", "models", "coefficients", "residuals")


@dataclass(frozen=True, slots=True, eq=False)
class Rates:
    """The tables of modelled catch rates; area None is all areas together.

    `index` and `trend` are lines of the season by week, by response and area, `strength` by area;
    `timing` lines by day of every season, by season and area; `lines` those of every other table.
    """

    season: str
    index: Mapping[tuple[str, str | None], tuple[Line, ...]]
    trend: Mapping[tuple[str, str | None], tuple[Line, ...]]
    timing: Mapping[tuple[str, str | None], tuple[Line, ...]]
    strength: Mapping[str | None, tuple[Line, ...]]
    lines: Mapping[str, tuple[Line, ...]]

    def of(self, table: str, response: str) -> list[Line]:
        """Return the lines of a table that are about a response."""
        return [line for line in self.lines[table] if line["response"] == response]

    def dates(self, area: str | None) -> list[Line]:
        """Return the lines of dates of an area; None is all areas together."""
        return [line for line in self.lines["run_dates"] if line["area"] == area]

    def seasons(self, area: str | None) -> list[str]:
        """Return the past seasons with a timing of an area, in order."""
        found = {season for season, of in self.timing if of == area}
        return sorted(found - {self.season})


def read(index: BulletinIndex) -> Rates:
    """Index the tables of modelled catch rates of a bulletin; those it lacks are empty."""
    season = index.card.season
    mine = {
        name: [line for line in lines_of(index, name) if line["season"] == season]
        for name in ("index", "trend", "run_strength")
    }
    by_week = {
        name: sorted(lines, key=lambda line: line["week"] or "") for name, lines in mine.items()
    }
    timing = sorted(lines_of(index, "seasonal_pattern"), key=lambda line: line["day"] or 0)
    return Rates(
        season=season,
        index=_grouped(by_week["index"], "response", "area"),
        trend=_grouped(by_week["trend"], "response", "area"),
        timing=_grouped(timing, "season", "area"),
        strength={
            key[0]: lines for key, lines in _grouped(by_week["run_strength"], "area").items()
        },
        lines={name: tuple(lines_of(index, name)) for name in _TABLES},
    )


def has_tables(index: BulletinIndex, *names: str) -> bool:
    """Return whether a bulletin was kept with some tables; an older one lacks them."""
    return set(names) <= set(index.card.tables)


def sort_of(response: str) -> NumberKind:
    """Return how figures of a response are read."""
    return NumberKind.SHARE if response == SHARE else NumberKind.RATIO


def level(line: Line) -> Measurement:
    """Return the level of a line of the trend with its interval."""
    return numbers.of_line(line, "level", sort_of(line["response"]))


def raw(line: Line) -> Measurement:
    """Return the survey's figure of a line with its interval, without one too wide to help."""
    low, high = (None, None) if is_too_wide(line) else (line["survey_low"], line["survey_high"])
    return Measurement(line["survey_estimate"], low, high, sort_of(line["response"]))


def is_too_wide(line: Line) -> bool:
    """Return whether the interval of the survey's figure says nothing that helps."""
    low, high, value = line["survey_low"], line["survey_high"], line["survey_estimate"]
    if low is None or high is None or not value:
        return False
    if line["response"] == SHARE:
        return high - low > USELESS_WIDTH
    return high > USELESS_TIMES * value


def latest(rates: Rates, response: str, area: str | None) -> Line | None:
    """Return the last week of the trend that is not ahead, or None where there is no line."""
    found = [line for line in rates.trend.get((response, area), ()) if not line["is_projected"]]
    return last_known(found, "level")


def newest(rates: Rates, response: str, area: str | None) -> Line | None:
    """Return the last week with a design-based figure, else the last week, or None."""
    return last_known(rates.index.get((response, area), ()), "survey_estimate")


def ahead(rates: Rates, response: str, area: str | None) -> list[Line]:
    """Return the weeks ahead that have a level."""
    lines = rates.trend.get((response, area), ())
    return [line for line in lines if line["is_projected"] and line["level"] is not None]


def before(rates: Rates, line: Line, *, weeks: int) -> Line | None:
    """Return the line of the trend some weeks before another, or None where it has no level."""
    day = monday(line["week"]) - timedelta(weeks=weeks)
    lines = rates.trend.get((line["response"], line["area"]), ())
    found = [one for one in lines if monday(one["week"]) == day and one["level"] is not None]
    return found[0] if found else None


def index_of(rates: Rates, response: str, area: str | None, week: str) -> Line | None:
    """Return the line of the index of a week, or None where it was closed."""
    lines = rates.index.get((response, area), ())
    return next((one for one in lines if one["week"] == week), None)


def empty_trips(rates: Rates, response: str, area: str | None) -> tuple[int, int]:
    """Return trips and weeks at the end of the season so far in which none was seen."""
    trips = weeks = 0
    for one in reversed(rates.index.get((response, area), ())):
        if one["survey_estimate"] != 0 or not one["n_trips"]:
            break
        trips, weeks = trips + one["n_trips"], weeks + 1
    return trips, weeks


def origin(lines: Sequence[Line]) -> date | None:
    """Return the day from which the days of a season's timing count."""
    for line in lines:
        if line["week"] and line["day"] is not None:
            return monday(line["week"]) + timedelta(days=6 - line["day"])
    return None


def _grouped(lines: Sequence[Line], *names: str) -> dict[Any, tuple[Line, ...]]:
    found: dict[tuple[Any, ...], list[Line]] = defaultdict(list)
    for line in lines:
        found[tuple(line[name] for name in names)].append(line)
    return {key: tuple(of) for key, of in found.items()}
