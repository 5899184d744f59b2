"""Catch rates: whether they are biting more or less."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.wording import numbers
from dashboard import filters, html_tables, page_frame
from dashboard.catalogue import phrase, say
from dashboard.catch_rates import models, sentences
from dashboard.catch_rates.records import MODELLED, RESPONSES, newest
from dashboard.charts import curves, forest, series
from dashboard.charts import rates as chart
from dashboard.page_frame import Chosen, colours, draw_page, lead
from dashboard.released.records import domains, head

if TYPE_CHECKING:
    from dashboard.catch_rates.records import Rates
    from dashboard.filters import Choice


#: What the figure shows at first sight, and on demand.
LAYERS = {
    "main": phrase("The trend"),
    "all": phrase("With design-based rates and each past season"),
}


def _body(chosen: Chosen, rates: Rates) -> None:
    choice, index = chosen.choice, chosen.choice.index
    response = filters.switch(
        say("Rate"), RESPONSES, key="rate", words=lambda one: say(sentences.BUTTONS[one])
    )
    lead(sentences.trend_answer(index, rates, choice.domains, response=response))
    if not rates.index and not rates.trend:
        return
    st.caption(say(sentences.RULE))
    with page_frame.on_paper(1):  # too tall for what the first sheet has left
        page_frame.part(_figures, choice, rates, response)
    st.html(sentences.table(index, rates, choice.areas, response=response))
    page_frame.reading(
        sentences.meaning(response),
        say(sentences.WHY_UNLIKE),
        " ".join(map(say, (sentences.AHEAD, sentences.RULE, sentences.MANY))),
        say(sentences.CHANCES),
    )
    page_frame.downloads(choice, index=say("the index"), trend=say("the trend and weeks ahead"))
    with st.expander(say("The regressions behind the standardised catch rates")):
        _fits(choice, rates, response)


def _figures(choice: Choice, rates: Rates, response: str) -> None:
    index = choice.index
    found = chart.panels_of(index, rates, domains(index, choice.areas), response=response)
    if not found:
        return
    label = say(sentences.LABELS[response])
    st.header(say("{label} by week", label=label), anchor=False)
    layers = filters.switch(
        say("Layers"), tuple(LAYERS), key="layers", words=lambda one: say(LAYERS[one])
    )
    named = {head(index, area): panel for area, panel in found.items()}
    words = {
        head(index, area): sentences.word_of(newest(rates, response, area))
        for area in found
        if area is not None or len(found) == 1
    }
    title = series.moves_title(words, label=label)
    shows_all = layers == "all"
    figure = chart.figure(named, palette=colours(), shows_all=shows_all)
    said = [chart.description(panel, of=f"{label}, {name}") for name, panel in named.items()]
    page_frame.panel(title, figure, key="rates-weeks", alt=" ".join([f"{title}.", *said]))
    signs = chart.signs([*found.values()], shows_all=shows_all)
    page_frame.on_demand(html_tables.signs(signs, hues=chart.HUES))
    st.caption(sentences.scale(response))


def _fits(choice: Choice, rates: Rates, response: str) -> None:
    """Draw candidates, coefficients and checks of the regressions of a response."""
    lines = rates.of("models", response)
    if not lines:
        st.markdown(say("The bulletin holds no regression of this rate."))
        return
    st.markdown(say("**Candidates**"))
    st.html(models.table(lines))
    st.caption(say(models.CRITERIA))
    _coefficients(choice, rates, response)
    st.markdown(say("**How well the chosen one fits**"))
    for said in models.checks(models.chosen(rates, response)):
        st.markdown(f"- {said}")
    _residuals(rates, response)
    page_frame.downloads(
        choice,
        models=say("the candidates"),
        coefficients=say("the coefficients"),
        residuals=say("the residuals"),
    )


def _coefficients(choice: Choice, rates: Rates, response: str) -> None:
    found = models.ratio_rows(choice.index, rates, response)
    if not found:
        st.markdown(say("There are no coefficients beyond areas and weeks."))
        return
    title = models.ratio_title(response)
    st.markdown(f"**{numbers.plain(title)}**")
    left, right = st.columns(2)
    with left:
        page_frame.signs(forest.signs(found, [("sea", phrase("ratio"))]), forest.HUES)
        figure = forest.figure(found, palette=colours(), guide=1.0)
        page_frame.chart(figure, key="rates-ratios", alt=forest.description(found, of=title))
    with right:
        st.html(models.ratio_table(choice.index, rates, response))


def _residuals(rates: Rates, response: str) -> None:
    if models.has_no_boats(rates):
        st.markdown(say(models.WITHHELD))
        return
    found = models.quantiles(rates, response)
    if found:
        st.markdown(say("**Residuals**"))
        page_frame.signs(curves.RESIDUAL_SIGNS, curves.RESIDUAL_HUES)
        figure = curves.residuals(found, palette=colours())
        page_frame.chart(figure, key="rates-residuals", alt=models.quantile_words(found))
        st.caption(say(models.RESIDUALS))
    else:
        st.markdown(say("There are no residuals for this rate."))
    boats = models.boats(rates, response)
    if not boats:
        st.markdown(say("No single boats are listed here."))
        return
    st.markdown(say("**Boats with the largest influence**"))
    st.html(models.boats_table(boats))
    st.caption(say(models.INFLUENCE))


draw_page(
    phrase("Catch rates"),
    "catch_rates",
    view="rates",
    body=_body,
    needs=("index", "trend"),
    older=MODELLED,
)
