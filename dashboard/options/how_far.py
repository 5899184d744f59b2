"""How far a rule may go: a question in three choices, the answer first, and its option."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import streamlit as st

from analytics.errors import UsageError
from analytics.options.option import Find, Option, OptionSet, Solve, with_value
from analytics.options.option_file import write_options
from analytics.options.report import HOW_FAR, HOW_FAR_HEADS, how_far
from analytics.wording import numbers
from dashboard import data, filters, html_tables, page_frame
from dashboard.catalogue import phrase, say
from dashboard.options import form, how_far_figures, option_sets

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analytics.options.report import HowFar, ReportContext
    from dashboard.filters import Choice
    from dashboard.options.compare import ComparisonInputs

#: What may be asked for; the first is a question not put yet, so that nothing is worked out.
FINDS = {
    "": phrase("Choose a rule"),
    Find.CLOSE: phrase("latest closing date"),
    Find.DAILY_LIMIT: phrase("largest daily limit"),
    Find.WEEKDAYS: phrase("days of the week with most trips"),
    Find.MIN_LENGTH: phrase("smallest minimum length"),
    Find.MARKED: phrase("least share of days with marked fish only"),
}
EVERY = "all"
RISKS = ("0.1", "0.05", "0.2", "0.5")
#: No option's changes stand beside the rule that is asked for.
TODAY = ""
SAID = {"solved": phrase("the answers"), "risk_curve": phrase("the chance at each choice")}


def draw(
    choice: Choice, on: ComparisonInputs, labels: Mapping[str, str], about: ReportContext
) -> None:
    """Draw the question and, where a rule is chosen, its answer."""
    places = st.columns(4)
    with places[0]:
        label = say("What is the")
        find = filters.pick(label, [*FINDS], key="find", words=lambda one: say(FINDS[one]))
    ids = sorted(labels, key=lambda one: one != on.binding)
    named = {**labels, EVERY: say("all limits together")}
    with places[1]:
        limit = filters.pick(
            say("that keeps within"), [*ids, EVERY], key="keep", words=named.__getitem__
        )
    with places[2]:
        risk = filters.pick(
            say("but for a risk of"), RISKS, key="risk", words=lambda one: f"{100 * float(one):g} %"
        )
    options = {one.name: one for one in st.session_state[option_sets.SET].options}
    with places[3]:
        beside = filters.pick(
            say("beside"),
            [TODAY, *options],
            key="beside",
            words=lambda one: one or say("today's rules"),
        )
    with st.container(key="how-far"):
        if find:
            solve = Solve(Find(find), float(risk), None if limit == EVERY else limit)
            first = options.get(beside, Option(TODAY))
            _answer(choice, replace(first, name=say("How far"), solve=solve), about, beside)


def _answer(choice: Choice, option: Option, about: ReportContext, beside: str) -> None:
    text = write_options(OptionSet("", (option,)))
    try:
        tables = data.how_far(choice.index.card, text)
    except UsageError as error:
        st.error(numbers.plain(str(error)))
        return
    for one in how_far(about, tables):
        st.markdown(f"**{numbers.plain(one.sentence)}**")
        rows = [html_tables.line(HOW_FAR_HEADS, line[0], line[1:]) for line in one.lines]
        st.html(html_tables.table(HOW_FAR_HEADS, rows))
        if one.beside:
            st.caption(numbers.plain(one.beside))
        st.caption(HOW_FAR)
        _make(one, option, beside)
        if tables["risk_curve"].num_rows:
            how_far_figures.curve(tables["risk_curve"].to_pylist(), dict(one.asked))
        if one.asked["find"] in (Find.CLOSE, Find.DAILY_LIMIT) and tables["risk_curve"].num_rows:
            how_far_figures.frontier(choice, text, option, beside or say("today's rules"))
        for name, said in SAID.items():
            page_frame.download(
                say(said), tables[name], choice, f"options.{name}", is_every_area=True
            )


def _make(one: HowFar, option: Option, beside: str) -> None:
    """Offer the answer as an option of the set."""
    value, name = one.asked["value"], say(FINDS[one.asked["find"]])
    found = st.session_state[option_sets.SET]
    if not value or len(found.options) >= option_sets.MOST:
        return
    if st.button(say("Make this an option"), key="press-how-far"):
        areas = tuple(one.asked["areas"].split(";"))
        named = f"{beside}, {name}" if beside else name
        made = replace(with_value(option, areas, value), name=named)
        form.turn(option_sets.added(found, made), len(found.options))
