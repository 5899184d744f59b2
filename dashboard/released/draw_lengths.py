"""The parts Lengths and Other species of the page Released fish."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.quantities import QUANTITIES
from dashboard import filters, html_tables, numbers, page_frame
from dashboard.charts import bars as barred
from dashboard.charts import curves, series, theme
from dashboard.released import lengths as measured
from dashboard.released import records as gone_back
from dashboard.released import species as other
from dashboard.week.sentences import RATE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.charts.forest import ForestRow
    from dashboard.filters import Choice
    from dashboard.released.records import Line, Released

SEASON = "season"


def _span(weeks: Sequence[str]) -> str | None:
    """Draw the choice between the season so far and one week; return None for the season."""

    def words(one: str) -> str:
        return "The season so far" if one == SEASON else f"{one} · {numbers.week_dates(one)}"

    with st.columns([2, 3])[0]:
        chosen = filters.pick("Time", [SEASON, *weeks], key="span", words=words)
    return None if chosen == SEASON else chosen


def lengths(choice: Choice, told: Released) -> None:
    """Draw fish by length with the legal line, and the legal share at other lines."""
    book = choice.book
    page_frame.lead(measured.answer(book, told, choice.domains))
    if told.lines["lengths"]:
        week = _span(measured.weeks(told))
        when = "the season so far" if week is None else f"week {week}"
        st.header(f"Fish by length, {when}", anchor=False)
        page_frame.signs(barred.SIGNS, barred.HUES)
        for area in choice.domains:
            _histograms(choice, told, area, week=week)
        _by_area(choice, told, week=week)
        page_frame.download("the lengths", book.bulletin.table("lengths"), choice, "lengths")
    if told.lines["legal_share"]:
        _legal(choice, told)
    for words in measured.conversion_words(told):
        st.caption(numbers.plain(words))
    if told.lines["conversions"]:
        table = book.bulletin.table("conversions")
        page_frame.download("the conversions", table, choice, "conversions")


def _histograms(choice: Choice, told: Released, area: str | None, *, week: str | None) -> None:
    place = choice.book.name(area)
    found = {
        source: measured.bins(told, area, source=source, week=week) for source in measured.SOURCES
    }
    st.markdown(f"**{numbers.plain(gone_back.head(choice.book, area))}**")
    for place_of, (source, bins) in zip(st.columns(2), found.items(), strict=True):
        with place_of:
            count = sum(one["fish"] for one in bins)
            st.markdown(f"{measured.SOURCES[source]}, {count:,} measured")
            if bins:
                _bars(told, area, bins, source=source, place=place)
    if any(found.values()):
        with st.expander(f"The numbers, {numbers.plain(place)}"):
            st.html(measured.table(found["test_fishing"], found["dockside"]))


def _bars(
    told: Released, area: str | None, bins: Sequence[Line], *, source: str, place: str
) -> None:
    figure = barred.lengths(
        bins,
        rules=measured.rules(told, area),
        span=measured.span(told),
        palette=page_frame.colours(),
    )
    words = measured.histogram_words(bins, source=source, place=place)
    page_frame.chart(figure, key=f"released-lengths-{source}-{area or 'all'}", alt=words)


def _by_area(choice: Choice, told: Released, *, week: str | None) -> None:
    source = "test_fishing"
    found = {
        area: bins
        for area in (() if choice.areas else choice.book.areas)
        if (bins := measured.bins(told, area, source=source, week=week))
    }
    if not found:
        return
    st.caption(measured.BY_AREA)

    def panel(area: str) -> None:
        name = choice.book.name(area)
        count = sum(one["fish"] for one in found[area])
        st.markdown(f"**{numbers.plain(name)}**, {count:,} measured")
        _bars(told, area, found[area], source=source, place=name)

    page_frame.grid(list(found), panel)


def _legal(choice: Choice, told: Released) -> None:
    st.header("Share that would be legal at other minimum lengths", anchor=False)
    shown = {area: measured.shares(told, area) for area in choice.domains}
    drawn = {
        area: known
        for area, lines in shown.items()
        if len(known := [one for one in lines if one["share"] is not None]) > 1
    }
    if drawn:
        page_frame.signs(curves.LEGAL_SIGNS, curves.LEGAL_HUES)
    for area, lines in drawn.items():
        st.markdown(f"**{numbers.plain(gone_back.head(choice.book, area))}**")
        figure = curves.legal(lines, palette=page_frame.colours())
        words = measured.curve_words(lines, place=choice.book.name(area))
        page_frame.chart(figure, key=f"released-legal-{area or 'all'}", alt=words)
    st.caption(measured.ONLY_MET)
    for area, lines in shown.items():
        if area not in drawn:
            name = gone_back.head(choice.book, area)
            st.markdown(f"{numbers.plain(name)}: {numbers.plain(measured.why_none(lines))}.")
            continue
        words = measured.alike_words(lines)
        if words:
            st.caption(f"At the minimum in force: {numbers.plain(words)}.")
        st.html(measured.shares_table(lines, head=gone_back.head(choice.book, area)))
    table = choice.book.bulletin.table("legal_share")
    page_frame.download("the legal shares", table, choice, "legal_share")


def species(choice: Choice, told: Released) -> None:
    """Draw other species met per angler-hour, by area and by week."""
    book, domains = choice.book, gone_back.domains(choice.book, choice.areas)
    if not told.species:
        page_frame.lead(other.answer(book, told, choice.domains, week=None))
        return
    place = st.container()
    week = _span(other.weeks(told))
    with place:
        page_frame.lead(other.answer(book, told, choice.domains, week=week))
    found = {area: drawn for area in domains if (drawn := other.dots(told, area, week))}
    if found:
        st.header("Other species per angler-hour", anchor=False)
        page_frame.forest_signs([dot for one in found.values() for dot in one], other.NAMES)
        st.caption(page_frame.OWN_SCALE)
        page_frame.grid(list(found), lambda area: _species_panel(choice, found[area], area))
    st.caption(other.MEANING)
    st.html(other.table(book, told, domains, week=week))
    _weeks(choice, told)
    table = html_tables.with_precision(book.bulletin.table("bycatch"))
    page_frame.download("other species", table, choice, "bycatch")


def _species_panel(choice: Choice, found: Sequence[ForestRow], area: str | None) -> None:
    title, key = gone_back.head(choice.book, area), f"released-species-{area or 'all'}"
    page_frame.forest_panel(found, title=title, key=key, of="Fish per angler-hour")


def _weeks(choice: Choice, told: Released) -> None:
    """Draw the weeks of one species, area by area."""
    st.header("One species from week to week", anchor=False)
    with st.columns([2, 3])[0]:
        name = filters.pick("Species", other.names(told), key="species")
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
