"""Other species met per angler-hour, in words, tables and dots."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.precision import DASH
from analytics.quantities import QUANTITIES
from analytics.wording import numbers, reasons
from analytics.wording.numbers import NumberKind
from analytics.wording.week import RATE
from dashboard import filters, html_tables, page_frame
from dashboard.catalogue import phrase, say, say_n
from dashboard.charts import series
from dashboard.charts.forest import ForestRow
from dashboard.released.records import domains, head, start, when

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.wording.bulletin_index import BulletinIndex, Row
    from dashboard.filters import Choice
    from dashboard.released.records import Released

#: Species that the answer names.
NAMED = 3
NAMES = (("sea", phrase("fish per angler-hour")), ("bar", phrase("interval")))
MEANING = phrase(
    "Kept and released fish of the species, divided by angler-hours, as reported at the landing "
    "site. A boat without a row met none, where anyone in the area recorded any bycatch that "
    "season. Names are those of the data."
)


def names(released: Released) -> list[str]:
    """Return the species by how many were met per angler-hour in the season, the most first."""
    found = dict.fromkeys(name for name, _, _ in released.species)

    def most(name: str) -> float:
        rows = [
            row.estimate or 0.0
            for (one, _, week), row in released.species.items()
            if one == name and week is None
        ]
        all_areas = released.species.get((name, None, None))
        return (all_areas.estimate if all_areas else max(rows, default=0.0)) or 0.0

    return sorted(found, key=lambda name: (-most(name), name))


def weeks(released: Released) -> list[str]:
    """Return the weeks that have a row, the last first."""
    return sorted({week for _, _, week in released.species if week}, reverse=True)


def species_answer(
    index: BulletinIndex, released: Released, areas: Sequence[str | None], *, week: str | None
) -> str:
    """Return which other species were met most, in sentences (Markdown)."""
    if not released.species:
        return say(
            "There are no other species to show: nobody wrote them down this season (table "
            "`bycatch`)."
        )
    return "\n\n".join(_answer_of(index, released, area, week) for area in areas)


def _answer_of(index: BulletinIndex, released: Released, area: str | None, week: str | None) -> str:
    place = f"{start(index, area)}, {when(index, week)}"
    rows = {name: released.species.get((name, area, week)) for name in names(released)}
    found = {name: row for name, row in rows.items() if row is not None}
    known = [(name, row) for name, row in found.items() if row.estimate]
    if not known:
        why = say("no open day")
        if found:
            why = numbers.plain(reasons.why_no_estimate(next(iter(found.values()))))
        if any(row.estimate == 0 for row in found.values()):
            why = say("no fish of another species was met")
        return f"{place}: {why}."
    known.sort(key=lambda pair: -(pair[1].estimate or 0.0))
    parts = [
        f"{numbers.plain(name)} **{numbers.value(row)}** "
        f"{numbers.plain(numbers.bracket(row, full=not at))}"
        for at, (name, row) in enumerate(known[:NAMED])
    ]
    more = len(known) - NAMED
    named = ", ".join(parts)
    named += say_n(more, ", and {n} other name", ", and {n} other names") if more > 0 else ""
    return say(
        "{where}, anglers met per hour of one angler: {species}.", where=place, species=named
    )


def forest_rows(released: Released, area: str | None, week: str | None) -> list[ForestRow]:
    """Return the species of a domain, the most met first."""
    found = []
    for name in names(released):
        row = released.species.get((name, area, week))
        if row is not None:
            words = reasons.behind(row)
            found.append(ForestRow(name, numbers.of_row(row, NumberKind.RATIO), words=words))
    return found


def title(released: Released, area: str | None, week: str | None, *, where: str) -> str:
    """Return the finding of a panel: which other species was met most."""
    rows = {name: released.species.get((name, area, week)) for name in names(released)}
    known = {name: row for name, row in rows.items() if row is not None and row.estimate}
    if not known:
        is_none = any(row is not None and row.estimate == 0 for row in rows.values())
        return f"{where}: {say('no fish of another species met') if is_none else say('no figure')}"
    most = max(known, key=lambda name: known[name].estimate or 0.0)
    return say(
        "{where}: most met, {species}, {rate} an angler-hour",
        where=where,
        species=most,
        rate=numbers.value(known[most]),
    )


def table(
    index: BulletinIndex, released: Released, areas: Sequence[str | None], *, week: str | None
) -> str:
    """Return species by area as an HTML table."""
    heads = (say("Species"), *(head(index, area) for area in areas))
    lines = []
    for name in names(released):
        rows = [released.species.get((name, area, week)) for area in areas]
        if any(row is not None for row in rows):
            cells = [DASH if one is None else html_tables.cell(one) for one in rows]
            lines.append(html_tables.line(heads, name, cells))
    return html_tables.table(heads, lines or [html_tables.words_line(heads, say("no open day"))])


# The part of the page.


def draw(choice: Choice, released: Released) -> None:
    """Draw other species met per angler-hour, by area and by week."""
    index, shown = choice.index, domains(choice.index, choice.areas)
    if not released.species:
        page_frame.lead(species_answer(index, released, choice.domains, week=None))
        return
    place = st.container()
    with st.columns([2, 3])[0]:
        week = filters.span(weeks(released))
    with place:
        page_frame.lead(species_answer(index, released, choice.domains, week=week))
    found = {area: rows for area in shown if (rows := forest_rows(released, area, week))}
    if found:
        st.header(say("Other species per angler-hour"), anchor=False)
        page_frame.forest_signs([row for rows in found.values() for row in rows], NAMES)
        st.caption(say(page_frame.OWN_SCALE))

        def panel(area: str | None) -> None:
            said = title(released, area, week, where=head(index, area))
            key = f"released-species-{area or 'all'}"
            page_frame.forest_panel(
                found[area], title=said, key=key, of=say("Fish per angler-hour")
            )

        page_frame.grid(list(found), panel)
    st.caption(say(MEANING))
    st.html(table(index, released, shown, week=week))
    _draw_weeks(choice, released)
    page_frame.downloads(choice, bycatch=say("other species"))


def weeks_title(
    lines: Mapping[str, Sequence[Row | None]], *, name: str, names: Mapping[str, str]
) -> str:
    """Return the finding of the weeks of a species: where and when it was met most."""
    known = [
        (row.estimate, row.week, area)
        for area, rows in lines.items()
        for row in rows
        if row is not None and row.estimate and row.week
    ]
    if not known:
        is_none = any(one is not None and one.estimate == 0 for of in lines.values() for one in of)
        if is_none:
            return say("{species} by week: none met", species=name)
        return say("{species} by week: no figure", species=name)
    _, week, area = max(known)
    row = next(one for one in lines[area] if one is not None and one.week == week)
    return say(
        "{species} by week: most in {area}, {dates}, {rate} an angler-hour (one scale)",
        species=name,
        area=names[area],
        dates=numbers.week_dates(week),
        rate=numbers.value(row),
    )


def _draw_weeks(choice: Choice, released: Released) -> None:
    """Draw the weeks of one species, area by area."""
    st.header(say("One species from week to week"), anchor=False)
    with st.columns([2, 3])[0]:
        name = filters.pick(say("Species"), names(released), key="species")
    index = choice.index
    lines = {
        area: [released.species.get((name, area, week)) for week in index.axis]
        for area in choice.shown
    }
    lines = {area: rows for area, rows in lines.items() if any(rows)}
    if not lines:
        return
    every = [row for rows in lines.values() for row in rows]
    top, named = numbers.axis_end(every), {area: index.name(area) for area in lines}
    figure = series.panels(
        lines,
        weeks=index.axis,
        quantity=RATE,
        tops=dict.fromkeys(lines, top),
        names=named,
        palette=page_frame.colours(),
    )
    label = f"{name}, {QUANTITIES[RATE].label.lower()}"
    said = [
        numbers.trend_description(rows, weeks=index.axis, area=named[area], label=label)
        for area, rows in lines.items()
    ]
    page_frame.panel(
        weeks_title(lines, name=name, names=named), figure, key="released-weeks", alt=" ".join(said)
    )
    cut = [series.CUT] if series.is_cut(every, top=top) else []
    page_frame.on_demand(html_tables.legend(numbers.legend(every), chosen="", more=cut))
