"""Alternative estimates: how much the season's figures depend on how they are calculated."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.quantities import capitalised, label_of
from analytics.wording import numbers
from analytics.wording import week as sentences
from analytics.wording.week import bases_apart_in_season, fish_words
from dashboard import filters, html_tables, page_frame
from dashboard.alternative_estimates import bases, tables
from dashboard.catalogue import phrase, say, say_n
from dashboard.catch_rates.records import has_tables
from dashboard.charts import alternative_estimates as chart
from dashboard.charts import bars, forest
from dashboard.page_frame import Chosen, colours, draw_page, grid, lead

if TYPE_CHECKING:
    from analytics.wording.bulletin_index import BulletinIndex
    from dashboard.alternative_estimates.bases import Reading, Ways
    from dashboard.alternative_estimates.tables import Share
    from dashboard.filters import Choice

FIGURES = (
    sentences.MET,
    "released_sublegal_fish",
    sentences.KEPT,
    sentences.EFFORT,
    sentences.SHARE,
    "total_deaths_fish",
)
ASSUMED = phrase(
    "“As sampled” is what the other pages show. Nothing here is applied to those figures: over all "
    "boats and from boats counted are estimates from further data, each with its error; reports "
    "that ran 1.5 or 2.2 times too high are stated assumptions and no estimate of anything. All "
    "rest on the same interviews, so intervals that overlap do not prove that two ways agree."
)

#: Ways to split a variance, each with the title of its figure.
SPLITS = {
    "part": phrase("By part"),
    "landing_area": phrase("By landing area"),
    "week": phrase("By week"),
}


def _body(chosen: Chosen, ways: Ways) -> None:
    choice = chosen.choice
    quantity = filters.switch(say("Figure"), FIGURES, key="show", words=label_of)
    lead(bases.estimates_answer(choice.index, ways, areas=choice.domains, quantity=quantity))
    st.caption(say(ASSUMED))
    for words in bases.why_not(choice.index):
        st.markdown(f"- {numbers.plain(capitalised(words))}")
    _figures(choice, ways, quantity=quantity)
    _table(choice, ways, quantity=quantity)
    _other_basis(choice, ways.other)
    _variance(choice, quantity=quantity)
    _coverage(choice)
    _reports(choice)


def _figures(choice: Choice, ways: Ways, *, quantity: str) -> None:
    index = choice.index
    domains: list[str | None] = [*choice.areas] if choice.areas else [None, *index.areas]
    drawn = [
        (area, found)
        for area in domains
        if (found := bases.readings(index, ways, area=area, quantity=quantity))
    ]
    if not drawn:
        return
    st.header(say("{quantity}, the season so far", quantity=label_of(quantity)), anchor=False)
    signs = list(chart.SIGNS)
    signs += [forest.CUT] if any(chart.is_cut(found) for _, found in drawn) else []
    first = 1 if drawn[0][0] is None or len(drawn) == 1 else len(drawn)
    grid(drawn[:first], lambda one: _panel(choice, *one))
    page_frame.on_demand(html_tables.signs(signs, hues=chart.HUES))
    if drawn[first:]:
        page_frame.folded(say("Area by area"), "fold-areas", lambda: _areas(choice, drawn[first:]))
    if ways.bases and not bases.is_touched(index, ways, quantity):
        st.caption(
            say("Reports of sublegal releases do not enter this figure: no assumption moves it.")
        )


def _areas(choice: Choice, drawn: list[tuple[str | None, list[Reading]]]) -> None:
    grid(drawn, lambda one: _panel(choice, *one))
    st.caption(say(page_frame.OWN_SCALE))


def _panel(choice: Choice, area: str | None, found: list[Reading]) -> None:
    name = choice.index.name(area)
    name = capitalised(name)
    figure, alt = chart.panel(found, palette=colours()), chart.description(found, where=name)
    page_frame.panel(bases.title(found, where=name), figure, key=f"ways-{area or 'all'}", alt=alt)


def _table(choice: Choice, ways: Ways, *, quantity: str) -> None:
    index = choice.index
    with st.expander(say("The figures as a table, and how each was made")):
        st.html(tables.readings_table(index, ways, areas=choice.domains, quantity=quantity))
    if not choice.areas:
        with st.expander(say("The same by area")):
            st.html(tables.readings_table(index, ways, areas=index.areas, quantity=quantity))
    _uneven(choice)
    page_frame.downloads(choice, alternative_estimates=say("all alternative estimates"))


def _other_basis(choice: Choice, other: BulletinIndex | None) -> None:
    """Show the other basis as a whole."""
    index = choice.index
    own = fish_words(index.bulletin.card.basis)
    if other is None or not own:
        return
    rows = index.bulletin.other_basis
    st.header(say("The other basis of released fish"), anchor=False)
    st.markdown(
        say(
            "All pages show released fish {basis}. Here they are {other}. Figures add up within a "
            "basis, and none is filled from the other.",
            basis=own,
            other=fish_words(rows["basis"][0].as_py()),
        )
    )
    for words in bases_apart_in_season(index, areas=choice.domains):
        st.markdown(f"- {words}")
    with st.expander(say("Every quantity of the season so far")):
        st.html(html_tables.every_quantity(other, areas=choice.domains, week=None))
    page_frame.downloads(choice, other_basis=say("the other basis"))


def _uneven(choice: Choice) -> None:
    notes = bases.uneven(choice.index, choice.areas)
    if not notes:
        return
    head = say_n(
        len(notes),
        "Days interviewed unevenly: {n} area where boats were counted",
        "Days interviewed unevenly: {n} areas where boats were counted",
    )
    with st.expander(head):
        st.markdown(
            say(
                "A catch rate leans to the days interviewed most. With few counts a day, part of "
                "what is said here is chance."
            )
        )
        for words in notes:
            st.markdown(f"- {numbers.plain(words)}.")


def _variance(choice: Choice, *, quantity: str) -> None:
    st.header(say("What the error is made of"), anchor=False)
    index, table = choice.index, choice.index.bulletin.variance_budget
    if not has_tables(index, "variance_budget"):
        st.markdown(say("This bulletin was kept without the parts of its variances."))
        return
    if not table.num_rows:
        st.markdown(say("This bulletin has no parts of variances: they are those of totals."))
        return
    for area in choice.domains:
        st.markdown(tables.variance_answer(index, area=area, quantity=quantity))
    for area in choice.domains:
        splits = {
            say(words): found
            for split, words in SPLITS.items()
            if (found := tables.variance_shares(index, area=area, quantity=quantity, split=split))
        }
        if splits:
            _splits(choice, splits, area=area)
    st.caption(
        say(
            "Shares of the variance, the square of the standard error. Each group adds up to 100 "
            "%. Areas and weeks are those of the landings sampled."
        )
    )
    with st.expander(say("The table of parts")):
        st.html(tables.parts_table(index, areas=choice.domains, quantity=quantity))
    page_frame.download(say("the parts of every variance"), table, choice, "variance_budget")


def _splits(choice: Choice, splits: dict[str, list[Share]], *, area: str | None) -> None:
    """Draw the first split, and the others on demand."""
    first, *others = splits.items()
    _bars(choice, dict([first]), area=area, key="variance")
    if others:
        where = "" if area is None else f", {choice.index.name(area)}"
        words = say(" and ").join(words.lower() for words, _ in others)
        page_frame.folded(
            f"{capitalised(words)}{where}",
            f"fold-splits-{area or 'all'}",
            lambda: _bars(choice, dict(others), area=area, key="variance-by"),
        )


def _bars(choice: Choice, splits: dict[str, list[Share]], *, area: str | None, key: str) -> None:
    name = choice.index.name(area)
    title = tables.variance_title(next(iter(splits.values())), where=capitalised(name))
    figure = chart.variance_bars(splits, palette=colours())
    alt = chart.variance_description(splits, of=title)
    page_frame.panel(title, figure, key=f"{key}-{area or 'all'}", alt=alt)


def _coverage(choice: Choice) -> None:
    st.header(say("Where boats land"), anchor=False)
    index, lines = choice.index, tables.share_lines(choice.index, choice.areas)
    st.markdown(tables.shares_words(lines, index=index))
    known = [line for line in lines if line["share"] is not None]
    if not known:
        return
    figure = forest.coverage(known, names=index.names, palette=colours())
    words = tables.shares_words(lines, index=index).replace("**", "")
    title = tables.shares_title(known, index=index)
    page_frame.panel(title, figure, key="coverage-chart", alt=words)
    page_frame.on_demand(html_tables.signs(forest.SHARE_SIGNS))
    with st.expander(say("The table of coverage")):
        st.html(tables.shares_table(lines, index=index))
    page_frame.download(say("coverage"), index.bulletin.coverage, choice, "coverage")


def _reports(choice: Choice) -> None:
    st.header(say("Round numbers in reports"), anchor=False)
    lines = choice.index.bulletin.heaping.to_pylist()
    words = tables.reports_words(lines)
    st.markdown(words)
    if not lines:
        return
    drawn = bars.shown(lines)
    signs = bars.REPORT_SIGNS if lines[0]["ratio"] else bars.REPORT_SIGNS[:2]
    figure = bars.reports(drawn, palette=colours())
    plain = words.replace("**", "")
    page_frame.panel(tables.reports_title(lines), figure, key="reports-chart", alt=plain)
    page_frame.on_demand(html_tables.signs(signs, hues=bars.REPORT_HUES))
    left = sum(line["boats"] for line in lines[len(drawn) :])
    words = say("All areas, boats that reported one fish or more.")
    if left > 0:
        most = drawn[-1]["fish"]
        more = say("Reports of more than {fish} fish ({n:,}) are in the table.", fish=most, n=left)
        words = f"{words} {more}"
    st.caption(words)
    with st.expander(say("The table of reports")):
        st.html(tables.reports_table(lines))
    page_frame.download(
        say("the table of reports"), choice.index.bulletin.heaping, choice, "heaping"
    )


draw_page(
    phrase("Alternative estimates"),
    "alternative_estimates",
    view="alternative_estimates",
    body=_body,
    needs=("alternative_estimates",),
    older=phrase("This bulletin was kept before bulletins calculated in other ways."),
)
