"""Season limits: how much of each limit is used, and when it is reached."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.wording import accuracy
from analytics.wording import limits as standings
from dashboard import filters, notices, page_frame, url_state
from dashboard.catalogue import phrase, say
from dashboard.charts import limits as barred
from dashboard.html_tables import head_link
from dashboard.page_frame import Chosen, colours, download, draw_page, lead
from dashboard.pages import link_to
from dashboard.season_limits import panels, table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.limits import Line, Standings
    from dashboard.filters import Choice


def _body(chosen: Chosen, found: Standings) -> None:
    choice, index = chosen.choice, chosen.choice.index
    lead(standings.limits_answer(index, found, choice.areas))
    st.caption(notices.as_of(choice))
    limits = found.of_areas(choice.areas)
    if limits:
        _bars(choice, limits)
        with page_frame.on_paper(1):  # how far to trust them fills the first sheet
            _table(choice, found, limits)
        with page_frame.on_paper(2):
            page_frame.part(lambda: _fan(choice, found, limits))
    _accuracy(choice, found)
    panels.assumed(choice, found, say("What the numbers ahead rest on"))


def _bars(choice: Choice, limits: Sequence[Line]) -> None:
    bars = panels.bars(choice.index, limits)
    st.header(panels.finding(limits), anchor=False)
    if found := barred.signs(bars):
        page_frame.signs(found, barred.HUES)
    figure = barred.figure(bars, palette=colours())
    page_frame.chart(figure, key="season-bars", alt=barred.description(bars))
    st.caption(standings.MEANING)


def _fan(choice: Choice, found: Standings, limits: Sequence[Line]) -> None:
    by_id = {line["limit_id"]: line for line in limits if found.fan.get(line["limit_id"])}
    if not by_id:
        return
    st.header(say("Week by week"), anchor=False)
    name = filters.pick(
        say("Limit"),
        list(by_id),
        key="limit",
        words=lambda one: standings.label(choice.index, by_id[one]),
    )
    panels.draw_fan(panels.fan(found, by_id[name]), standings.label(choice.index, by_id[name]))
    st.caption(standings.outlook(by_id[name]).replace("**", ""))


def _table(choice: Choice, found: Standings, limits: Sequence[Line]) -> None:
    st.html(table.summary(choice.index, limits, found.backtest))
    if any(line["is_preliminary"] for line in limits):
        st.caption(standings.STATE_RULE)
    page_frame.folded(
        say("Every figure of each limit"),
        "fold-limits",
        lambda: st.html(table.table(choice.index, limits)),
    )
    with st.container(horizontal=True):
        for name, said in (
            ("limit_status", say("the state of the limits")),
            ("limit_paths", say("the weeks so far and to come")),
        ):
            download(said, choice.index.bulletin.table(name), choice, name)


def _accuracy(choice: Choice, found: Standings) -> None:
    """Say in a line how far to trust what is projected."""
    link = link_to("projection_accuracy", url_state.noted())
    st.html(head_link(say("How far to trust the projections"), link))
    st.markdown(accuracy.accuracy_answer(choice.index, found.backtest))


draw_page(
    phrase("Season limits"),
    "season_limits",
    view="limits",
    body=_body,
    needs=("limit_status",),
    older=panels.OLDER,
)
