"""The part Lengths of the page Released fish."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from dashboard import filters, numbers, page_frame
from dashboard.charts import bars as barred
from dashboard.charts import curves
from dashboard.released import lengths as measured
from dashboard.released import records as gone_back

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.filters import Choice
    from dashboard.released.records import Line, Released


def lengths(choice: Choice, told: Released) -> None:
    """Draw fish by length with the legal line, and the legal share at other lines."""
    book = choice.book
    page_frame.lead(measured.legal_answer(book, told, choice.domains))
    if told.lines["lengths"]:
        week = filters.span(measured.weeks(told))
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
