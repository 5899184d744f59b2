"""Run timing: when the fish come, and how strong this season is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from dashboard import data, move_tables, text
from dashboard.charts import timing as chart
from dashboard.charts.palette import palette
from dashboard.framed import Chosen, framed
from dashboard.rates import draw, run, runs
from dashboard.rates import index as modelled
from dashboard.released.draw import answer, download, grid
from dashboard.released.index import domains, head
from dashboard.theme import is_dark

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashboard.charts.timing import Run
    from dashboard.filters import Choice
    from dashboard.rates.index import Rates


def show() -> None:
    """Draw the page, or say in words why it cannot be drawn."""
    framed(
        "Run timing",
        "timing",
        load=lambda folder, choice: data.rates(folder, choice.book.card),
        body=_body,
        with_week=False,
    )


def _body(chosen: Chosen, rates: Rates) -> None:
    choice, book = chosen.choice, chosen.choice.book
    if not modelled.has_tables(book, "timing", "strength"):
        answer(draw.OLDER)
        return
    answer(run.answer(book, rates, choice.domains))
    if not rates.timing and not rates.strength:
        return
    st.caption(run.MEANING)
    shown = domains(book, choice.areas)
    if run.is_few(rates, choice.domains):
        st.caption(run.FEW)
    _figures(choice, "How much of a run had come", runs.shares(rates, shown), folded=True)
    _figures(choice, "The index by week", runs.indices(rates, shown), folded=False)
    if rates.strength:
        st.header("This season against past ones", anchor=False)
        st.html(run.strength_table(book, rates, shown))
    _dates(choice, rates)
    for name, said in (
        ("strength", "the strength by week"),
        ("timing", "the shares by week"),
        ("run_dates", "the dates"),
    ):
        download(said, book.bulletin.table(name), choice, name)


def _figures(choice: Choice, title: str, found: Mapping[str | None, Run], *, folded: bool) -> None:
    if not found:
        return
    key = "came" if folded else "index"
    st.header(title, anchor=False)
    st.html(move_tables.signs(chart.signs(list(found.values())), hues=chart.HUES))

    def one(area: str | None) -> None:
        name = head(choice.book, area)
        st.markdown(f"**{text.plain(name)}**")
        figure = chart.figure(found[area], palette=palette(dark=is_dark()))
        said = chart.description(found[area], of=f"{title}, {name}")
        draw.chart(figure, key=f"{key}-{area or 'all'}", alt=said)

    grid([area for area in found if area is None], one)
    areas = [area for area in found if area is not None]
    if folded and areas and not choice.areas:
        with st.expander("The shares by area"):
            grid(areas, one)
    else:
        grid(areas, one)


def _dates(choice: Choice, rates: Rates) -> None:
    found = run.table(choice.book, rates, choice.domains)
    if not found:
        return
    st.header("Dates by which a quarter, half and three quarters had come", anchor=False)
    st.html(found)
    by_area = "" if choice.areas else run.table(choice.book, rates, choice.book.areas)
    if by_area:
        with st.expander("The dates by area"):
            st.html(by_area)


show()
