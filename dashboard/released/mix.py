"""What the mix of fishing methods does to deaths of released sublegal fish."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard import html_tables, numbers
from dashboard.charts.forest import ForestRow
from dashboard.numbers import Measurement
from dashboard.released import classes
from dashboard.released.deaths import deaths_of, rate_of, source_of, span_of
from dashboard.released.records import where

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.bulletin_index import BulletinIndex
    from dashboard.released.records import Line, Released

_HEADS = ("Case", "Sublegal releases", "Rate", "Deaths", "Source and notes")
#: How the case begins that takes the rates the user gave.
_GIVEN = "as_given"
NAMES = (
    ("sea", "rates of the fishery"),
    ("copper", "rates in print, of other fisheries"),
    ("bar", "interval, from the fish and the rate"),
    ("thin", "the same fish at the low and the high end of the rate"),
)
NO_MIX = (
    "What mooching or trolling does to the deaths cannot be given: neither was written down as the "
    "fishing method of a boat that released sublegal fish."
)
OTHER_FISHERIES = (
    "Rates in print are of other fisheries and other waters: drift mooching 42.2 % of fish under "
    "660 mm (Grover et al. 2002, Am. Fish. Soc. Symp. 30), ocean trolling 24.5 % of sublegal fish "
    "(Wertheimer 1988). They show how far the answer moves with the method, not which is right."
)


def method_answer(book: BulletinIndex, told: Released, areas: Sequence[str | None]) -> str:
    """Return what the mix of methods does to deaths of sublegal fish (Markdown)."""
    return "\n\n".join(_of(book, told, area) for area in areas)


def _of(book: BulletinIndex, told: Released, area: str | None) -> str:
    place = where(book, area)
    start = f"{place[:1].upper()}{place[1:]}"
    found = totals(told, area)
    known = [one for one in found if one["deaths"] is not None]
    if not known:
        why = next(
            (one["reason"] for one in told.of("method_mix_deaths", area) if one["reason"]), ""
        )
        return f"{start}: {numbers.plain(why or 'no fishing method was told with a release')}."
    parts = [f"**{deaths_of(one).words}** ({numbers.plain(one['case'])})" for one in known]
    words = f"{start}, deaths of released sublegal fish by the rates taken: {'; '.join(parts)}"
    low, high = (pick(known, key=lambda one: one["deaths"]) for pick in (min, max))
    if low["deaths"] > 0 and low is not high:
        times = high["deaths"] / low["deaths"]
        words += (
            f". From the lowest to the highest the answer changes {times:.1f} times by the rates "
            "alone, the fish being the same"
        )
    return f"{words}."


def totals(told: Released, area: str | None) -> list[Line]:
    """Return the line of all methods of each case."""
    return [
        one for one in told.of("method_mix_deaths", area) if one["method"] is None and one["case"]
    ]


def dots(told: Released, area: str | None) -> list[ForestRow]:
    """Return the deaths of each case, all methods together; none where none has a number."""
    if all(one["deaths"] is None for one in totals(told, area)):
        return []
    return [
        ForestRow(
            one["case"],
            deaths_of(one),
            thin=span_of(one),
            hue="sea" if one["case_codes"] == _GIVEN else "copper",
            words=one["reason"] or "",
        )
        for one in totals(told, area)
    ]


def table(told: Released, area: str | None) -> str:
    """Return the cases with the part of each method as an HTML table.

    Notes that several lines share are left out: `shared_notes` has them.
    """
    lines, case = [], None
    shared = classes.shared(told.of("method_mix_deaths", area))
    for one in told.of("method_mix_deaths", area):
        if one["case"] != case:
            case = one["case"]
            lines.append(html_tables.group(_HEADS, case or "no case"))
        deaths = deaths_of(one)
        values = (
            Measurement(one["fish"]).words,
            numbers.DASH if one["rate_prop"] is None else _rate(one),
            html_tables.amount(deaths, below=_span(deaths, one)),
            source_of(one, shared=shared),
        )
        is_all = one["method"] is None
        lines.append(
            html_tables.line(_HEADS, one["method"] or "all methods", values, is_all=is_all)
        )
    return html_tables.table(_HEADS, lines, kind="bm-rates")


def shared_notes(told: Released, area: str | None) -> str:
    """Return the notes that several lines of `table` share, once; empty where there are none."""
    return classes.sentence(classes.shared(told.of("method_mix_deaths", area)))


def _rate(one: Line) -> str:
    rate = rate_of(one)
    se = one["rate_se"]
    return rate.words + html_tables.small(
        "no error given" if se is None else f"± {100 * se:.1f} points"
    )


def _span(deaths: Measurement, one: Line) -> tuple[str, ...]:
    span = deaths.between(*span_of(one))
    return (f"{span} by the rate alone",) if span else ()
