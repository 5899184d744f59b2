"""The timing and strength of a run in sentences."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

from dashboard import text
from dashboard.amounts import Amount, Sort
from dashboard.book import monday
from dashboard.digits import PERCENT, percent
from dashboard.rates import index as modelled
from dashboard.rates import runs
from dashboard.rates.index import SHARES
from dashboard.released.index import where

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from dashboard.book import Book
    from dashboard.rates.index import Line, Rates

#: What dates are read from, the first that a season has.
CURVES = ("index", "normal", "logistic")
CURVE_WORDS = {"index": "the index itself", "normal": "normal curve", "logistic": "logistic curve"}
MEANING = (
    "Timing is built on the index of encounters per angler-hour and not on catch: a closure, or "
    "few anglers, is no absence of fish."
)
FILLED = "Weeks without an index take the mean of their neighbours."
CURVES_ARE = (
    "The curves follow Mundy (1979), A quantitative measure of migratory timing illustrated by "
    "application to the management of commercial salmon fisheries (from memory). They have tails "
    "that a season with an opening and a closing day has not, so that they begin above and end "
    "below the shares: read dates from them, and the ends from the lines. How far they are off is "
    "the root mean square difference of shares. ± is a standard error."
)
#: Days of a leap year.
YEAR = 366
FEW = "With so few past seasons their spread is hardly known: the interval may be too narrow."
#: Past seasons under which that is said.
ENOUGH = 4


def answer(book: Book, rates: Rates, areas: Sequence[str | None]) -> str:
    """Return how strong the season is and when past runs came, by domain (Markdown)."""
    if not rates.timing and not rates.strength:
        return (
            "There is no timing of the run to show: the bulletin holds no index by week (table "
            "`timing`)."
        )
    return "\n\n".join(_answer_of(book, rates, area) for area in areas)


def _answer_of(book: Book, rates: Rates, area: str | None) -> str:
    place = where(book, area)
    start = f"{place[:1].upper()}{place[1:]}, "
    return f"{start}{_strength(rates, area)}{_stands(rates, area)}{_came(rates, area)}"


def _stands(rates: Rates, area: str | None) -> str:
    """Return how much of past runs had come by this season's last day."""
    last, share = runs.today(rates, area), share_come(rates, area)
    if last is None or not share:
        return ""
    many = len(runs.come(rates, area)) > 1
    day = day_words(monday(last["week"]) + timedelta(days=6))
    of = "past runs" if many else "the past run"
    return f" By the end of week {last['week']} ({day}) **{text.plain(share)}** of {of} had come."


def share_come(rates: Rates, area: str | None) -> str:
    """Return the lowest and highest share of past runs that had come, such as ``55–65 %``."""
    found = sorted(runs.come(rates, area).values())
    if not found:
        return ""
    low, high = percent(found[0]), percent(found[-1])
    return high if low == high else f"{low.removesuffix(PERCENT)}–{high}"


def last_strength(rates: Rates, area: str | None) -> Line | None:
    """Return the last week's comparison with past seasons, of those with a ratio if any has."""
    found = rates.strength.get(area, ())
    known = [line for line in found if line["ratio"] is not None]
    return known[-1] if known else found[-1] if found else None


def _strength(rates: Rates, area: str | None) -> str:
    line = last_strength(rates, area)
    if line is None or line["ratio"] is None:
        why = (line["reason"] if line else "") or "no week has a figure"
        return f"the strength of this season cannot be told ({text.plain(why)})."
    ratio = modelled.amount(line, "ratio")
    past = text.count(line["n_past"] or 0, "past season")
    words = (
        f"this season is **{verdict(line)}**: through week {line['week']} the index of encounters "
        f"is **{ratio.words} times** {text.plain(ratio.bracket(line['ci_level']))} that of {past} "
        "by the same week"
    )
    return f"{words}{_envelope(line)}."


def verdict(line: Line) -> str:
    """Return whether a season is stronger or weaker than the past, by its interval."""
    low, high = line["ci_low"], line["ci_high"]
    if low is None or high is None:
        return "of unknown strength"
    if low > 1:
        return "stronger than past ones"
    return "weaker than past ones" if high < 1 else "not clearly stronger or weaker than past ones"


def _envelope(line: Line) -> str:
    low, high = line["past_low"], line["past_high"]
    if low is None or high is None:
        return ""
    ratio = line["ratio"]
    side = "above them all" if ratio > high else "below them all" if ratio < low else "among them"
    shown = Amount(ratio, low, high, Sort.RATIO)
    ends = f"from {shown.shown(low)} to {shown.shown(high)} of their mean"
    return f"; past ones ran {ends}: it stands {side}"


def curve_of(rates: Rates, area: str | None) -> str | None:
    """Return what the dates of an area are read from, None where there are none."""
    has = {line["curve"] for line in rates.dates(area) if line["date"] is not None}
    return next((curve for curve in CURVES if curve in has), None)


def _came(rates: Rates, area: str | None) -> str:
    if curve_of(rates, area) is None:
        return "" if not rates.seasons(area) else " When past runs came is not known."
    parts = [
        f"{words}{'' if share != min(SHARES) else ' had come'} {found}"
        for share, words in SHARES.items()
        if (found := dates_words(rates, area, share))
    ]
    return f" Of past runs, {', '.join(parts)}." if parts else ""


def dates_words(rates: Rates, area: str | None, share: float) -> str:
    """Return the dates by which a share of past runs had come; empty where none is known."""
    curve = curve_of(rates, area)
    found = [
        line["date"]
        for line in rates.dates(area)
        if (line["curve"], line["share"]) == (curve, share)
        and line["date"] is not None
        and line["season"] != rates.season
    ]
    return between(in_turn(found)) if found else ""


def in_turn(days: Sequence[date]) -> list[date]:
    """Return dates of several years by their day of the year, begun after the longest gap.

    So a run over the turn of a year stays in one piece, whatever its seasons are called.
    """
    places = sorted({_place(day) for day in days})
    gaps = [(after - before) % YEAR or YEAR for before, after in pairwise([*places, places[0]])]
    first = places[(gaps.index(max(gaps)) + 1) % len(places)]
    return sorted(days, key=lambda day: (_place(day) - first) % YEAR)


def _place(day: date) -> int:
    """Return the day in a leap year, so that a date has one place in every year."""
    return day.replace(year=2000).timetuple().tm_yday


def between(days: Sequence[date]) -> str:
    """Return dates of several years as ``between 3 and 9 Dec``, or one as ``by 3 Dec``."""
    first, last = days[0], days[-1]
    if (first.day, first.month) == (last.day, last.month):
        return f"by {day_words(first)}"
    left = str(first.day) if first.month == last.month else day_words(first)
    return f"between {left} and {day_words(last)}"


def day_words(day: date) -> str:
    """Return a date without its year, such as ``3 Dec``."""
    return f"{day.day} {day:%b}"


def is_few(rates: Rates, areas: Sequence[str | None]) -> bool:
    """Return whether a comparison shown rests on few past seasons."""
    found = [line for area in areas if (line := last_strength(rates, area)) is not None]
    return any(line["ratio"] is not None and (line["n_past"] or 0) < ENOUGH for line in found)
