"""The timing and strength of a run in sentences."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

from analytics.rounding import DASH, PERCENT, number, percent
from dashboard import html_tables, numbers
from dashboard.bulletin_index import monday
from dashboard.catch_rates import records as modelled
from dashboard.catch_rates.records import SHARES
from dashboard.charts.timing import Run
from dashboard.numbers import Measurement, NumberKind
from dashboard.released.records import head, where

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from dashboard.bulletin_index import BulletinIndex
    from dashboard.catch_rates.records import Line, Rates
    from dashboard.charts.timing import Points


# Lines of the table of timing put on the days of a figure, season on season.

RUNS_CURVES = ("normal", "logistic")


def shares(rates: Rates, areas: Sequence[str | None]) -> dict[str | None, Run]:
    """Return the share come by each day of past seasons, with their mean curves, by area.

    This season is among them once it is over.
    """
    return _runs(rates, areas, "share")


def indices(rates: Rates, areas: Sequence[str | None]) -> dict[str | None, Run]:
    """Return the index by week of past seasons and of this one, by area."""
    return _runs(rates, areas, "index")


def _runs(rates: Rates, areas: Sequence[str | None], name: str) -> dict[str | None, Run]:
    found = {}
    for area in areas:
        made = _run(rates, area, name)
        if made is not None:
            found[area] = made
    return found


def _run(rates: Rates, area: str | None, name: str) -> Run | None:
    seasons = {season: rates.timing[season, area] for season in rates.seasons(area)}
    mine = rates.timing.get((rates.season, area), ())
    past = {season: line for season, of in seasons.items() if (line := _points(of, name))}
    now = _points(mine, name)
    start = modelled.origin(mine or next(iter(seasons.values()), ()))
    if start is None or not (past or now):
        return None
    is_share = name == "share"
    curves = _curves(seasons, past) if is_share else {}
    last = today(rates, area)
    mark = None if last is None else (last["day"], f"end of {last['week'][5:]}")
    return Run(past=past, now=now, curves=curves, start=start, is_share=is_share, today=mark)


def today(rates: Rates, area: str | None) -> Line | None:
    """Return the last line of timing of this season, or None where there is none."""
    lines = [one for one in rates.timing.get((rates.season, area), ()) if one["day"] is not None]
    return lines[-1] if lines and lines[-1]["week"] else None


def come(rates: Rates, area: str | None) -> dict[str, float]:
    """Return the share that had come of each past season by this season's last day.

    A past season that was closed on that day stands at its last share before it: what had come
    stays so.
    """
    last = today(rates, area)
    found = {}
    for season in rates.seasons(area) if last is not None else []:
        points = _points(rates.timing[season, area], "share")
        before = [share for day, share in points if last is not None and day <= last["day"]]
        if points:
            found[season] = before[-1] if before else 0.0
    return found


def _points(lines: Sequence[Line], name: str) -> Points:
    return tuple(
        (line["day"], line[name])
        for line in lines
        if line[name] is not None and line["day"] is not None
    )


def _curves(seasons: dict[str, tuple[Line, ...]], past: dict[str, Points]) -> dict[str, Points]:
    """Return the mean of the curves of past seasons, on days that all of them have."""
    found = {}
    for name in RUNS_CURVES:
        mine = [dict(_points(seasons[season], name)) for season in past]
        mine = [one for one in mine if one]
        days = sorted(set.intersection(*map(set, mine))) if mine else []
        if days:
            found[name] = tuple((day, sum(one[day] for one in mine) / len(mine)) for day in days)
    return found


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


def pattern_answer(book: BulletinIndex, rates: Rates, areas: Sequence[str | None]) -> str:
    """Return how strong the season is and when past runs came, by domain (Markdown)."""
    if not rates.timing and not rates.strength:
        return (
            "There is no timing of the run to show: the bulletin holds no index by week (table "
            "`timing`)."
        )
    return "\n\n".join(_answer_of(book, rates, area) for area in areas)


def _answer_of(book: BulletinIndex, rates: Rates, area: str | None) -> str:
    place = where(book, area)
    start = f"{place[:1].upper()}{place[1:]}, "
    return f"{start}{_strength(rates, area)}{_stands(rates, area)}{_came(rates, area)}"


def _stands(rates: Rates, area: str | None) -> str:
    """Return how much of past runs had come by this season's last day."""
    last, share = today(rates, area), share_come(rates, area)
    if last is None or not share:
        return ""
    many = len(come(rates, area)) > 1
    day = day_words(monday(last["week"]) + timedelta(days=6))
    of = "past runs" if many else "the past run"
    return (
        f" By the end of week {last['week']} ({day}) **{numbers.plain(share)}** of {of} had come."
    )


