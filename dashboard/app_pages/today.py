"""Today: what matters now in the season, and where to read on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.wording import limits
from dashboard import data, html_tables, page_frame, today, url_state
from dashboard.catalogue import phrase, say
from dashboard.charts import series
from dashboard.page_frame import Chosen, colours, draw_page
from dashboard.pages import link_to
from dashboard.style import today_sheet

if TYPE_CHECKING:
    from analytics.wording.limits import Standings
    from dashboard.filters import Choice
    from dashboard.today import Kept

CHART_HEIGHT = 168


def _body(chosen: Chosen, found: Standings) -> None:
    choice, kept = chosen.choice, url_state.noted()
    st.html(today_sheet())
    with st.container(key="today"):
        st.html(today.facts_list(today.facts(choice, found, kept)))
        left, right = st.columns([7, 5])
        with left:
            _limits(choice, found, kept)
        with right:
            _season(choice, kept)
        left, right = st.columns([6, 6])
        with left:
            _open_where(choice, kept)
        with right:
            st.html(today.points_list(today.points(choice, kept)))


def _limits(choice: Choice, found: Standings, kept: Kept) -> None:
    lines = today.limit_lines(choice, found, kept)
    if lines:
        rest = today.rest(choice, found, kept)
        st.html(
            today.limits_table(lines, rest, brief=limits.STATE_RULE_BRIEF, rule=limits.STATE_RULE)
        )
    else:
        st.markdown(limits.limits_answer(choice.index, found, choice.areas))


def _season(choice: Choice, kept: Kept) -> None:
    """Draw this season against past ones, of the chosen area where it is one."""
    area = choice.areas[0] if len(choice.areas) == 1 else None
    found = series.against_past(data.view("rates", choice.index.card), area)
    link = link_to("seasonal_pattern", kept)
    if found is None:
        st.html(html_tables.head_link(say("This season against past ones"), link))
        st.markdown(say("This bulletin cannot set its season beside past ones."))
        return
    st.html(html_tables.head_link(series.past_title(found), link))
    figure = series.past_figure(found, palette=colours(), height=CHART_HEIGHT)
    page_frame.chart(figure, key="today-season", alt=series.past_description(found))


def _open_where(choice: Choice, kept: Kept) -> None:
    lines, common = today.area_lines(choice, kept)
    if lines:
        st.html(today.areas_table(lines, day=today.said_for(choice), common=common))
    else:
        st.html(html_tables.head_link(say("Open where"), link_to("week", kept)))
        st.markdown(
            say(
                "This bulletin keeps no rules of its areas. Check the official rules before you go."
            )
        )


draw_page(phrase("Today"), "today", body=_body, view="limits")
