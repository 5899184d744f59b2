"""Season limits: how much of each limit is used, and when it is reached."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.wording import accuracy, numbers
from analytics.wording import limits as sentences
from analytics.wording import limits as standings
from dashboard import filters, notices, page_frame
from dashboard.charts import fan as fanned
from dashboard.charts import forest as dotted
from dashboard.charts import limits as barred
from dashboard.page_frame import Chosen, colours, download, draw_page, grid, lead
from dashboard.released.records import head
from dashboard.season_limits import backtest, panels, table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.limits import Line, Standings
    from dashboard.filters import Choice


def _body(chosen: Chosen, found: Standings) -> None:
    choice, index = chosen.choice, chosen.choice.index
    lead(sentences.limits_answer(index, found, choice.areas))
    st.caption(notices.as_of(choice))
    limits = found.of_areas(choice.areas)
    if limits:
        _bars(choice, limits)
        _fan(choice, found, limits)
        _table(choice, limits)
    _accuracy(choice, found)
    _scores(choice, found)
    panels.assumed(choice, found, "What the numbers ahead rest on")


def _bars(choice: Choice, limits: Sequence[Line]) -> None:
    bars = panels.bars(choice.index, limits)
    st.header("How much of each limit is used", anchor=False)
    page_frame.signs(barred.signs(bars), barred.HUES)
    figure = barred.figure(bars, palette=colours())
    page_frame.chart(figure, key="season-bars", alt=barred.description(bars))
    st.caption(sentences.MEANING)


def _fan(choice: Choice, found: Standings, limits: Sequence[Line]) -> None:
    by_id = {line["limit_id"]: line for line in limits if found.fan.get(line["limit_id"])}
    if not by_id:
        return
    st.header("Week by week", anchor=False)
    name = filters.pick(
        "Limit",
        list(by_id),
        key="limit",
        words=lambda one: standings.label(choice.index, by_id[one]),
    )
    fan = panels.fan(found, by_id[name])
    page_frame.signs(fanned.signs(fan), fanned.HUES)
    figure = fanned.figure(fan, palette=colours())
    label = standings.label(choice.index, by_id[name])
    page_frame.chart(figure, key="season-fan", alt=fanned.description(fan, of=label))
    st.caption(f"{label}. {sentences.outlook(by_id[name]).replace('**', '')}")


def _table(choice: Choice, limits: Sequence[Line]) -> None:
    st.header("Every limit", anchor=False)
    st.html(table.table(choice.index, limits))
    for name, said in (
        ("limit_status", "the state of the limits"),
        ("limit_paths", "the weeks so far and to come"),
    ):
        download(said, choice.index.bulletin.table(name), choice, name)


def _accuracy(choice: Choice, found: Standings) -> None:
    st.header("Projection accuracy", anchor=False)
    st.markdown(accuracy.accuracy_answer(found.backtest, is_over=not choice.index.card.preliminary))
    lacking = backtest.not_judged(found.backtest)
    if lacking:
        with st.expander("What could not be projected"):
            st.markdown("\n".join(f"- {numbers.plain(one)}" for one in lacking))
    if not accuracy.judged(found.backtest):
        return
    st.caption(backtest.MEANING)
    st.html(backtest.table(found.backtest))
    drawn = panels.backtest_panels(found.backtest, choice.domains)
    if drawn:
        named = list(backtest.NAMED)
        dots = [dot for _, _, mine in drawn for dot in mine]
        page_frame.signs(dotted.signs(dots, named), dotted.HUES)
        st.caption("1 is what the season came to; each line is one projection.")
        grid(drawn, lambda one: _backtest_panel(choice, *one))
    download("the projections", choice.index.bulletin.table("backtest"), choice, "backtest")


def _scores(choice: Choice, found: Standings) -> None:
    past = accuracy.of_past(found.compared)
    if past:
        st.markdown("**Beside a plain rule, past seasons**")
        st.html(backtest.score_table(past))
        st.caption(backtest.SCORED)
    bulletin = choice.index.bulletin
    if not bulletin.table("projections").num_rows:
        return
    st.markdown("**Projections in bulletins**")
    st.markdown(accuracy.issued_answer(found.issued))
    issued = accuracy.of_issued(found.issued)
    if issued:
        st.html(backtest.score_table(issued))
    download("projections of this bulletin", bulletin.table("projections"), choice, "projections")
    if found.issued:
        table = bulletin.table("projection_scores")
        download("scores of issued projections", table, choice, "projection_scores")


def _backtest_panel(
    choice: Choice, area: str | None, quantity: str, dots: Sequence[dotted.ForestRow]
) -> None:
    title = f"{panels.label_of(quantity)}, {head(choice.index, area)}"
    st.markdown(f"**{numbers.plain(title)}**")
    figure = dotted.figure(dots, palette=colours(), guide=1.0)
    said = dotted.description(dots, of=f"Expected over final, {title}")
    page_frame.chart(figure, key=f"season-did-{quantity}-{area or 'all'}", alt=said)


draw_page(
    "Season limits",
    "standing",
    view="limits",
    body=_body,
    needs=("limit_status",),
    older=panels.OLDER,
)
