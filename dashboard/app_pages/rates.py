"""Catch rates: whether they are biting more or less."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from dashboard import filters, move_tables, text
from dashboard.charts import dots as dotted
from dashboard.charts import fits as residuals
from dashboard.charts import rate_panel
from dashboard.charts import rates as chart
from dashboard.charts.palette import palette
from dashboard.rates import draw, fits, panels, rate_table, terms, words
from dashboard.rates.index import RESPONSES
from dashboard.released.draw import answer, grid
from dashboard.released.index import domains, head
from dashboard.theme import is_dark

if TYPE_CHECKING:
    from dashboard.filters import Choice
    from dashboard.rates.index import Rates


def _body(choice: Choice, rates: Rates) -> None:
    book = choice.book
    response = filters.switch("Rate", RESPONSES, key="rate", words=lambda one: words.BUTTONS[one])
    answer(words.answer(book, rates, choice.domains, response=response))
    if not rates.index and not rates.trend:
        return
    st.caption(words.RULE)
    _figures(choice, rates, response)
    st.html(rate_table.table(book, rates, choice.areas, response=response))
    draw.reading(
        words.meaning(response),
        words.WHY_UNLIKE,
        f"{words.AHEAD} {words.RULE} {words.MANY}",
        words.CHANCES,
    )
    draw.downloads(choice, (("index", "the index"), ("trend", "the level and weeks ahead")))
    with st.expander("For those who want them: the regressions behind the index"):
        _fits(choice, rates, response)


def _figures(choice: Choice, rates: Rates, response: str) -> None:
    found = {
        area: panel
        for area in domains(choice.book, choice.areas)
        if (panel := panels.panel(choice.book, rates, area, response=response))
    }
    if not found:
        return
    st.header(f"{words.LABELS[response]} by week", anchor=False)
    st.html(move_tables.signs(rate_panel.signs(list(found.values())), hues=rate_panel.HUES))
    st.caption(words.scale(response))

    def one(area: str | None) -> None:
        name = head(choice.book, area)
        st.markdown(f"**{text.plain(name)}**")
        figure = chart.figure(found[area], palette=palette(dark=is_dark()))
        said = rate_panel.description(found[area], of=f"{words.LABELS[response]}, {name}")
        draw.chart(figure, key=f"weeks-{area or 'all'}", alt=said)

    first = [area for area in found if area is None]
    grid(first, one)
    grid([area for area in found if area is not None], one)


def _fits(choice: Choice, rates: Rates, response: str) -> None:
    """Draw candidates, coefficients and checks of the regressions of a response."""
    lines = rates.of("models", response)
    if not lines:
        st.markdown("The bulletin holds no regression of this rate.")
        return
    st.markdown("**Candidates**")
    st.html(fits.table(lines))
    st.caption(fits.CRITERIA)
    _coefficients(choice, rates, response)
    st.markdown("**Does the chosen one fit?**")
    for said in fits.checks(fits.chosen(rates, response)):
        st.markdown(f"- {said}")
    _residuals(rates, response)
    draw.downloads(
        choice,
        (
            ("models", "the candidates"),
            ("coefficients", "the coefficients"),
            ("residuals", "the residuals"),
        ),
    )


def _coefficients(choice: Choice, rates: Rates, response: str) -> None:
    found = terms.dots(choice.book, rates, response)
    if not found:
        st.markdown("No coefficients beyond areas and weeks were kept.")
        return
    title = terms.ratio_words(response)
    st.markdown(f"**{text.plain(title)}**")
    left, right = st.columns(2)
    with left:
        st.html(move_tables.signs(dotted.signs(found, [("sea", "ratio")]), hues=dotted.HUES))
        figure = dotted.figure(found, palette=palette(dark=is_dark()), guide=1.0)
        draw.chart(figure, key="ratios", alt=dotted.description(found, of=title))
    with right:
        st.html(terms.table(choice.book, rates, response))


def _residuals(rates: Rates, response: str) -> None:
    if fits.has_no_boats(rates):
        st.markdown(fits.WITHHELD)
        return
    found = fits.quantiles(rates, response)
    if found:
        st.markdown("**Residuals**")
        st.html(move_tables.signs(residuals.SIGNS, hues=residuals.HUES))
        figure = residuals.quantiles(found, palette=palette(dark=is_dark()))
        draw.chart(figure, key="residuals", alt=fits.quantile_words(found))
        st.caption(fits.RESIDUALS)
    else:
        st.markdown("No residuals were kept for this rate.")
    boats = fits.boats(rates, response)
    if not boats:
        st.markdown("No single boats are listed here.")
        return
    st.markdown("**Boats that carry the fit**")
    st.html(fits.boats_table(boats))
    st.caption(fits.INFLUENCE)


draw.page("Catch rates", "rates", needs=("index", "trend"), body=_body)
