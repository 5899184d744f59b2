"""The parts Sublegal share, and Size and mark, of the page Released fish."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from dashboard import html_tables, numbers, page_frame
from dashboard.charts import series, theme
from dashboard.digits import percent
from dashboard.released import classes as classed
from dashboard.released import records as gone_back
from dashboard.released import shares as shared

if TYPE_CHECKING:
    from dashboard.filters import Choice
    from dashboard.released.records import Released


def shares(choice: Choice, told: Released) -> None:
    """Draw the sublegal share by area and week."""
    book = choice.book
    page_frame.lead(shared.answer(book, told, choice.areas))
    if not told.shares:
        return
    shown = [area for area in choice.shown if shared.latest(told, area)]
    if shown:
        st.header("Sublegal share, week by week", anchor=False)
        rows = [told.share(gone_back.SURVEY, area, week) for area in shown for week in book.axis]
        signs = [(one.glyph, one.words) for one in theme.legend(row for row in rows if row)]
        page_frame.signs([*signs, *series.SHARE_SIGNS], series.SHARE_HUES)
        rows += [told.share(gone_back.POOLED, area, week) for area in shown for week in book.axis]
        span = series.share_axis(rows)
        page_frame.grid(shown, lambda area: _share_panel(choice, told, area, span=span))
        st.caption(
            f"Every panel runs from {percent(max(span[0], 0))} to {percent(min(span[1], 1))}."
        )
    st.caption(f"{shared.LEAN} {shared.DESIGN_EFFECT}")
    st.html(shared.table(book, told, choice.areas))
    for area in choice.areas:
        with st.expander(f"Every week in {numbers.plain(book.name(area))}"):
            st.html(shared.weeks_table(book, told, area))
    if not choice.areas:
        st.caption("Choose an area to read its weeks in a table; the download has them all.")
    words = shared.model_words(told)
    if words:
        st.caption(f"The model, in the words of the bulletin: {numbers.plain(words)}.")
    table = html_tables.with_precision(book.bulletin.table("shares"))
    page_frame.download("the shares", table, choice, "shares")


def _share_panel(choice: Choice, told: Released, area: str, *, span: tuple[float, float]) -> None:
    book, weeks = choice.book, choice.book.axis
    survey, pooled = (
        [told.share(basis, area, week) for week in weeks]
        for basis in (gone_back.SURVEY, gone_back.POOLED)
    )
    st.markdown(f"**{numbers.plain(book.name(area))}**")
    figure = series.share_panel(
        survey, pooled, weeks=weeks, span=span, palette=page_frame.colours()
    )
    words = series.share_description(survey, pooled, weeks=weeks, area=book.name(area))
    page_frame.chart(figure, key=f"released-share-{area}", alt=words)


def classes(choice: Choice, told: Released) -> None:
    """Draw encounters by size and mark, reported beside sampled."""
    book, domains = choice.book, gone_back.domains(choice.book, choice.areas)
    page_frame.lead(classed.answer(book, told, choice.domains))
    if not told.classes:
        return
    found = [dot for area in domains for dot in classed.dots(told, area)]
    if found:
        st.header("Encounters by size and mark, the season so far", anchor=False)
        page_frame.forest_signs(found, classed.NAMES)
        for area in choice.domains:
            _class_pair(choice, told, area)
        st.caption(page_frame.OWN_SCALE)
    if found and not choice.areas:
        shown = [area for area in book.areas if classed.dots(told, area)]
        page_frame.grid(shown, lambda area: _class_panel(choice, told, area))
    st.caption(classed.BOTH)
    rules, behind = (words(book, told, choice.domains) for words in (classed.rules, classed.behind))
    pooled = f" How samples were pooled: {numbers.plain(rules)}." if rules else ""
    st.caption(f"{classed.POOLING}{pooled}")
    if behind:
        st.caption(f"Sampled figures: {numbers.plain(behind)}.")
    st.html(classed.table(book, told, choice.domains))
    if not choice.areas:
        with st.expander("The same by area"):
            st.html(classed.table(book, told, book.areas))
    for words, name in (("the classes", "composition"), ("the comparison", "composition_ratio")):
        page_frame.download(words, book.bulletin.table(name), choice, name)


def _class_pair(choice: Choice, told: Released, area: str | None) -> None:
    left, right = st.columns([3, 2])
    with left:
        _class_panel(choice, told, area)
    ratios = classed.ratio_dots(told, area)
    if not ratios:
        return
    with right:
        title = f"Sampled over reported, {choice.book.name(area)}"
        of = "Ratio of the two"
        page_frame.forest_panel(
            ratios, title=title, key=f"released-ratio-{area or 'all'}", of=of, guide=1.0
        )
        st.caption("Dotted line: as many sampled as reported.")


def _class_panel(choice: Choice, told: Released, area: str | None) -> None:
    found = classed.dots(told, area)
    if found:
        title = gone_back.head(choice.book, area)
        of = "Encounters by size and mark"
        names = classed.NAMES
        page_frame.forest_panel(
            found, title=title, key=f"released-classes-{area or 'all'}", of=of, names=names
        )