def share_come(rates: Rates, area: str | None) -> str:
    """Return the lowest and highest share of past runs that had come, such as ``55–65 %``."""
    found = sorted(come(rates, area).values())
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
        return f"the strength of this season cannot be given ({numbers.plain(why)})."
    ratio = modelled.amount(line, "ratio")
    past = numbers.count(line["n_past"] or 0, "past season")
    words = (
        f"this season is **{verdict(line)}**: through week {line['week']} the index of encounters "
        f"is **{ratio.words} times** {numbers.plain(ratio.bracket(line['ci_level']))} that of "
        f"{past} by the same week"
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
    shown = Measurement(ratio, low, high, NumberKind.RATIO)
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


# The timing and strength of a run in tables.

STRENGTH_HEADS = (
    *("Area", "This season", "Over the past", "Past seasons", "Of past runs had come"),
)
AREA_HEADS = ("Area", "A quarter", "Half", "Three quarters")
HEADS = ("Season", "A quarter", "Half", "Three quarters")
CURVE_HEADS = ("Season and curve", "A quarter", "Half", "Three quarters", "Off by")
RUN_TABLES_CURVE_WORDS = {"normal": "normal curve", "logistic": "logistic curve"}
_SHORT = {"stronger": "↗ stronger", "weaker": "↘ weaker", "not": "→ not clearly either"}


def strength(book: BulletinIndex, rates: Rates, areas: Sequence[str | None]) -> str:
    """Return this season against past ones of each area as HTML, the word first."""
    return html_tables.table(
        STRENGTH_HEADS, [_run_tables_strength(book, rates, area) for area in areas]
    )


def why_no_strength(rates: Rates, areas: Sequence[str | None]) -> str:
    """Return the reason where no area can be given and all for the same; empty if not so."""
    lines = [last_strength(rates, area) for area in areas]
    reasons = {None if line is None else line["reason"] for line in lines if not _is_told(line)}
    if any(_is_told(line) for line in lines) or len(reasons) != 1:
        return ""
    return reasons.pop() or ""


def _is_told(line: Line | None) -> bool:
    return line is not None and line["ratio"] is not None


def _run_tables_strength(book: BulletinIndex, rates: Rates, area: str | None) -> str:
    line, name = last_strength(rates, area), head(book, area)
    come = share_come(rates, area) or DASH
    if line is None or line["ratio"] is None:
        why = (line["reason"] if line else "") or "no week has a figure"
        none = ["? not known" + html_tables.small(why), DASH, DASH, come]
        return html_tables.line(STRENGTH_HEADS, name, none, is_all=area is None)
    ratio = modelled.amount(line, "ratio")
    past = Measurement(line["ratio"], line["past_low"], line["past_high"], NumberKind.RATIO)
    word = _SHORT.get(verdict(line).partition(" ")[0], "? not known")
    inside = [
        html_tables.bold(word, is_unbroken=True),
        html_tables.amount(ratio, below=(f"through {line['week']}", line.get("note") or "")),
        (past.limits or DASH) + html_tables.small(numbers.count(line["n_past"] or 0, "season")),
        come,
    ]
    return html_tables.line(STRENGTH_HEADS, name, inside, is_all=area is None)


def by_area(book: BulletinIndex, rates: Rates, areas: Sequence[str | None]) -> str:
    """Return the dates of past runs of each area as HTML; empty where there are none."""
    lines = [
        html_tables.line(AREA_HEADS, head(book, area), [one or DASH for one in found])
        for area in areas
        if any(found := [dates_words(rates, area, share) for share in SHARES])
    ]
    return html_tables.table(AREA_HEADS, lines) if lines else ""


def by_season(book: BulletinIndex, rates: Rates, areas: Sequence[str | None]) -> str:
    """Return the dates of each season and area as HTML; empty where there are none."""
    lines = []
    for area in areas:
        mine = rates.dates(area)
        if mine:
            lines += [] if len(areas) == 1 else [html_tables.group(HEADS, head(book, area))]
            lines += [_season(season, of) for season, of in _seasons(mine)]
    return html_tables.table(HEADS, lines) if lines else ""


def curves(rates: Rates, area: str | None) -> str:
    """Return the dates of each season by the fitted curves as HTML; empty where there are none."""
    lines = [
        _curve(f"{season}, {words}", found)
        for season, of in _seasons(rates.dates(area))
        for curve, words in RUN_TABLES_CURVE_WORDS.items()
        if (found := [one for one in of if one["curve"] == curve])
    ]
    return html_tables.table(CURVE_HEADS, lines) if lines else ""


def _seasons(lines: Sequence[Line]) -> list[tuple[str, list[Line]]]:
    seasons = sorted({line["season"] for line in lines})
    return [(season, [one for one in lines if one["season"] == season]) for season in seasons]


def _season(season: str, found: Sequence[Line]) -> str:
    """Return a season's dates, each from the first of the curves that has one."""
    by_curve = sorted(found, key=lambda one: CURVES.index(one["curve"]))
    inside = [_date(by_curve, share) for share in SHARES]
    if all(one == DASH for one in inside):
        why = dict.fromkeys(line["reason"] for line in found if line["reason"])
        inside[0] += html_tables.small(*why)
    return html_tables.line(HEADS, season, inside)


def _curve(name: str, found: Sequence[Line]) -> str:
    off = next((one["rmse"] for one in found if one["rmse"] is not None), None)
    last = DASH if off is None else f"{number(100 * off, place=-1)} points"
    why = dict.fromkeys(line["reason"] for line in found if line["reason"])
    inside = [*(_date(found, share) for share in SHARES), last + html_tables.small(*why)]
    return html_tables.line(CURVE_HEADS, name, inside)


def _date(lines: Sequence[Line], share: float) -> str:
    """Return the first date of a share as a cell, with its standard error."""
    known = [one for one in lines if one["share"] == share and one["date"] is not None]
    if not known:
        return DASH
    day, se = known[0]["date"], known[0]["se_days"]
    error = "" if se is None else f"± {number(se, place=-1)} days"
    return f"{day_words(day)} {day:%Y}" + html_tables.small(error)
