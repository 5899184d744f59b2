"""The part Deaths of the page Released fish: deaths, the mix of methods, held fish."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from dashboard import move_tables, text
from dashboard.charts import survival as stairs
from dashboard.charts.palette import palette
from dashboard.released import deaths as dead
from dashboard.released import draw
from dashboard.released import index as gone_back
from dashboard.released import mix as mixed
from dashboard.released import trials as tried
from dashboard.theme import is_dark

if TYPE_CHECKING:
    from dashboard.filters import Choice
    from dashboard.released.index import Released


def deaths(choice: Choice, told: Released) -> None:
    """Draw deaths by group of fish, then what they rest on."""
    draw.answer(dead.answer(choice.book, told, choice.domains))
    if told.lines["deaths"]:
        _groups(choice, told)
    _mix(choice, told)
    _held(choice, told)


def _groups(choice: Choice, told: Released) -> None:
    book = choice.book
    found = {area: drawn for area in choice.domains if (drawn := dead.dots(told, area))}
    by_area = [] if choice.areas else dead.area_dots(book, told)
    if found:
        st.header("Deaths by group of fish, the season so far", anchor=False)
        draw.legend([dot for one in found.values() for dot in one], dead.NAMES)
    for area, drawn in found.items():
        title, key = gone_back.head(book, area), f"deaths-{area or 'all'}"
        draw.dots(drawn, title=title, key=key, of="Deaths by group")
    if by_area:
        draw.dots(by_area, title="All deaths, by area", key="deaths-areas", of="Deaths")
    st.caption(f"{dead.SMALL} {dead.ALL_RATES}")
    st.html(dead.table(book, told, choice.domains, is_short=True))
    with st.expander("Each group of fish, with its rate and where that is from"):
        st.html(dead.table(book, told, choice.domains))
    if not choice.areas:
        with st.expander("The same by area"):
            st.html(dead.table(book, told, book.areas, is_short=True))
    draw.download("the deaths", book.bulletin.table("deaths"), choice, "deaths")


def _mix(choice: Choice, told: Released) -> None:
    st.header("What the method of fishing does", anchor=False)
    if not told.lines["method_mix"]:
        st.markdown(mixed.NO_MIX)
        return
    st.markdown(mixed.answer(choice.book, told, choice.domains))
    for area in choice.domains:
        drawn = mixed.dots(told, area)
        if drawn:
            draw.legend(drawn, mixed.NAMES)
            title, key = gone_back.head(choice.book, area), f"mix-{area or 'all'}"
            draw.dots(drawn, title=title, key=key, of="Deaths of sublegal fish")
    st.caption(mixed.OTHER_FISHERIES)
    for area in choice.domains:
        if mixed.totals(told, area):
            with st.expander(f"Each method’s part, {text.plain(choice.book.name(area))}"):
                st.html(mixed.table(told, area))
    draw.download("the method mix", choice.book.bulletin.table("method_mix"), choice, "method_mix")


def _held(choice: Choice, told: Released) -> None:
    st.header("Fish held after capture, and where the hook sat", anchor=False)
    st.markdown(tried.answer(told))
    book = choice.book
    if told.lines["trials"]:
        drawn = tried.dots(told)
        draw.legend(drawn, tried.NAMES)
        title = "Share of held fish that died"
        draw.dots(drawn, title=title, key="trials", of="Rates", names=tried.NAMES)
        st.caption(tried.HELD)
        st.html(tried.table(tried.together(told)))
        if tried.single(told):
            with st.expander("Each trial"):
                st.html(tried.table(tried.single(told)))
        draw.download("the trials", book.bulletin.table("trials"), choice, "trials")
    if told.lines["wound_mix"]:
        st.markdown("**Where the hook sat in this season’s measured fish**")
        st.html(tried.mix_table(told))
        draw.download("the wound sites", book.bulletin.table("wound_mix"), choice, "wound_mix")
    _survival(choice, told)


def _survival(choice: Choice, told: Released) -> None:
    groups = tried.survivors(told)
    if not groups:
        return
    if max(map(len, groups.values())) == 1:
        st.caption(tried.ONE_CHECK)
        draw.download("survival", choice.book.bulletin.table("survival"), choice, "survival")
        return
    st.markdown("**Alive over time, by group**")
    st.html(move_tables.signs(stairs.SIGNS))
    until = 1.06 * max(step["hours"] for steps in groups.values() for step in steps)

    def panel(name: str) -> None:
        st.markdown(text.plain(name))
        figure = stairs.panel(groups[name], until=until, palette=palette(dark=is_dark()))
        draw.chart(figure, key=f"alive-{name}", alt=tried.survival_words(name, groups[name]))

    draw.grid(list(groups), panel)
    st.caption(tried.AT_CHECKS)
    table = choice.book.bulletin.table("survival")
    draw.download("survival", table, choice, "survival")
