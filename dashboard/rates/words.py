"""Catch rates in sentences and tables: where they stand, whether they rose, what is ahead."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard import cells, reasons, text
from dashboard.digits import DASH, PERCENT, number, percent
from dashboard.rates import index as modelled
from dashboard.rates.index import ENCOUNTERS, KEPT, SHARE
from dashboard.released.index import domains, head, where

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.amounts import Sort
    from dashboard.book import Book
    from dashboard.rates.index import Line, Rates

LABELS = {
    ENCOUNTERS: "Encounters per angler-hour",
    KEPT: "Kept fish per angler-hour",
    SHARE: "Sublegal share of encounters",
}
#: The same on buttons.
BUTTONS = {ENCOUNTERS: "Encounters", KEPT: "Kept fish", SHARE: "Sublegal share"}
_SUBJECTS = {
    ENCOUNTERS: ("encounters per angler-hour", "are", "show"),
    KEPT: ("kept fish per angler-hour", "are", "show"),
    SHARE: ("the sublegal share of encounters", "is", "shows"),
}
#: From which probability on a word is used; under the last one the other way is likelier.
#: Mastrandrea et al. (2010), Guidance note for lead authors of the IPCC Fifth Assessment Report on
#: consistent treatment of uncertainties; from memory.
_CHANCES = (
    (0.99, "virtually certain"),
    (0.95, "extremely likely"),
    (0.90, "very likely"),
    (0.66, "likely"),
)
RULE = (
    "The rule: rising where the probability that the level rose in four weeks is over 92 %, "
    "falling where it is under 8 %, no clear change between. The words of a chance: about as "
    "likely as not up to 66 %, likely from 66 %, very likely from 90 %, extremely likely from "
    "95 %, virtually certain from 99 % (Mastrandrea et al. 2010, Guidance note on consistent "
    "treatment of uncertainties; from memory)."
)
MEANING = (
    "The index is the rate of an area and week at the season's own mix of methods, days and party "
    "sizes, so that a change of who goes fishing is no change of the fish. "
    "The level is a smooth line behind it that knows how uncertain each week is; closed weeks "
    "count as missing and not as zero. Weeks ahead carry the level and its slope on, no more."
)
HEADS = ("Area", "Level", "Since the week before", "Over four weeks", "Ahead", "The survey's own")


def answer(book: Book, rates: Rates, areas: Sequence[str | None], *, response: str) -> str:
    """Return whether a catch rate rises or falls, one paragraph a domain (Markdown)."""
    if not rates.trend and not rates.index:
        return (
            "There are no modelled catch rates to show: the bulletin holds none for this season "
            "(table `index`)."
        )
    return "\n\n".join(_answer_of(book, rates, area, response) for area in areas)


def _answer_of(book: Book, rates: Rates, area: str | None, response: str) -> str:
    line = modelled.latest(rates, response, area)
    place, (subject, verb, shows) = where(book, area), _SUBJECTS[response]
    start = f"{place[:1].upper()}{place[1:]}, {subject}"
    if line is None or line["level"] is None:
        return f"{start}: no trend can be told ({text.plain(why_none(line))})."
    said = {
        "rising": f"{verb} **rising**",
        "falling": f"{verb} **falling**",
        "no clear change": f"{shows} **no clear change**",
    }.get(line["word"], f"{verb} in a trend that is **not known**")
    level = modelled.amount(line, "level", sort=modelled.sort_of(response))
    return (
        f"{start} {said}. In week {line['week']} the level is **{level.words}** "
        f"{text.plain(level.bracket(line['ci_level']))}{_against(rates, line)}."
        f"{_outlook(rates, line)}"
    )


def why_none(line: Line | None) -> str:
    """Return why there is no level."""
    return (line["reason"] if line else "") or "no week has a figure"


def _against(rates: Rates, line: Line) -> str:
    size = shift(rates, line, weeks=4)
    if not size or line["rose_4"] is None:
        return "; there is no week four weeks before to compare with"
    return f", {text.plain(size)} against four weeks before; {text.plain(chance(line['rose_4']))}"


def shift(rates: Rates, line: Line, *, weeks: int) -> str:
    """Return how far a level moved over one or four weeks, such as ``+12 %``; empty if not known.

    A share is told in points, from the two levels as kept.
    """
    if line["response"] != SHARE:
        return "" if line[f"rise_{weeks}"] is None else signed(line[f"rise_{weeks}"]) + PERCENT
    earlier = modelled.before(rates, line, weeks=weeks)
    if earlier is None:
        return ""
    return f"{signed(line['level'] - earlier['level'])} points"


def signed(part: float) -> str:
    """Return a proportion in percent with its sign, without the percent sign."""
    points = number(100 * part, place=0 if abs(part) >= 0.0095 else -1)
    is_none = not points.strip("−0.")
    return "0" if is_none else points if points.startswith("−") else f"+{points}"


def chance(rose: float) -> str:
    """Return the probability of a rise in words, such as ``a rise is very likely (94 %)``."""
    likelier = max(rose, 1 - rose)
    noun = "rise" if rose >= 0.5 else "fall"
    for least, word in _CHANCES:
        if likelier >= least:
            return f"a {noun} is {word} ({_of_hundred(likelier)})"
    return f"a rise is about as likely as not ({_of_hundred(rose)})"


def _of_hundred(part: float) -> str:
    return f"over 99{PERCENT}" if part > 0.99 else percent(part)


def _outlook(rates: Rates, line: Line) -> str:
    found = modelled.ahead(rates, line["response"], line["area"])
    if not found:
        return ""
    sort = modelled.sort_of(line["response"])
    told = [modelled.amount(one, "level", sort=sort) for one in found]
    parts = [f"{one.words} {text.plain(one.bracket())}" for one in told]
    weeks = [one["week"] for one in found]
    when = f"week {weeks[0]}" if len(weeks) == 1 else f"weeks {weeks[0]} to {weeks[-1]}"
    listed = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
    return f" If the line runs on, {when} will stand at {listed}."


def table(book: Book, rates: Rates, areas: Sequence[str], *, response: str) -> str:
    """Return the latest level, its rise and the outlook of each area as HTML."""
    lines = [_line(book, rates, area, response) for area in domains(book, areas)]
    return cells.table(HEADS, lines, kind="bm-every")


def _line(book: Book, rates: Rates, area: str | None, response: str) -> str:
    line, sort = modelled.latest(rates, response, area), modelled.sort_of(response)
    is_all, name = area is None, head(book, area)
    if line is None or line["level"] is None:
        none = [DASH + cells.small(why_none(line)), *[DASH] * 3]
        return cells.line(HEADS, name, [*none, _raw(rates, area, response)], is_all=is_all)
    level = modelled.amount(line, "level", sort=sort)
    inside = [
        cells.amount(level, below=(f"week {line['week']}", line["word"] or "")),
        _rise(rates, line, weeks=1),
        _rise(rates, line, weeks=4),
        _ahead(rates, line, sort),
        _raw(rates, area, response),
    ]
    return cells.line(HEADS, name, inside, is_all=is_all)


def _rise(rates: Rates, line: Line, *, weeks: int) -> str:
    size, rose = shift(rates, line, weeks=weeks), line[f"rose_{weeks}"]
    if not size:
        return DASH + cells.small("no week to compare with")
    return size + cells.small("" if rose is None else f"chance of a rise: {_rose(rose)}")


def _rose(rose: float) -> str:
    return f"under 1{PERCENT}" if rose < 0.01 else _of_hundred(rose)


def _ahead(rates: Rates, line: Line, sort: Sort) -> str:
    found = modelled.ahead(rates, line["response"], line["area"])
    told = [(one["week"][5:], modelled.amount(one, "level", sort=sort)) for one in found]
    return cells.small(*(f"{week}: {one.figure()}" for week, one in told)) or DASH


def _raw(rates: Rates, area: str | None, response: str) -> str:
    """Return the last figure of the survey as a cell."""
    lines = [one for one in rates.index.get((response, area), ()) if one["raw"] is not None]
    if not lines:
        return DASH
    last = lines[-1]
    too_few = modelled.is_too_wide(last)
    below = (reasons.TOO_FEW if too_few else "", f"week {last['week']}")
    return cells.amount(modelled.raw(last), below=below)
