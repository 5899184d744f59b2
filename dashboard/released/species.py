"""Other species met per angler-hour, in words, tables and dots."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.quantities import QUANTITIES
from dashboard import filters, html_tables, numbers, page_frame, reasons
from dashboard.charts import series, theme
from dashboard.charts.forest import ForestRow
from dashboard.numbers import NumberKind
from dashboard.released.records import domains, head, where
from dashboard.week.sentences import RATE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.bulletin_index import BulletinIndex, Row
    from dashboard.filters import Choice
    from dashboard.released.records import Released

#: Species that the answer names.
NAMED = 3
NAMES = (("sea", "fish per angler-hour"), ("bar", "interval"))
MEANING = (
    "Kept and released fish of the species, divided by angler-hours, as reported at the ramp. A "
    "boat without a row met none, where anyone in the area recorded any bycatch that season. Names "
    "are those of the data."
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


def species_answer(
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
    heads = ("Species", *(head(book, area) for area in areas))
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


# The part of the page.


def draw(choice: Choice, told: Released) -> None:
    """Draw other species met per angler-hour, by area and by week."""
    book, shown = choice.book, domains(choice.book, choice.areas)
    if not told.species:
        page_frame.lead(species_answer(book, told, choice.domains, week=None))
        return
    place = st.container()
    week = filters.span(weeks(told))
    with place:
        page_frame.lead(species_answer(book, told, choice.domains, week=week))
    found = {area: drawn for area in shown if (drawn := dots(told, area, week))}
    if found:
        st.header("Other species per angler-hour", anchor=False)
        page_frame.forest_signs([dot for one in found.values() for dot in one], NAMES)
        st.caption(page_frame.OWN_SCALE)
        page_frame.grid(list(found), lambda area: _species_panel(choice, found[area], area))
    st.caption(MEANING)
    st.html(table(book, told, shown, week=week))
    _weeks(choice, told)
    kept = html_tables.with_precision(book.bulletin.table("bycatch"))
    page_frame.download("other species", kept, choice, "bycatch")


def _species_panel(choice: Choice, found: Sequence[ForestRow], area: str | None) -> None:
    title, key = head(choice.book, area), f"released-species-{area or 'all'}"
    page_frame.forest_panel(found, title=title, key=key, of="Fish per angler-hour")


def _weeks(choice: Choice, told: Released) -> None:
    """Draw the weeks of one species, area by area."""
    st.header("One species from week to week", anchor=False)
    with st.columns([2, 3])[0]:
        name = filters.pick("Species", names(told), key="species")
    book = choice.book
    lines = {
        area: [told.species.get((name, area, week)) for week in book.axis] for area in choice.shown
    }
    shown = [area for area, rows in lines.items() if any(rows)]
    top = series.ceiling(row for area in shown for row in lines[area])
    signs = [
        (one.glyph, one.words)
        for one in theme.legend(row for area in shown for row in lines[area] if row)
    ]
    cut = any(series.is_cut(lines[area], top=top) for area in shown)
    page_frame.signs([*signs, *([series.CUT] if cut else [])])

    def panel(area: str) -> None:
        st.markdown(f"**{numbers.plain(book.name(area))}**")
        figure = series.panel(
            lines[area],
            weeks=book.axis,
            chosen="",
            quantity=RATE,
            top=top,
            palette=page_frame.colours(),
        )
        label = f"{name}, {QUANTITIES[RATE].label.lower()}"
        words = series.description(lines[area], weeks=book.axis, area=book.name(area), label=label)
        page_frame.chart(figure, key=f"released-weeks-{area}", alt=words)

    page_frame.grid(shown, panel)
