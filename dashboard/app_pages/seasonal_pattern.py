"""Seasonal pattern: when the fish come, and how strong this season is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.wording import numbers
from dashboard import filters, page_frame
from dashboard.catalogue import phrase, say
from dashboard.catch_rates import seasonal_timing
from dashboard.catch_rates.records import MODELLED
from dashboard.charts import timing
from dashboard.page_frame import Chosen, colours, draw_page, grid, lead
from dashboard.released.records import domains, head

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dashboard.catch_rates.records import Rates
    from dashboard.charts.timing import Run
    from dashboard.filters import Choice


#: How past seasons are drawn: as a band, or one by one with the curves through them.
PAST_AS = {
    "band": phrase("Past seasons as a band"),
    "lines": phrase("Each past season, with curves"),
}
CAME, INDEX = phrase("Cumulative share of the season"), phrase("Standardised catch rate by week")
COME = phrase("How much of an average season has come")
_KEYS = {CAME: "came", COME: "came", INDEX: "index"}


def _body(chosen: Chosen, rates: Rates) -> None:
    choice, index = chosen.choice, chosen.choice.index
    lead(seasonal_timing.pattern_answer(index, rates, choice.domains))
    if not rates.timing and not rates.strength:
        return
    st.caption(say(seasonal_timing.MEANING))
    shown = domains(index, choice.areas)
    if seasonal_timing.is_few(rates, choice.domains):
        st.caption(say(seasonal_timing.FEW))
    page_frame.part(lambda: _runs(choice, rates, shown))
    if rates.strength:
        _strength(choice, rates)
    _dates(choice, rates)
    page_frame.reading(
        f"{say(seasonal_timing.MEANING)} {say(seasonal_timing.FILLED)}",
        say(seasonal_timing.CURVES_ARE),
    )
    page_frame.downloads(
        choice,
        run_strength=say("the strength by week"),
        seasonal_pattern=say("the shares by week"),
        run_dates=say("the dates"),
    )


def _runs(choice: Choice, rates: Rates, areas: Sequence[str | None]) -> None:
    """Draw shares and catch rates by week; past seasons as a band, or one by one where asked."""
    lines = "band"
    if seasonal_timing.has_past(rates, areas):
        lines = filters.switch(
            say("Past seasons"), list(PAST_AS), key="past", words=lambda one: say(PAST_AS[one])
        )
    shows_past = lines == "lines"
    share = seasonal_timing.runs(rates, areas, "share" if shows_past else "come")
    _figures(choice, CAME if shows_past else COME, share, shows_past)
    _figures(choice, INDEX, seasonal_timing.runs(rates, areas, "index"), shows_past)


def _figures(choice: Choice, title: str, found: Mapping[str | None, Run], shows_past: bool) -> None:
    """Draw all areas together, the areas folded; chosen areas stand open."""
    if not found:
        return
    st.header(say(title), anchor=False)
    if signs := timing.signs(list(found.values()), shows_past=shows_past):
        page_frame.signs(signs, timing.HUES)
    if any(one.ends for one in found.values()):
        st.caption(say(seasonal_timing.RELATIVE))

    def one(area: str | None) -> None:
        name = head(choice.index, area)
        figure = timing.figure(found[area], palette=colours(), shows_past=shows_past)
        alt = timing.description(found[area], of=f"{say(title)}, {name}")
        said = seasonal_timing.finding(found[area])
        named = f"{name}: {said}" if said else name
        page_frame.panel(named, figure, key=f"rates-{_KEYS[title]}-{area or 'all'}", alt=alt)

    grid([area for area in found if area is None], one)
    areas = [area for area in found if area is not None]
    if areas and None in found:
        of_index, of_shares = phrase("The catch rate by area"), phrase("The shares by area")
        words = say(of_index if title == INDEX else of_shares)
        page_frame.folded(words, f"fold-{_KEYS[title]}", lambda: grid(areas, one))
    else:
        grid(areas, one)


def _strength(choice: Choice, rates: Rates) -> None:
    st.header(say("This season against past ones"), anchor=False)
    shown = domains(choice.index, choice.areas)
    why = seasonal_timing.why_no_strength(rates, shown)
    if why:
        st.markdown(say("It cannot be given ({why}).", why=numbers.plain(why)))
    else:
        st.html(seasonal_timing.strength(choice.index, rates, shown))


def _dates(choice: Choice, rates: Rates) -> None:
    """Draw the dates of past runs: by area, then season by season, the curves folded."""
    index, shown = choice.index, domains(choice.index, choice.areas)
    found = seasonal_timing.by_area(index, rates, shown)
    if not found:
        return
    st.header(say("Dates by which a quarter, half and three quarters were reached"), anchor=False)
    st.html(found)
    page_frame.folded(
        say("The dates season by season"), "fold-dates", lambda: _season_by_season(choice, rates)
    )


def _season_by_season(choice: Choice, rates: Rates) -> None:
    st.html(seasonal_timing.by_season(choice.index, rates, choice.domains))
    for area in choice.domains:
        if curves := seasonal_timing.curves(rates, area):
            name = numbers.plain(head(choice.index, area))
            st.markdown(say("**{area}, by the curves**", area=name))
            st.html(curves)


draw_page(
    phrase("Seasonal pattern"),
    "seasonal_pattern",
    view="rates",
    body=_body,
    needs=("seasonal_pattern", "run_strength"),
    older=MODELLED,
)
