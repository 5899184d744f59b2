"""The timing and strength of a run in sentences and tables."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from dashboard import cells, text
from dashboard.amounts import Amount, Sort
from dashboard.digits import DASH, number
from dashboard.rates import index as modelled
from dashboard.rates.index import SHARES
from dashboard.released.index import head, where

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from dashboard.book import Book
    from dashboard.rates.index import Line, Rates

#: What dates are read from, the first that a season has.
CURVES = ("index", "normal", "logistic")
CURVE_WORDS = {"index": "the index itself", "normal": "normal curve", "logistic": "logistic curve"}
HEADS = ("Season", "A quarter", "Half", "Three quarters", "How far the curves are off")
STRENGTH_HEADS = ("Area", "This season over the past", "Past seasons", "Through week")
MEANING = (
    "Timing is built on the index of encounters per angler-hour and not on catch: a closure, or "
    "few anglers, is no absence of fish. Weeks without an index take the mean of their neighbours. "
    "The curves follow Mundy (1979), A quantitative measure of migratory timing illustrated by "
    "application to the management of commercial salmon fisheries (from memory); ± is their "
    "standard error, which treats weeks as independent and is rough. How far they are off is the "
    "root mean square difference of shares."
)
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
    return f"{place[:1].upper()}{place[1:]}, {_strength(rates, area)}{_came(rates, area)}"


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
    curve = curve_of(rates, area)
    if curve is None:
        return "" if not rates.seasons(area) else " When past runs came is not known."
    parts = []
    for share, words in SHARES.items():
        found = _dates_of(rates, area, curve, share)
        if found:
            had = "" if parts else " had come"
            parts.append(f"{words}{had} {between(found)}")
    return f" Of past runs, {', '.join(parts)}." if parts else ""


def _dates_of(rates: Rates, area: str | None, curve: str, share: float) -> list[date]:
    """Return the dates of past seasons, the earliest of a season first."""
    found = []
    for line in rates.dates(area):
        is_it = line["curve"] == curve and line["share"] == share
        if is_it and line["date"] is not None and line["season"] != rates.season:
            start = modelled.origin(rates.timing.get((line["season"], area), ()))
            after = (line["date"] - start).days if start else line["date"].timetuple().tm_yday
            found.append((after, line["date"]))
    return [day for _, day in sorted(found)]


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


def table(book: Book, rates: Rates, areas: Sequence[str | None]) -> str:
    """Return the dates of each season and area as HTML; empty where there are none."""
    lines = []
    for area in areas:
        mine = rates.dates(area)
        if mine:
            lines += [cells.group(HEADS, head(book, area)), *_dates_lines(mine)]
    return cells.table(HEADS, lines) if lines else ""


def _dates_lines(mine: Sequence[Line]) -> list[str]:
    seasons = sorted({line["season"] for line in mine})
    return [
        _dates_line(season, [one for one in mine if one["season"] == season]) for season in seasons
    ]


def _dates_line(season: str, found: Sequence[Line]) -> str:
    by_curve = sorted(found, key=lambda one: CURVES.index(one["curve"]))
    inside = [_dates(by_curve, share) for share in SHARES]
    off = {
        line[
            "curve"
        ]: f"{CURVE_WORDS[line['curve']]}: {number(100 * line['rmse'], place=-1)} points"
        for line in by_curve
        if line["rmse"] is not None
    }
    why = dict.fromkeys(line["reason"] for line in by_curve if line["reason"])
    return cells.line(HEADS, season, [*inside, cells.small(*off.values(), *why)])


def _dates(by_curve: Sequence[Line], share: float) -> str:
    """Return a date as a cell, the first of the curves in full print."""
    known = [one for one in by_curve if one["share"] == share and one["date"] is not None]
    if not known:
        return DASH
    first = known[0]["date"]
    lines = (f"{CURVE_WORDS[one['curve']]}{_by_curve(one)}" for one in known)
    return f"{day_words(first)} {first:%Y}" + cells.small(*lines)


def _by_curve(line: Line) -> str:
    """Return the date of a curve with its standard error; nothing where it is the index itself."""
    if line["curve"] == CURVES[0]:
        return ""
    se = line["se_days"]
    error = "" if se is None else f" ± {number(se, place=-1)} days"
    return f": {day_words(line['date'])}{error}"


def strength_table(book: Book, rates: Rates, areas: Sequence[str | None]) -> str:
    """Return this season against past ones of each area as HTML."""
    return cells.table(STRENGTH_HEADS, [_strength_line(book, rates, area) for area in areas])


def _strength_line(book: Book, rates: Rates, area: str | None) -> str:
    line, name = last_strength(rates, area), head(book, area)
    if line is None or line["ratio"] is None:
        why = (line["reason"] if line else "") or "no week has a figure"
        none = [DASH + cells.small(why), DASH, DASH]
        return cells.line(STRENGTH_HEADS, name, none, is_all=area is None)
    ratio = modelled.amount(line, "ratio")
    past = Amount(line["ratio"], line["past_low"], line["past_high"], Sort.RATIO)
    inside = [
        cells.amount(ratio, below=(verdict(line),)),
        escape(past.limits or DASH) + cells.small(text.count(line["n_past"] or 0, "season")),
        escape(line["week"] or DASH),
    ]
    return cells.line(STRENGTH_HEADS, name, inside, is_all=area is None)


def is_few(rates: Rates, areas: Sequence[str | None]) -> bool:
    """Return whether a comparison shown rests on few past seasons."""
    found = [line for area in areas if (line := last_strength(rates, area)) is not None]
    return any(line["ratio"] is not None and (line["n_past"] or 0) < ENOUGH for line in found)
