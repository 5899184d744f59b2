"""The part Deaths of the page Released fish: deaths, the mix of methods, held fish."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from dashboard import numbers, page_frame
from dashboard.charts import curves
from dashboard.released import classes
from dashboard.released import deaths as dead
from dashboard.released import deaths as dotted
from dashboard.released import deaths as tabled
from dashboard.released import mix as mixed
from dashboard.released import records as gone_back
from dashboard.released import trials as tried

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.filters import Choice
    from dashboard.released.records import Line, Released


def deaths(choice: Choice, told: Released) -> None:
    """Draw deaths by group of fish, then what they rest on."""
    page_frame.lead(dead.deaths_answer(choice.book, told, choice.domains))
    if told.lines["deaths"]:
        _totals(choice, told)
    _mix(choice, told)
    _held(choice, told)


def _totals(choice: Choice, told: Released) -> None:
    book = choice.book
    found = {area: drawn for area in choice.domains if (drawn := dotted.sums(told, area))}
    by_area = [] if choice.areas else dotted.by_area(book, told)
    every = [dot for one in (*found.values(), by_area) for dot in one]
    if every:
        st.header("Deaths, the season so far", anchor=False)
        page_frame.forest_signs(every, dotted.NAMES)
    for area, drawn in found.items():
        title, key = gone_back.head(book, area), f"released-deaths-{area or 'all'}"
        page_frame.forest_panel(drawn, title=title, key=key, of="Deaths", names=dotted.NAMES)
    if by_area:
        title = "All deaths, by area"
        page_frame.forest_panel(
            by_area, title=title, key="released-deaths-areas", of="Deaths", names=dotted.NAMES
        )
    st.caption(tabled.ALL_RATES)
    _table(choice, told, choice.domains, is_short=True)
    with st.expander("Each group of fish, with its rate and where that is from"):
        _groups(choice, told)
    if not choice.areas:
        with st.expander("The same by area"):
            _table(choice, told, book.areas, is_short=True)
    page_frame.download("the deaths", book.bulletin.table("deaths"), choice, "deaths")


def _groups(choice: Choice, told: Released) -> None:
    for area in choice.domains:
        drawn = dotted.by_group(told, area)
        if drawn:
            title = f"{gone_back.head(choice.book, area)}, releases as reported"
            key = f"released-groups-{area or 'all'}"
            page_frame.forest_panel(drawn, title=title, key=key, of="Deaths by group")
    st.caption(tabled.SMALL)
    _table(choice, told, choice.domains)


def _table(
    choice: Choice, told: Released, areas: Sequence[str | None], *, is_short: bool = False
) -> None:
    """Draw a table of deaths, and below it once what its lines share."""
    st.html(tabled.table(choice.book, told, areas, is_short=is_short))
    words = tabled.shared_notes(told, areas, is_short=is_short)
    if words:
        st.caption(numbers.plain(words))


def _mix(choice: Choice, told: Released) -> None:
    st.header("What the method of fishing does", anchor=False)
    if not told.lines["method_mix_deaths"]:
        st.markdown(mixed.NO_MIX)
        return
    st.markdown(mixed.method_answer(choice.book, told, choice.domains))
    with st.expander("The methods in a figure and a table"):
        for area in choice.domains:
            _mix_of(choice, told, area)
        st.caption(mixed.OTHER_FISHERIES)
        table = choice.book.bulletin.table("method_mix_deaths")
        page_frame.download("the method mix", table, choice, "method_mix_deaths")


def _mix_of(choice: Choice, told: Released, area: str | None) -> None:
    drawn = mixed.dots(told, area)
    if not drawn:
        return
    page_frame.forest_signs(drawn, mixed.NAMES)
    title, key = gone_back.head(choice.book, area), f"released-mix-{area or 'all'}"
    page_frame.forest_panel(drawn, title=title, key=key, of="Deaths of sublegal fish")
    st.html(mixed.table(told, area))
    words = mixed.shared_notes(told, area)
    if words:
        st.caption(numbers.plain(words))


def _held(choice: Choice, told: Released) -> None:
    st.header("Fish held after capture, and where the hook sat", anchor=False)
    st.markdown(tried.trials_answer(told))
    if not told.lines["holding_rates"] and not told.lines["wound_mix"]:
        return
    with st.expander("Held fish and wound sites in figures and tables"):
        _trials(choice, told)
        _survival(choice, told)
    if tried.single(told):
        with st.expander("Each trial"):
            _trial_table(tried.single(told))


def _trials(choice: Choice, told: Released) -> None:
    book = choice.book
    if told.lines["holding_rates"]:
        drawn = tried.dots(told)
        page_frame.forest_signs(drawn, tried.NAMES)
        title = "Share of held fish that died"
        page_frame.forest_panel(
            drawn, title=title, key="released-trials", of="Rates", names=tried.NAMES
        )
        st.caption(f"{tried.HELD} {tried.cut_words(told)}".rstrip())
        _trial_table(tried.together(told))
        page_frame.download(
            "the trials", book.bulletin.table("holding_rates"), choice, "holding_rates"
        )
    if told.lines["wound_mix"]:
        st.markdown("**Where the hook sat in this season’s measured fish**")
        st.html(tried.mix_table(told))
        page_frame.download(
            "the wound sites", book.bulletin.table("wound_mix"), choice, "wound_mix"
        )


def _trial_table(lines: Sequence[Line]) -> None:
    st.html(tried.table(lines))
    words = classes.sentence(classes.shared(lines))
    if words:
        st.caption(numbers.plain(words))


def _survival(choice: Choice, told: Released) -> None:
    groups = tried.survivors(told)
    if not groups:
        return
    if max(map(len, groups.values())) == 1:
        st.caption(tried.ONE_CHECK)
        page_frame.download("survival", choice.book.bulletin.table("survival"), choice, "survival")
        return
    st.markdown("**Alive over time, by group**")
    page_frame.signs(curves.ALIVE_SIGNS)
    until = 1.06 * max(step["hours"] for steps in groups.values() for step in steps)

    def panel(name: str) -> None:
        st.markdown(numbers.plain(name))
        figure = curves.alive(groups[name], until=until, palette=page_frame.colours())
        page_frame.chart(
            figure, key=f"released-alive-{name}", alt=tried.survival_words(name, groups[name])
        )

    page_frame.grid(list(groups), panel)
    st.caption(tried.AT_CHECKS)
    table = choice.book.bulletin.table("survival")
    page_frame.download("survival", table, choice, "survival")
