"""Projection accuracy: how projections of past seasons and of earlier bulletins did."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.quantities import label_of
from analytics.wording import accuracy, numbers
from dashboard import notices, page_frame
from dashboard.catalogue import phrase, say
from dashboard.charts import forest as dotted
from dashboard.page_frame import Chosen, colours, download, draw_page, grid, lead
from dashboard.released.records import head
from dashboard.season_limits import panels

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.limits import Standings
    from dashboard.filters import Choice


def _body(chosen: Chosen, found: Standings) -> None:
    choice = chosen.choice
    lead(accuracy.accuracy_answer(choice.index, found.backtest))
    st.caption(notices.as_of(choice))
    _past(choice, found)
    _plain_rule(found)
    _issued(choice, found)


def _past(choice: Choice, found: Standings) -> None:
    """Draw the projections of past seasons, by figure and one by one."""
    lacking = panels.not_judged(found.backtest)
    if lacking:
        with st.expander(say("What could not be projected")):
            st.markdown("\n".join(f"- {numbers.plain(one)}" for one in lacking))
    if not accuracy.judged(found.backtest):
        return
    st.header(say("Past seasons, by figure"), anchor=False)
    st.html(panels.backtest_table(found.backtest))
    st.caption(say(panels.MEANING))
    drawn = panels.backtest_panels(found.backtest, choice.domains)
    if drawn:
        st.header(say("Each projection against what the season came to"), anchor=False)
        named = list(panels.NAMED)
        dots = [dot for _, _, mine in drawn for dot in mine]
        page_frame.signs(dotted.signs(dots, named), dotted.HUES)
        st.caption(say("1 is what the season came to; each line is a projection as of that day."))
        grid(drawn, lambda one: _panel(choice, *one))
    download(say("the projections"), choice.index.bulletin.table("backtest"), choice, "backtest")


def _panel(
    choice: Choice, area: str | None, quantity: str, dots: Sequence[dotted.ForestRow]
) -> None:
    title = f"{label_of(quantity)}, {head(choice.index, area)}"
    figure = dotted.figure(dots, palette=colours(), guide=1.0)
    said = dotted.description(dots, of=say("Expected over final, {title}", title=title))
    key = f"season-did-{quantity}-{area or 'all'}"
    page_frame.panel(f"{title}: {panels.hits(dots)}", figure, key=key, alt=said)


def _plain_rule(found: Standings) -> None:
    past = accuracy.of_past(found.compared)
    if past:
        st.header(say("Beside a plain rule"), anchor=False)
        st.html(panels.score_table(past))
        if why := panels.about_plain(past):
            st.markdown(why)
        st.caption(say(panels.SCORED))


def _issued(choice: Choice, found: Standings) -> None:
    """Draw what became of the projections that bulletins issued."""
    bulletin = choice.index.bulletin
    if not bulletin.table("projections").num_rows:
        return
    st.header(say("Projections in bulletins"), anchor=False)
    st.markdown(accuracy.issued_answer(found.issued))
    issued = accuracy.of_issued(found.issued)
    if issued:
        st.html(panels.score_table(issued))
    download(
        say("projections of this bulletin"), bulletin.table("projections"), choice, "projections"
    )
    if found.issued:
        table = bulletin.table("projection_scores")
        download(say("scores of issued projections"), table, choice, "projection_scores")


draw_page(
    phrase("Projection accuracy"),
    "projection_accuracy",
    view="limits",
    body=_body,
    needs=("backtest",),
    older=panels.OLDER,
)
