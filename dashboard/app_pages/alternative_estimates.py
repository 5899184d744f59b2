"""Alternative estimates: how much the season's figures depend on how they are reckoned."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.quantities import QUANTITIES
from dashboard import data, filters, html_tables, notices, numbers
from dashboard.alternative_estimates import bases as reckoned
from dashboard.alternative_estimates import tables as way_tables
from dashboard.charts import bars, forest
from dashboard.charts import ways as chart
from dashboard.charts.theme import palette
from dashboard.page_frame import Chosen, framed
from dashboard.revisions import tables as move_tables
from dashboard.style import is_dark
from dashboard.week import sentences

if TYPE_CHECKING:
    import pyarrow as pa

    from dashboard.alternative_estimates.bases import Reading, Ways
    from dashboard.filters import Choice

FIGURES = (
    sentences.MET,
    "released_sublegal_fish",
    sentences.KEPT,
    sentences.EFFORT,
    sentences.SHARE,
    "total_deaths_fish",
)
PLOT = {"displayModeBar": False, "responsive": True}
COLUMNS = 3
ASSUMED = (
    "“As sampled” is what the other pages show. Nothing here is applied to those figures: over all "
    "boats and from boats counted are estimates from further data, each with its error; reports "
    "that ran 1.5 or 2.2 times too high are stated assumptions and no estimate of anything. All "
    "rest on the same interviews, so intervals that overlap do not prove that two ways agree."
)


def show() -> None:
    """Draw the page, or say in words why it cannot be drawn."""
    framed(
        "Alternative estimates",
        "ways",
        load=lambda folder, choice: data.ways(folder, choice.book.card),
        body=_body,
        with_week=False,
    )


def _body(chosen: Chosen, ways: Ways) -> None:
    if "readings" in chosen.choice.book.card.tables:
        _page(chosen.choice, ways)
        return
    with st.container(key="answer"):
        st.markdown(
            "This bulletin was kept before bulletins reckoned in other ways. Make it again "
            "from the store with `blackmouth bulletin`, and it will."
        )


def _page(choice: Choice, ways: Ways) -> None:
    quantity = filters.switch("Figure", FIGURES, key="show", words=_label)
    with st.container(key="answer"):
        st.markdown(reckoned.answer(choice.book, ways, areas=choice.domains, quantity=quantity))
    st.caption(ASSUMED)
    for words in reckoned.why_not(choice.book):
        st.markdown(f"- {numbers.plain(words[:1].upper() + words[1:])}")
    _figures(choice, ways, quantity=quantity)
    _table(choice, ways, quantity=quantity)
    _coverage(choice)
    _reports(choice)


def _figures(choice: Choice, ways: Ways, *, quantity: str) -> None:
    book = choice.book
    domains: list[str | None] = [*choice.areas] if choice.areas else [None, *book.areas]
    drawn = [
        (area, found)
        for area in domains
        if (found := reckoned.readings(book, ways, area=area, quantity=quantity))
    ]
    if not drawn:
        return
    st.header(f"{_label(quantity)}, the season so far", anchor=False)
    signs = list(chart.SIGNS)
    signs += [chart.CUT] if any(chart.is_cut(found) for _, found in drawn) else []
    st.html(move_tables.signs(signs, hues=chart.HUES))
    st.caption("Each panel has its own scale, from zero.")
    if drawn[0][0] is None or len(drawn) == 1:
        _panel(choice, *drawn.pop(0))
    for start in range(0, len(drawn), COLUMNS):
        for place, one in zip(st.columns(COLUMNS), drawn[start : start + COLUMNS], strict=False):
            with place:
                _panel(choice, *one)
    if ways.bases and not reckoned.is_touched(book, ways, quantity):
        st.caption("Reports of sublegal releases do not enter this figure: no assumption moves it.")


def _panel(choice: Choice, area: str | None, found: list[Reading]) -> None:
    name = choice.book.name(area)
    name = name[:1].upper() + name[1:]
    st.markdown(f"**{numbers.plain(name)}**")
    st.plotly_chart(
        chart.panel(found, palette=palette(dark=is_dark())),
        theme=None,
        config=PLOT,
        key=f"ways-{area or 'all'}",
        alt=chart.description(found, where=name),
    )


def _table(choice: Choice, ways: Ways, *, quantity: str) -> None:
    book = choice.book
    st.html(way_tables.readings_table(book, ways, areas=choice.domains, quantity=quantity))
    if not choice.areas:
        with st.expander("The same by area"):
            st.html(way_tables.readings_table(book, ways, areas=book.areas, quantity=quantity))
    _uneven(choice)
    kept = move_tables.of_areas(book.bulletin.readings, areas=choice.areas)
    _download("every reading", html_tables.with_precision(kept), choice, "readings")


def _uneven(choice: Choice) -> None:
    told = reckoned.uneven(choice.book, choice.areas)
    if not told:
        return
    head = numbers.count(len(told), "area")
    with st.expander(f"Days interviewed unevenly: {head} where boats were counted"):
        st.markdown(
            "A catch rate leans to the days interviewed most. With few counts a day, part of what "
            "is told here is chance."
        )
        for words in told:
            st.markdown(f"- {numbers.plain(notices.with_names(words, book=choice.book))}.")


def _coverage(choice: Choice) -> None:
    st.header("Where boats land", anchor=False)
    book, lines = choice.book, way_tables.share_lines(choice.book, choice.areas)
    st.markdown(way_tables.shares_words(lines, book=book))
    known = [line for line in lines if line["share"] is not None]
    if not known:
        return
    st.html(move_tables.signs(forest.SHARE_SIGNS))
    figure = forest.coverage(known, names=book.names, palette=palette(dark=is_dark()))
    words = way_tables.shares_words(lines, book=book).replace("**", "")
    st.plotly_chart(figure, theme=None, config=PLOT, key="coverage-chart", alt=words)
    st.html(way_tables.shares_table(lines, book=book))
    kept = move_tables.of_areas(book.bulletin.coverage, areas=choice.areas)
    _download("coverage", kept, choice, "coverage")


def _reports(choice: Choice) -> None:
    st.header("Round numbers in reports", anchor=False)
    lines = choice.book.bulletin.heaping.to_pylist()
    words = way_tables.reports_words(lines)
    st.markdown(words)
    if not lines:
        return
    drawn = bars.shown(lines)
    signs = bars.REPORT_SIGNS if lines[0]["ratio"] else bars.REPORT_SIGNS[:2]
    st.html(move_tables.signs(signs, hues=bars.REPORT_HUES))
    figure = bars.reports(drawn, palette=palette(dark=is_dark()))
    plain = words.replace("**", "")
    st.plotly_chart(figure, theme=None, config=PLOT, key="reports-chart", alt=plain)
    left = sum(line["boats"] for line in lines[len(drawn) :])
    more = f" Reports of more than {drawn[-1]['fish']} fish ({left:,}) are in the table." * (
        left > 0
    )
    st.caption(f"All areas, boats that reported one fish or more.{more}")
    with st.expander("The table of reports"):
        st.html(way_tables.reports_table(lines))
    _download("the table of reports", choice.book.bulletin.heaping, choice, "heaping")


def _download(words: str, table: pa.Table, choice: Choice, name: str) -> None:
    st.download_button(
        f"Download {words} (CSV)",
        html_tables.csv(table),
        file_name=f"{choice.book.card.bulletin}.{name}.csv",
        mime="text/csv",
        on_click="ignore",
        key=f"download-{name}",
    )


def _label(quantity: str) -> str:
    return QUANTITIES[quantity].label


show()
