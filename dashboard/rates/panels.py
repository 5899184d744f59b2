"""Lines of the tables put on the axis of a figure: this season's weeks, past seasons behind."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from dashboard.book import weeks_between
from dashboard.charts.rates import Panel
from dashboard.rates import index as modelled
from dashboard.rates.index import ENCOUNTERS

if TYPE_CHECKING:
    from dashboard.book import Book
    from dashboard.rates.index import Rates


def panel(book: Book, rates: Rates, area: str | None, *, response: str) -> Panel | None:
    """Return what a panel of an area shows; None where no week has an index or a level."""
    index = rates.index.get((response, area), ())
    trend = rates.trend.get((response, area), ())
    known = [one["index"] for one in index] + [one["level"] for one in trend]
    if all(one is None for one in known):
        return None
    weeks = [*book.axis, *(one["week"] for one in (*index, *trend))]
    axis = weeks_between(min(weeks), max(weeks))
    past = _past(rates, area, axis) if response == ENCOUNTERS else ()
    return Panel(axis, index, trend, past, modelled.sort_of(response))


def _past(
    rates: Rates, area: str | None, axis: tuple[str, ...]
) -> tuple[tuple[tuple[int, float | None], ...], ...]:
    """Return past seasons on the weeks of this one, by the number of the week."""
    place = {week: at for at, week in enumerate(axis)}
    found = []
    for season in rates.seasons(area):
        later = int(rates.season[:4]) - int(season[:4])
        known = {
            place[week]: one["index"]
            for one in rates.timing[season, area]
            if (week := moved(one["week"], years=later)) in place
        }
        # A week without a line was closed: None breaks the line there.
        line = [(at, known.get(at)) for at in range(min(known), max(known) + 1)] if known else []
        found += [tuple(line)] if any(value is not None for _, value in line) else []
    return tuple(found)


def moved(week: str, *, years: int) -> str:
    """Return the ISO week of the same number in a later year; after week 52 comes the first."""
    year, number = int(week[:4]) + years, int(week[6:])
    last = date(year, 12, 28).isocalendar().week
    if number <= last:
        return f"{year}-W{number:02d}"
    return f"{year + 1}-W01"
