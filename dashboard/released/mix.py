"""What the mix of fishing methods does to deaths of released sublegal fish."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.precision import DASH
from analytics.wording import numbers
from analytics.wording.numbers import Measurement
from dashboard import html_tables, page_frame
from dashboard.catalogue import phrase, say
from dashboard.charts.forest import ForestRow, known_rows
from dashboard.released import classes
from dashboard.released.deaths import deaths_of, rate_of, source_of, span_of
from dashboard.released.records import head, start

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.bulletin_index import BulletinIndex
    from dashboard.filters import Choice
    from dashboard.released.records import Line, Released

_HEADS = (
    phrase("Case"),
    phrase("Sublegal releases"),
    phrase("Rate"),
    phrase("Deaths"),
    phrase("Source and notes"),
)
#: How the case begins that takes the rates the user gave.
_GIVEN = "as_given"
NAMES = (
    ("sea", phrase("rates of the fishery")),
    ("copper", phrase("published rates of other fisheries")),
    ("bar", phrase("interval, from the fish and the rate")),
    ("thin", phrase("the same fish at the low and the high end of the rate")),
)
NO_MIX = phrase(
    "What mooching or trolling does to the deaths cannot be given: neither was written down as the "
    "fishing method of a boat that released sublegal fish."
)
OTHER_FISHERIES = phrase(
    "Published rates are of other fisheries and other waters: drift mooching 42.2 % of fish under "
    "660 mm (Grover et al. 2002, Am. Fish. Soc. Symp. 30), ocean trolling 24.5 % of sublegal fish "
    "(Wertheimer 1988). They show how far the answer moves with the method, not which is right."
)


def method_answer(index: BulletinIndex, released: Released, areas: Sequence[str | None]) -> str:
    """Return what the mix of methods does to deaths of sublegal fish (Markdown)."""
    return "\n\n".join(_of(index, released, area) for area in areas)


def _of(index: BulletinIndex, released: Released, area: str | None) -> str:
    place, lines = start(index, area), released.of("method_mix_deaths", area)
    known = [one for one in totals(released, area) if one["deaths"] is not None]
    if not known:
        why = next((one["reason"] for one in lines if one["reason"]), "")
        why = numbers.plain(why or say("no fishing method was reported with a release"))
        return f"{place}: {why}."
    parts = [f"**{deaths_of(one).words}** ({numbers.plain(one['case'])})" for one in known]
    words = say(
        "{where}, deaths of released sublegal fish by the rates taken: {deaths}",
        where=place,
        deaths="; ".join(parts),
    )
    low, high = (pick(known, key=lambda one: one["deaths"]) for pick in (min, max))
    if low["deaths"] > 0 and low is not high:
        times = high["deaths"] / low["deaths"]
        words += say(
            ". The highest is {times:.1f} times the lowest, by the rates alone: the fish are the "
            "same",
            times=times,
        )
    return f"{words}."


def title(released: Released, area: str | None, *, where: str) -> str:
    """Return the finding of a figure: the fewest and the most deaths, by the rates taken."""
    known = [one for one in totals(released, area) if one["deaths"] is not None]
    low, high = (pick(known, key=lambda one: one["deaths"]) for pick in (min, max))
    if low["deaths"] == high["deaths"]:
        return say("{where}: {fish} sublegal fish died", where=where, fish=deaths_of(low).words)
    return say(
        "{where}: {low} to {high} sublegal fish died, by the rates taken",
        where=where,
        low=deaths_of(low).words,
        high=deaths_of(high).words,
    )


def totals(released: Released, area: str | None) -> list[Line]:
    """Return the line of all methods of each case."""
    return [
        one
        for one in released.of("method_mix_deaths", area)
        if one["method"] is None and one["case"]
    ]


def forest_rows(released: Released, area: str | None) -> list[ForestRow]:
    """Return the deaths of each case, all methods together; none where none has a number."""
    return known_rows(
        [
            ForestRow(
                one["case"],
                deaths_of(one),
                thin=span_of(one),
                hue="sea" if one["case_codes"] == _GIVEN else "copper",
                words=one["reason"] or "",
            )
            for one in totals(released, area)
        ]
    )


def table(released: Released, area: str | None) -> str:
    """Return the cases with the part of each method as an HTML table, without shared notes."""
    lines, case = [], None
    of_area = released.of("method_mix_deaths", area)
    shared = classes.shared(of_area)
    for one in of_area:
        if one["case"] != case:
            case = one["case"]
            lines.append(html_tables.group(_HEADS, case or say("no case")))
        deaths, rate, se = deaths_of(one), DASH, one["rate_se"]
        if one["rate_prop"] is not None:
            error = say("no error given") if se is None else say("± {se:.1f} points", se=100 * se)
            rate = rate_of(one).words + html_tables.small(error)
        span = deaths.between(*span_of(one))
        values = (
            Measurement(one["fish"]).words,
            rate,
            html_tables.amount(
                deaths, below=(say("{range} by the rate alone", range=span),) if span else ()
            ),
            source_of(one, shared=shared),
        )
        name = one["method"] or say("all methods")
        lines.append(html_tables.line(_HEADS, name, values, is_all=one["method"] is None))
    return html_tables.table(_HEADS, lines, kind="bm-rates")


# The part of the page.


def draw(choice: Choice, released: Released) -> None:
    """Draw what the method of fishing does to the deaths."""
    st.header(say("Deaths by fishing method"), anchor=False)
    if not released.lines["method_mix_deaths"]:
        st.markdown(say(NO_MIX))
        return
    st.markdown(method_answer(choice.index, released, choice.domains))
    with st.expander(say("Figure and table by method")):
        for area in choice.domains:
            if found := forest_rows(released, area):
                page_frame.forest_signs(found, NAMES)
                said = title(released, area, where=head(choice.index, area))
                key = f"released-mix-{area or 'all'}"
                page_frame.forest_panel(
                    found, title=said, key=key, of=say("Deaths of sublegal fish")
                )
                st.html(table(released, area))
                classes.draw_shared(classes.shared(released.of("method_mix_deaths", area)))
        st.caption(say(OTHER_FISHERIES))
        page_frame.downloads(choice, method_mix_deaths=say("the method mix"))
