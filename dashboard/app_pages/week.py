"""The page This week: how much fishing, how many fish met and kept, how many sublegal."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.bulletin.notes import last_note
from analytics.errors import StoreError
from analytics.quantities import label_of
from analytics.wording import bulletin_index, numbers, reasons
from analytics.wording import week as sentences
from analytics.wording.week import bases_apart_in_week, fish_words
from dashboard import (
    data,
    document_buttons,
    filters,
    html_tables,
    notices,
    page_frame,
    store_access,
)
from dashboard.catalogue import phrase, say
from dashboard.charts import heat, series
from dashboard.page_frame import Chosen, colours, draw_page, lead

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import pyarrow as pa

    from analytics.wording.bulletin_index import Row
    from dashboard.catch_rates.records import Rates
    from dashboard.filters import Choice

TREND = (sentences.MET, sentences.KEPT, sentences.EFFORT, sentences.RATE, sentences.SHARE)
HEAT = (sentences.RATE, sentences.SHARE)
SCALES = {"own": phrase("A scale for each"), "shared": phrase("One scale for all")}


def _body(chosen: Chosen, rates: Rates) -> None:
    choice = chosen.choice
    _answer(choice)
    _documents(choice)
    _against_past(choice, rates)
    # On paper the table fills the first sheet, on which the weekly trend has no room.
    with page_frame.on_paper(3):
        page_frame.part(_trends, choice)
    with page_frame.on_paper(2):
        page_frame.part(_heat_map, choice)
    with page_frame.on_paper(1):
        _table(choice)
    with page_frame.on_paper(4):
        notices.reservations(choice)
        page_frame.folded(
            say("What the words and marks mean"),
            "fold-words",
            lambda: st.markdown(notices.glossary(level=choice.index.card.level)),
        )


def _answer(choice: Choice) -> None:
    index, week = choice.index, choice.week
    notices.standing(choice)
    apart = bases_apart_in_week(index, areas=choice.areas or (None, *index.areas), week=week)
    if len(choice.areas) <= 1:
        lead(apart + sentences.week_answer(index, area=choice.domains[0], week=week))
        st.html(html_tables.cards(index, area=choice.domains[0], week=week))
        return
    lead(apart + sentences.week_answer_by_area(index, areas=choice.areas, week=week))
    for area in choice.areas:
        st.subheader(numbers.plain(index.name(area)), anchor=False)
        st.html(html_tables.cards(index, area=area, week=week))


def _documents(choice: Choice) -> None:
    """Draw the analyst's note, and the whole bulletin as documents where it is the bulletin's week.

    An archive without its store, such as the public's, is shown on the pages alone.
    """
    index, folder = choice.index, data.archive_folder()
    if folder is None or store_access.store_path() is None or choice.week != index.card.through:
        return
    try:
        note = last_note(folder, index.card.bulletin)
    except StoreError as error:
        st.error(document_buttons.without_note(error))
        return
    if note and note.text:
        st.markdown(f"**{notices.note_head(note.author)}.** {numbers.plain(note.text)}")
    document_buttons.bulletin_buttons(index.card, key="week")


def _against_past(choice: Choice, rates: Rates) -> None:
    """Draw all areas together, or the one chosen area, against past seasons."""
    if len(choice.domains) > 1 or (found := series.against_past(rates, choice.domains[0])) is None:
        return
    page_frame.panel(
        series.past_title(found),
        series.past_figure(found, palette=colours()),
        key="trend-past",
        alt=series.past_description(found),
    )


def _trends(choice: Choice) -> None:
    st.header(say("Weekly trend"), anchor=False)
    quantity = filters.switch(say("Figure"), TREND, key="show", words=label_of)
    scale = filters.switch(
        say("Scale"), tuple(SCALES), key="scale", words=lambda one: say(SCALES[one])
    )
    index, shown = choice.index, choice.shown
    lines = {area: _line(choice, area, quantity) for area in shown}
    shared = numbers.axis_end(row for line in lines.values() for row in line)
    is_shared = scale == "shared"
    tops = {area: shared if is_shared else numbers.axis_end(line) for area, line in lines.items()}
    names = {area: index.name(area) for area in shown}
    words = {
        name: numbers.change_word(index.change(area, choice.week, quantity))
        for area, name in names.items()
    }
    figure = series.panels(
        lines,
        weeks=index.axis,
        quantity=quantity,
        tops=tops,
        names=names,
        palette=colours(),
    )
    title = series.moves_title(words, label=label_of(quantity))
    said = [
        numbers.trend_description(
            line, weeks=index.axis, area=names[area], label=label_of(quantity)
        )
        for area, line in lines.items()
    ]
    page_frame.panel(title, figure, key="trend-areas", alt=" ".join([f"{title}.", *said]))
    rows = [index.row(area, choice.week, quantity) for area in shown]
    is_cut = any(series.is_cut(line, top=tops[area]) for area, line in lines.items())
    more = [series.CUT] if is_cut else []
    due = {reasons.caution(row)[0] for row in rows}
    more += [sign for sign in reasons.CAUTION_SIGNS if sign[0] in due]
    column = index.axis.index(choice.week) if choice.week in index.axis else None
    said_there = series.chosen_words(rows, week=choice.week)
    framed = html_tables.framed("trend-areas", column=column, words=said_there)
    _signs(lines.values(), chosen=choice.week, more=more, beside=framed)
    st.caption(notices.COVERAGE)


def _heat_map(choice: Choice) -> None:
    st.header(say("Rates by area and week"), anchor=False)
    quantity = filters.switch(say("Map"), HEAT, key="map", words=label_of)
    index, shown = choice.index, choice.shown
    cells = {(area, week): index.row(area, week, quantity) for area in shown for week in index.axis}
    title = heat.title(
        {area: index.row(area, choice.week, quantity) for area in shown},
        week=choice.week,
        names={area: index.name(area) for area in shown},
        label=label_of(quantity),
    )
    figure = heat.heat(
        cells,
        areas=shown,
        names={area: index.name(area) for area in shown},
        weeks=index.axis,
        quantity=quantity,
        palette=colours(),
    )
    span = heat.span_words(cells.values())
    words = say(
        "{label} by area and week. {span} The same figures stand in the download.",
        label=label_of(quantity),
        span=span,
    )
    key = "heat-map" if len(shown) <= heat.NARROW_AREAS else "heat-map-many"
    page_frame.panel(title, figure, key=key, alt=words)
    st.caption(span)
    framed = html_tables.framed(key, line=heat.line_of(choice.week, index.axis))
    _signs([cells.values()], chosen=choice.week, more=reasons.CAUTION_SIGNS, beside=framed)


def _signs(
    lines: Iterable[Iterable[Row | None]],
    *,
    chosen: str,
    more: Sequence[tuple[str, str]],
    beside: str = "",
) -> None:
    page_frame.on_demand(beside + html_tables.legend(_marks(lines), chosen=chosen, more=more))


def _table(choice: Choice) -> None:
    index, week = choice.index, choice.week
    st.header(say("Week {week} by area", week=week), anchor=False)
    st.html(html_tables.week_table(index, areas=choice.shown, week=week, together=not choice.areas))
    st.caption(say(html_tables.SITE_DAYS))
    if fish := fish_words(index.bulletin.card.basis):
        other = phrase("Released fish {fish}; the other basis stands on *Alternative estimates*.")
        has_other = index.bulletin.table("other_basis").num_rows
        st.caption(say(other if has_other else phrase("Released fish {fish}."), fish=fish))
    domains: tuple[str | None, ...] = choice.areas or (None, *index.areas)
    page_frame.folded(
        say("Every quantity of the week"),
        "every-quantity",
        lambda: st.html(html_tables.every_quantity(index, areas=domains, week=week)),
    )

    def rows() -> pa.Table:
        found = bulletin_index.rows_of_week(index, week=week, areas=choice.areas)
        return html_tables.with_precision(found)

    page_frame.download(say("the week"), rows, choice, week)


def _line(choice: Choice, area: str, quantity: str) -> list[Row | None]:
    return [choice.index.row(area, week, quantity) for week in choice.index.axis]


def _marks(lines: Iterable[Iterable[Row | None]]) -> list[numbers.Mark]:
    return numbers.legend(row for line in lines for row in line)


draw_page(phrase("This week"), "week", view="rates", body=_body, with_week=True)
