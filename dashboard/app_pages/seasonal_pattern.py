"""Seasonal pattern: when the fish come, and how strong this season is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.wording import numbers
from dashboard import page_frame
from dashboard.catch_rates import seasonal_timing
from dashboard.catch_rates.records import MODELLED
from dashboard.charts import timing
from dashboard.page_frame import Chosen, colours, draw_page, grid, lead
from dashboard.released.records import domains, head

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashboard.catch_rates.records import Rates
    from dashboard.charts.timing import Run
    from dashboard.filters import Choice


CAME, INDEX = "Cumulative share of the season", "Standardised catch rate by week"


def _body(chosen: Chosen, rates: Rates) -> None:
    choice, index = chosen.choice, chosen.choice.index
    lead(seasonal_timing.pattern_answer(index, rates, choice.domains))
    if not rates.timing and not rates.strength:
        return
    st.caption(seasonal_timing.MEANING)
    shown = domains(index, choice.areas)
    if seasonal_timing.is_few(rates, choice.domains):
        st.caption(seasonal_timing.FEW)
    _figures(choice, CAME, seasonal_timing.runs(rates, shown, "share"))
    _figures(choice, INDEX, seasonal_timing.runs(rates, shown, "index"))
    if rates.strength:
        _strength(choice, rates)
    _dates(choice, rates)
    page_frame.reading(
        f"{seasonal_timing.MEANING} {seasonal_timing.FILLED}", seasonal_timing.CURVES_ARE
    )
    page_frame.downloads(
        choice,
        run_strength="the strength by week",
        seasonal_pattern="the shares by week",
        run_dates="the dates",
    )


def _figures(choice: Choice, title: str, found: Mapping[str | None, Run]) -> None:
    """Draw all areas together, the areas folded; chosen areas stand open."""
    if not found:
        return
    st.header(title, anchor=False)
    page_frame.signs(timing.signs(list(found.values())), timing.HUES)

    def one(area: str | None) -> None:
        name, key = head(choice.index, area), "came" if title == CAME else "index"
        figure = timing.figure(found[area], palette=colours())
        alt = timing.description(found[area], of=f"{title}, {name}")
        page_frame.panel(name, figure, key=f"rates-{key}-{area or 'all'}", alt=alt)

    grid([area for area in found if area is None], one)
    areas = [area for area in found if area is not None]
    if areas and None in found:
        with st.expander("The shares by area" if title == CAME else "The catch rate by area"):
            grid(areas, one)
    else:
        grid(areas, one)


def _strength(choice: Choice, rates: Rates) -> None:
    st.header("This season against past ones", anchor=False)
    shown = domains(choice.index, choice.areas)
    why = seasonal_timing.why_no_strength(rates, shown)
    if why:
        st.markdown(f"It cannot be given ({numbers.plain(why)}).")
    else:
        st.html(seasonal_timing.strength(choice.index, rates, shown))


def _dates(choice: Choice, rates: Rates) -> None:
    """Draw the dates of past runs: by area, then season by season, the curves folded."""
    index, shown = choice.index, domains(choice.index, choice.areas)
    found = seasonal_timing.by_area(index, rates, shown)
    if not found:
        return
    st.header("Dates by which a quarter, half and three quarters were reached", anchor=False)
    st.html(found)
    with st.expander("The dates season by season"):
        st.html(seasonal_timing.by_season(index, rates, choice.domains))
        for area in choice.domains:
            curves = seasonal_timing.curves(rates, area)
            if curves:
                st.markdown(f"**{numbers.plain(head(index, area))}, by the curves**")
                st.html(curves)


draw_page(
    "Seasonal pattern",
    "seasonal_pattern",
    view="rates",
    body=_body,
    needs=("seasonal_pattern", "run_strength"),
    older=MODELLED,
)
