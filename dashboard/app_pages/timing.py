"""Run timing: when the fish come, and how strong this season is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from dashboard import move_tables, text
from dashboard.charts import run_panel
from dashboard.charts import timing as chart
from dashboard.charts.palette import palette
from dashboard.rates import draw, run, run_tables, runs
from dashboard.released.draw import answer, grid
from dashboard.released.index import domains, head
from dashboard.theme import is_dark

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashboard.charts.run_panel import Run
    from dashboard.filters import Choice
    from dashboard.rates.index import Rates


CAME, INDEX = "How much of a run had come", "The index by week"


def _body(choice: Choice, rates: Rates) -> None:
    book = choice.book
    answer(run.answer(book, rates, choice.domains))
    if not rates.timing and not rates.strength:
        return
    st.caption(run.MEANING)
    shown = domains(book, choice.areas)
    if run.is_few(rates, choice.domains):
        st.caption(run.FEW)
    _figures(choice, CAME, runs.shares(rates, shown))
    _figures(choice, INDEX, runs.indices(rates, shown))
    if rates.strength:
        _strength(choice, rates)
    _dates(choice, rates)
    draw.reading(f"{run.MEANING} {run.FILLED}", run.CURVES_ARE)
    draw.downloads(
        choice,
        (
            ("strength", "the strength by week"),
            ("timing", "the shares by week"),
            ("run_dates", "the dates"),
        ),
    )


def _figures(choice: Choice, title: str, found: Mapping[str | None, Run]) -> None:
    """Draw all areas together, the areas folded; chosen areas stand open."""
    if not found:
        return
    st.header(title, anchor=False)
    st.html(move_tables.signs(run_panel.signs(list(found.values())), hues=run_panel.HUES))

    def one(area: str | None) -> None:
        name = head(choice.book, area)
        st.markdown(f"**{text.plain(name)}**")
        figure = chart.figure(found[area], palette=palette(dark=is_dark()))
        said = run_panel.description(found[area], of=f"{title}, {name}")
        key = "came" if title == CAME else "index"
        draw.chart(figure, key=f"{key}-{area or 'all'}", alt=said)

    grid([area for area in found if area is None], one)
    areas = [area for area in found if area is not None]
    if areas and None in found:
        with st.expander("The shares by area" if title == CAME else "The index by area"):
            grid(areas, one)
    else:
        grid(areas, one)


def _strength(choice: Choice, rates: Rates) -> None:
    st.header("This season against past ones", anchor=False)
    shown = domains(choice.book, choice.areas)
    why = run_tables.why_no_strength(rates, shown)
    if why:
        st.markdown(f"It cannot be told ({text.plain(why)}).")
    else:
        st.html(run_tables.strength(choice.book, rates, shown))


def _dates(choice: Choice, rates: Rates) -> None:
    """Draw the dates of past runs: by area, then season by season, the curves folded."""
    book, shown = choice.book, domains(choice.book, choice.areas)
    found = run_tables.by_area(book, rates, shown)
    if not found:
        return
    st.header("Dates by which a quarter, half and three quarters had come", anchor=False)
    st.html(found)
    with st.expander("The dates season by season"):
        st.html(run_tables.by_season(book, rates, choice.domains))
        for area in choice.domains:
            curves = run_tables.curves(rates, area)
            if curves:
                st.markdown(f"**{text.plain(head(book, area))}, by the curves**")
                st.html(curves)


draw.page("Run timing", "timing", needs=("timing", "strength"), body=_body)
