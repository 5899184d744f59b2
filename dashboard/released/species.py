"""Other species met per angler-hour, in words, tables and dots."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard import html_tables, numbers, reasons
from dashboard.charts.forest import ForestRow
from dashboard.numbers import NumberKind
from dashboard.released.records import where

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.bulletin_index import BulletinIndex, Row
    from dashboard.released.records import Released

#: Species that the answer names.
NAMED = 3
NAMES = (("sea", "fish per angler-hour"), ("bar", "interval"))
MEANING = (
    "Kept and released fish of the species, divided by angler-hours, as told at the ramp. A boat "
    "without a row met none, where anyone in the area recorded any bycatch that season. Names are "
    "those of the data."
)


def names(told: Released) -> list[str]:
    """Return the species by how many were met per angler-hour in the season, the most first."""
    found = dict.fromkeys(name for name, _, _ in told.species)

    def most(name: str) -> float:
        rows = [
            row.estimate or 0.0
            for (one, _, week), row in told.species.items()
            if one == name and week is None
        ]
        all_areas = told.species.get((name, None, None))
        return (all_areas.estimate if all_areas else max(rows, default=0.0)) or 0.0

    return sorted(found, key=lambda name: (-most(name), name))


def weeks(told: Released) -> list[str]:
    """Return the weeks that have a row, the last first."""
    return sorted({week for _, _, week in told.species if week}, reverse=True)


def answer(
    book: BulletinIndex, told: Released, areas: Sequence[str | None], *, week: str | None
) -> str:
    """Return which other species were met most, in sentences (Markdown)."""
    if not told.species:
        return (
            "There are no other species to show: nobody wrote them down this season (table "
            "`bycatch`)."
        )
    return "\n\n".join(_answer_of(book, told, area, week) for area in areas)


def _answer_of(book: BulletinIndex, told: Released, area: str | None, week: str | None) -> str:
    place = where(book, area)
    when = f"season through week {book.card.through}" if week is None else f"week {week}"
    start = f"{place[:1].upper()}{place[1:]}, {when}"
    rows = {name: told.species.get((name, area, week)) for name in names(told)}
    known = [(name, row) for name, row in rows.items() if row is not None and row.estimate]
    if not known:
        return f"{start}: {_why_none(list(rows.values()))}."
    known.sort(key=lambda pair: -(pair[1].estimate or 0.0))
    parts = [
        f"{numbers.plain(name)} **{numbers.value(row)}** "
        f"{numbers.plain(numbers.bracket(row, full=not at))}"
        for at, (name, row) in enumerate(known[:NAMED])
    ]
    more = len(known) - NAMED
    tail = f", and {numbers.count(more, 'other name')}" if more > 0 else ""
    return f"{start}, anglers met per hour of one angler: {', '.join(parts)}{tail}."


def _why_none(rows: Sequence[Row | None]) -> str:
    known = [row for row in rows if row is not None]
    if any(row.estimate == 0 for row in known):
        return "no fish of another species was met"
    return numbers.plain(reasons.why_no_estimate(known[0])) if known else "no open day"


def dots(told: Released, area: str | None, week: str | None) -> list[ForestRow]:
    """Return the species of a domain, the most met first."""
    found = []
    for name in names(told):
        row = told.species.get((name, area, week))
        if row is not None:
            words = reasons.behind(row)
            found.append(ForestRow(name, numbers.of_row(row, NumberKind.RATIO), words=words))
    return found


def table(
    book: BulletinIndex, told: Released, areas: Sequence[str | None], *, week: str | None
) -> str:
    """Return species by area as an HTML table."""
    heads = ("Species", *(_head(book, area) for area in areas))
    lines = []
    for name in names(told):
        rows = [told.species.get((name, area, week)) for area in areas]
        if any(row is not None for row in rows):
            lines.append(
                html_tables.line(
                    heads,
                    name,
                    [numbers.DASH if one is None else html_tables.cell(one) for one in rows],
                )
            )
    return html_tables.table(heads, lines or [html_tables.words_line(heads, "no open day")])


def _head(book: BulletinIndex, area: str | None) -> str:
    name = book.name(area)
    return name[:1].upper() + name[1:]
