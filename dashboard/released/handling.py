"""How to release a fish, and what the mix of fishing methods does to deaths of sublegal fish.

Advice has its source, and the published deaths that support it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyarrow as pa
import streamlit as st

from analytics.precision import DASH
from analytics.wording import numbers
from analytics.wording.numbers import Measurement, NumberKind
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


ANSWER = phrase(
    "Where the hook sits decides most of it: of fish hooked in the jaw **2.3 %** died, of fish "
    "hooked in the gills **81.6 %** (Lindsay et al. 2004). What is left in the hands of the angler "
    "is to keep the hook out of the throat, and the fish in the water."
)
ADVICE = (
    phrase(
        "**Keep the fish in the water** while the hook comes out; do not lift it by line or gills."
    ),
    phrase("**Single barbless hooks** can be twisted out with a tool, without touching the fish."),
    phrase("**Cut the leader of a swallowed hook** close to the mouth; do not dig for it."),
    phrase(
        "**Expect swallowed hooks when mooching:** of 522 young Chinook caught by drift mooching, "
        "40.6 % were hooked in the gut (Grover et al. 2002). Have the cutter at hand."
    ),
    phrase(
        "**Tell the sampler** how many fish went back, how large, and how many were hooked deep: "
        "the figures of these pages rest on it."
    ),
)
ADVICE_SOURCE = phrase(
    "The first three are common handling rules; local rules decide. The fourth is published; the "
    "last is our own request."
)
#: Wound sites with the share of fish that died, and how often the site was hit.
#: Lindsay et al. (2004), printed percentages.
WOUNDS = (
    (phrase("jaw"), 0.023, 0.815),
    (phrase("tongue"), 0.178, 0.051),
    (phrase("eye"), 0.0, 0.004),
    (phrase("gills"), 0.816, 0.051),
    (phrase("oesophagus and stomach"), 0.673, 0.078),
)
SOURCES = (
    phrase(
        "Lindsay et al. (2004), Hooking mortality by anatomical location and its use in estimating "
        "mortality of spring Chinook salmon caught and released in a river sport fishery, N. Am. "
        "J. Fish. Manage. 24."
    ),
    phrase("Grover et al. (2002), Am. Fish. Soc. Symp. 30."),
)
NOT_HERE = phrase(
    "These published rates are of adult spring Chinook in a river and have no intervals here: they "
    "show the order of the wound sites, not the deaths of this fishery. For those see *Deaths*."
)
DECIDES = phrase(
    "Figures and advice inform. The rules of the agency in charge decide what may be kept and how "
    "fish must be released, and what needs a licence or a permit stays with those who hold one."
)
TITLE = phrase(
    "Of fish hooked in the gills 81.6\u00a0% died, in the jaw 2.3\u00a0% (Lindsay et al. 2004)"
)
PUBLISHED_NAMES = (("sea", phrase("share of fish that died")),)
_SITE_HEADS = (phrase("Wound site"), phrase("Died"), phrase("Share of fish hooked there"))


def published_rows() -> list[ForestRow]:
    """Return deaths by wound site in print, the most deadly first."""
    return [
        ForestRow(
            say(name), Measurement(died, sort=NumberKind.SHARE), words=say("Lindsay et al. (2004)")
        )
        for name, died, _ in ranked()
    ]


def ranked() -> list[tuple[str, float, float]]:
    """Return the wound sites, the most deadly first."""
    return sorted(WOUNDS, key=lambda one: -one[1])


def published_table() -> str:
    """Return deaths by wound site in print as an HTML table."""
    lines = [
        html_tables.line(
            _SITE_HEADS, say(name), (f"{100 * died:.1f}\u00a0%", f"{100 * hit:.1f}\u00a0%")
        )
        for name, died, hit in ranked()
    ]
    return html_tables.table(_SITE_HEADS, lines)


def in_print() -> pa.Table:
    """Return deaths by wound site in print as a table to take away."""
    return pa.table(
        {
            "wound_site": [name for name, _, _ in WOUNDS],
            "rate_prop": [died for _, died, _ in WOUNDS],
            "share_prop": [hit for _, _, hit in WOUNDS],
            "source": [SOURCES[0]] * len(WOUNDS),
        }
    )


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
