"""The parts Lengths and Other species of the page Released fish."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.units import QUANTITIES
from dashboard import filters, move_tables, tables, text
from dashboard.charts import lengths as chart
from dashboard.charts import marks, trends
from dashboard.charts.palette import palette
from dashboard.released import draw
from dashboard.released import index as gone_back
from dashboard.released import lengths as measured
from dashboard.released import species as other
from dashboard.sentences import RATE
from dashboard.theme import is_dark

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.charts.dots import Dot
    from dashboard.filters import Choice
    from dashboard.released.index import Line, Released

SEASON = "season"


def _span(weeks: Sequence[str]) -> str | None:
    """Draw the choice between the season so far and one week; return None for the season."""

    def words(one: str) -> str:
        return "The season so far" if one == SEASON else f"{one} · {text.week_dates(one)}"

    with st.columns([2, 3])[0]:
        chosen = filters.pick("Time", [SEASON, *weeks], key="span", words=words)
    return None if chosen == SEASON else chosen


def lengths(choice: Choice, told: Released) -> None:
    """Draw fish by length with the legal line, and the legal share at other lines."""
    book = choice.book
    draw.answer(measured.answer(book, told, choice.domains))
    if told.lines["lengths"]:
        week = _span(measured.weeks(told))
        when = "the season so far" if week is None else f"week {week}"
        st.header(f"Fish by length, {when}", anchor=False)
        st.html(move_tables.signs(chart.SIGNS, hues=chart.HUES))
        for area in choice.domains:
            _histograms(choice, told, area, week=week)
        _by_area(choice, told, week=week)
        draw.download("the lengths", book.bulletin.table("lengths"), choice, "lengths")
    if told.lines["legal_share"]:
        _legal(choice, told)
    for words in measured.conversion_words(told):
        st.caption(text.plain(words))
    if told.lines["conversions"]:
        table = book.bulletin.table("conversions")
        draw.download("the conversions", table, choice, "conversions")


def _histograms(choice: Choice, told: Released, area: str | None, *, week: str | None) -> None:
    place = choice.book.name(area)
    found = {
        source: measured.bins(told, area, source=source, week=week) for source in measured.SOURCES
    }
    st.markdown(f"**{text.plain(gone_back.head(choice.book, area))}**")
    for place_of, (source, bins) in zip(st.columns(2), found.items(), strict=True):
        with place_of:
            count = sum(one["fish"] for one in bins)
            st.markdown(f"{measured.SOURCES[source]}, {count:,} measured")
            if bins:
                _bars(told, area, bins, source=source, place=place)
    if any(found.values()):
        with st.expander(f"The numbers, {text.plain(place)}"):
            st.html(measured.table(found["test_fishing"], found["dockside"]))


def _bars(
    told: Released, area: str | None, bins: Sequence[Line], *, source: str, place: str
) -> None:
    figure = chart.bars(
        bins,
        rules=measured.rules(told, area),
        span=measured.span(told),
        palette=palette(dark=is_dark()),
    )
    words = measured.histogram_words(bins, source=source, place=place)
    draw.chart(figure, key=f"lengths-{source}-{area or 'all'}", alt=words)


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
        st.markdown(f"**{text.plain(name)}**, {count:,} measured")
        _bars(told, area, found[area], source=source, place=name)

    draw.grid(list(found), panel)


def _legal(choice: Choice, told: Released) -> None:
    st.header("Share that would be legal at other minimum lengths", anchor=False)
    shown = {area: measured.shares(told, area) for area in choice.domains}
    drawn = {
        area: known
        for area, lines in shown.items()
        if len(known := [one for one in lines if one["share"] is not None]) > 1
    }
    if drawn:
        st.html(move_tables.signs(chart.CURVE_SIGNS, hues=chart.CURVE_HUES))
    for area, lines in drawn.items():
        st.markdown(f"**{text.plain(gone_back.head(choice.book, area))}**")
        figure = chart.curve(lines, palette=palette(dark=is_dark()))
        words = measured.curve_words(lines, place=choice.book.name(area))
        draw.chart(figure, key=f"legal-{area or 'all'}", alt=words)
    st.caption(measured.ONLY_MET)
    for area, lines in shown.items():
        if area not in drawn:
            name = gone_back.head(choice.book, area)
            st.markdown(f"{text.plain(name)}: {text.plain(measured.why_none(lines))}.")
            continue
        words = measured.alike_words(lines)
        if words:
            st.caption(f"At the minimum in force: {text.plain(words)}.")
        st.html(measured.shares_table(lines, head=gone_back.head(choice.book, area)))
    table = choice.book.bulletin.table("legal_share")
    draw.download("the legal shares", table, choice, "legal_share")


def species(choice: Choice, told: Released) -> None:
    """Draw other species met per angler-hour, by area and by week."""
    book, domains = choice.book, gone_back.domains(choice.book, choice.areas)
    if not told.species:
        draw.answer(other.answer(book, told, choice.domains, week=None))
        return
    place = st.container()
    week = _span(other.weeks(told))
    with place:
        draw.answer(other.answer(book, told, choice.domains, week=week))
    found = {area: drawn for area in domains if (drawn := other.dots(told, area, week))}
    if found:
        st.header("Other species per angler-hour", anchor=False)
        draw.legend([dot for one in found.values() for dot in one], other.NAMES)
        st.caption(draw.OWN_SCALE)
        draw.grid(list(found), lambda area: _species_panel(choice, found[area], area))
    st.caption(other.MEANING)
    st.html(other.table(book, told, domains, week=week))
    _weeks(choice, told)
    table = tables.with_precision(book.bulletin.table("bycatch"))
    draw.download("other species", table, choice, "bycatch")


def _species_panel(choice: Choice, found: Sequence[Dot], area: str | None) -> None:
    title, key = gone_back.head(choice.book, area), f"species-{area or 'all'}"
    draw.dots(found, title=title, key=key, of="Fish per angler-hour")


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
    top = trends.ceiling(row for area in shown for row in lines[area])
    signs = [
        (one.glyph, one.words)
        for one in marks.legend(row for area in shown for row in lines[area] if row)
    ]
    cut = any(trends.is_cut(lines[area], top=top) for area in shown)
    st.html(move_tables.signs([*signs, *([trends.CUT] if cut else [])]))

    def panel(area: str) -> None:
        st.markdown(f"**{text.plain(book.name(area))}**")
        figure = trends.panel(
            lines[area],
            weeks=book.axis,
            chosen="",
            quantity=RATE,
            top=top,
            palette=palette(dark=is_dark()),
        )
        label = f"{name}, {QUANTITIES[RATE].label.lower()}"
        words = trends.description(lines[area], weeks=book.axis, area=book.name(area), label=label)
        draw.chart(figure, key=f"weeks-{area}", alt=words)

    draw.grid(shown, panel)
