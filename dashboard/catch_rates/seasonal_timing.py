"""The seasonal pattern: how the fish come through a season, and how strong this one is."""

from __future__ import annotations

import math
from datetime import timedelta
from itertools import pairwise
from statistics import fmean
from typing import TYPE_CHECKING

from analytics.precision import DASH, PERCENT, number, percent
from analytics.units import DateOrder, date_order, short_day, tick_day
from analytics.weeks import week_end
from analytics.wording import numbers
from analytics.wording.bulletin_index import monday
from analytics.wording.numbers import NumberKind
from analytics.wording.week import last_strength, strength_answer, verdict, why_no_ratio
from dashboard import html_tables
from dashboard.catalogue import phrase, say, say_n
from dashboard.catch_rates import records
from dashboard.catch_rates.records import SHARES
from dashboard.charts.timing import Run, said
from dashboard.released.records import head, start

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from analytics.wording.bulletin_index import BulletinIndex
    from dashboard.catch_rates.records import Line, Rates
    from dashboard.charts.timing import Points


# Lines of the table of timing put on the days of a figure, season on season.

#: What dates are read from, the first that a season has; all but the first are fitted curves.
CURVES = ("index", "normal", "logistic")


def runs(rates: Rates, areas: Sequence[str | None], name: str) -> dict[str | None, Run]:
    """Return past seasons and this one, by area; areas without a past or a figure are left out.

    `name` is ``share`` of its own total by day (past seasons with their mean curves, this one once
    it is over), ``index`` by week, or ``come``: parts of an average past season by day, for all.
    """
    made = {area: _run(rates, area, name) for area in areas}
    return {area: run for area, run in made.items() if run is not None}


def has_past(rates: Rates, areas: Sequence[str | None]) -> bool:
    """Return whether a figure of some areas has a past season to draw."""
    return any(
        _points(rates.timing[season, area], name)
        for area in areas
        for season in rates.seasons(area)
        for name in ("share", "index")
    )


def _run(rates: Rates, area: str | None, name: str) -> Run | None:
    seasons = {season: rates.timing[season, area] for season in rates.seasons(area)}
    mine = rates.timing.get((rates.season, area), ())
    start = records.origin(mine or next(iter(seasons.values()), ()))
    ends: tuple[tuple[int, float, float], ...] = ()
    if name == "come":
        past = _in_average(seasons)
        parts = so_far(rates, area, past)
        now = tuple((day, value) for day, value, _, _ in parts)
        ends = tuple((day, low, high) for day, _, low, high in parts)
    else:
        past = {season: line for season, of in seasons.items() if (line := _points(of, name))}
        now = _points(mine, name)
    if start is None or not (past or now):
        return None
    curves = _curves(seasons, past) if name == "share" else {}
    last = today(rates, area)
    mark = None if last is None else (last["day"], short_day(week_end(last["week"])))
    return Run(past, now, curves, start, is_share=name != "index", today=mark, ends=ends)


def _in_average(seasons: Mapping[str, Sequence[Line]]) -> dict[str, Points]:
    """Return what had come of each season by day, in parts of an average season's total.

    The total of a season in units of its index follows from any week's index over its share;
    averages are geometric, as those of the table ``run_strength`` are.
    """
    totals = {season: total for season, of in seasons.items() if (total := _total(of))}
    if not totals:
        return {}
    average = math.exp(fmean(map(math.log, totals.values())))
    return {
        season: tuple(
            (day, share * total / average) for day, share in _points(seasons[season], "share")
        )
        for season, total in totals.items()
    }


def _total(lines: Sequence[Line]) -> float:
    """Return the sum of a season's index over its weeks, those without one imputed; 0 for none."""
    before = came = index = 0.0
    for line in lines:
        if line["share"] is None:
            continue
        if line["index"] is not None:
            came, index = came + line["share"] - before, index + line["index"]
        before = line["share"]
    return index / came if came > 0 else 0.0


def so_far(
    rates: Rates, area: str | None, past: Mapping[str, Points]
) -> tuple[tuple[int, float, float, float], ...]:
    """Return day, part of an average past season and its interval, by week of this season.

    The total of a season under way is not known. What has come is the ratio of its index to date to
    past seasons' by the same week (table ``run_strength``) times what had come of these on average;
    the interval is that of the ratio.
    """
    days = {line["week"]: line["day"] for line in rates.timing.get((rates.season, area), ())}
    found = []
    for line in rates.strength.get(area, ()):
        day, ends = days.get(line["week"]), (line["ratio"], line["ci_low"], line["ci_high"])
        if day is None or None in ends:
            continue
        come = [part for points in past.values() if (part := _by(points, day))]
        if come:
            share = math.exp(fmean(map(math.log, come)))
            ratio, low, high = ends
            found.append((day, share * ratio, share * low, share * high))
    return tuple(found)


def _by(points: Points, day: int) -> float:
    """Return the share that had come by a day: the last one before it, none before the first."""
    return ([0.0] + [share for at, share in points if at <= day])[-1]


def finding(run: Run) -> str:
    """Return what a figure shows, in a sentence; empty where it has nothing of this season."""
    if not run.now:
        return ""
    day, value = run.now[-1]
    when = short_day(run.start + timedelta(days=day))
    known = {"day": when, "figure": said(run, value)}
    words = say("{figure} in the week to {day}", **known)
    if run.is_share:
        words = say("by {day} {figure} of this season's fish had come", **known)
    if run.ends:
        _, low, high = run.ends[-1]
        known |= {"low": said(run, low), "high": said(run, high)}
        words = say("by {day} {figure} ({low} to {high}) of an average past season", **known)
    past = [(low, high) for at, low, high in run.envelope if at == day]
    if not past:
        return words
    return say(
        "{this_season}, past seasons {low} to {high}",
        this_season=words,
        low=said(run, past[0][0]),
        high=said(run, past[0][1]),
    )


def today(rates: Rates, area: str | None) -> Line | None:
    """Return the last line of timing of this season, or None where there is none."""
    lines = [one for one in rates.timing.get((rates.season, area), ()) if one["day"] is not None]
    return lines[-1] if lines and lines[-1]["week"] else None


def come(rates: Rates, area: str | None) -> dict[str, float]:
    """Return the share that had come of each past season by this season's last day.

    A past season that was closed on that day stands at its last share before it: what had come
    stays so.
    """
    last, found = today(rates, area), dict[str, float]()
    if last is None:
        return found
    for season in rates.seasons(area):
        if points := _points(rates.timing[season, area], "share"):
            found[season] = _by(points, last["day"])
    return found


def _points(lines: Sequence[Line], name: str) -> Points:
    both = ((line["day"], line[name]) for line in lines)
    return tuple((day, value) for day, value in both if None not in (day, value))


def _curves(seasons: dict[str, tuple[Line, ...]], past: dict[str, Points]) -> dict[str, Points]:
    """Return the mean of the curves of past seasons, on days that all of them have."""
    found = {}
    for name in CURVES[1:]:
        mine = [dict(_points(seasons[season], name)) for season in past]
        mine = [one for one in mine if one]
        days = sorted(set.intersection(*map(set, mine))) if mine else []
        if days:
            found[name] = tuple((day, sum(one[day] for one in mine) / len(mine)) for day in days)
    return found


MEANING = phrase(
    "The pattern uses standardised encounters per angler-hour, not catch: a closure, or "
    "few anglers, is no absence of fish."
)
FILLED = phrase("Weeks without a rate take the mean of their neighbours.")
CURVES_ARE = phrase(
    "The curves follow Mundy (1979), A quantitative measure of migratory timing illustrated by "
    "application to the management of commercial salmon fisheries (from memory). They have tails "
    "that a season with an opening and a closing day has not, so that they begin above and end "
    "below the shares: read dates from them, and the ends from the lines. How far they are off is "
    "the root mean square difference of shares. ± is a standard error."
)
#: Days of a leap year.
YEAR = 366


RELATIVE = phrase(
    "All seasons are in parts of an average past season's total of the standardised rate. That of "
    "a season under way is not known yet: what has come of it is its index to date over past "
    "seasons' by the same week, times what had come of these. Its band is the interval of that "
    "ratio; the grey band runs from the lowest to the highest past season."
)
FEW = phrase(
    "With few past seasons their variance is poorly known: the interval may be too narrow."
)
#: Past seasons under which that is said.
ENOUGH = 4


def pattern_answer(index: BulletinIndex, rates: Rates, areas: Sequence[str | None]) -> str:
    """Return how strong the season is and when past runs came, by domain (Markdown)."""
    if not rates.timing and not rates.strength:
        return say(
            "There is no seasonal pattern to show: the bulletin holds no index by week (table "
            "`seasonal_pattern`)."
        )
    return "\n\n".join(_answer_of(index, rates, area) for area in areas)


def _answer_of(index: BulletinIndex, rates: Rates, area: str | None) -> str:
    words = f"{start(index, area)}, {strength_answer(last_strength(rates.strength.get(area, ())))}"
    last, share = today(rates, area), share_come(rates, area)
    if last is not None and share:
        day = short_day(monday(last["week"]) + timedelta(days=6))
        known = {"week": last["week"], "day": day, "share": numbers.plain(share)}
        if len(come(rates, area)) > 1:
            words += say(
                " By the end of week {week} ({day}), past seasons had reached **{share}** of the "
                "total.",
                **known,
            )
        else:
            words += say(
                " By the end of week {week} ({day}), the past season had reached **{share}** of "
                "the total.",
                **known,
            )
    return words + _came(rates, area)


def share_come(rates: Rates, area: str | None) -> str:
    """Return the lowest and highest share of past runs that had come, such as ``55–65 %``."""
    found = sorted(come(rates, area).values())
    if not found:
        return ""
    low, high = percent(found[0]), percent(found[-1])
    return high if low == high else f"{low.removesuffix(PERCENT)}–{high}"


def curve_of(rates: Rates, area: str | None) -> str | None:
    """Return what the dates of an area are read from, None where there are none."""
    has = {line["curve"] for line in rates.dates(area) if line["date"] is not None}
    return next((curve for curve in CURVES if curve in has), None)


def _came(rates: Rates, area: str | None) -> str:
    if curve_of(rates, area) is None:
        return "" if not rates.seasons(area) else say(" The dates of past seasons are not known.")
    parts = [
        _reached(say(words), found, is_first=share == min(SHARES))
        for share, words in SHARES.items()
        if (found := dates_words(rates, area, share))
    ]
    return say(" In past seasons, {shares}.", shares=", ".join(parts)) if parts else ""


def _reached(share: str, days: str, *, is_first: bool) -> str:
    return (
        say("{share} was reached {days}", share=share, days=days) if is_first else f"{share} {days}"
    )


def dates_words(rates: Rates, area: str | None, share: float) -> str:
    """Return the dates by which a share of past seasons was reached; empty where none is known."""
    curve = curve_of(rates, area)
    lines = [line for line in rates.dates(area) if (line["curve"], line["share"]) == (curve, share)]
    days = [line["date"] for line in lines if line["season"] != rates.season]
    known = [day for day in days if day is not None]
    return between(in_turn(known)) if known else ""


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
        return say("by {day}", day=tick_day(first))
    left = tick_day(first)
    if first.month == last.month and date_order() is DateOrder.DMY:
        left = str(first.day)
    return say("between {first} and {last}", first=left, last=tick_day(last))


def is_few(rates: Rates, areas: Sequence[str | None]) -> bool:
    """Return whether a comparison shown rests on few past seasons."""
    found = [
        line for area in areas if (line := last_strength(rates.strength.get(area, ()))) is not None
    ]
    return any(line["ratio"] is not None and (line["n_past"] or 0) < ENOUGH for line in found)


# The timing and strength of a run in tables.

_STRENGTH = (
    phrase("Area"),
    phrase("This season"),
    phrase("Over the past"),
    phrase("Past seasons"),
    phrase("Past seasons by then"),
)
_SHARES = (phrase("A quarter"), phrase("Half"), phrase("Three quarters"))
_CURVE_WORDS = {"normal": phrase("normal curve"), "logistic": phrase("logistic curve")}
_UNKNOWN = phrase("? not known")
_SHORT = {
    "stronger": phrase("↗ stronger"),
    "weaker": phrase("↘ weaker"),
    "not": phrase("→ no clear difference"),
}


def strength(index: BulletinIndex, rates: Rates, areas: Sequence[str | None]) -> str:
    """Return this season against past ones of each area as HTML, the word first."""
    return html_tables.table(_STRENGTH, [_strength_line(index, rates, area) for area in areas])


def why_no_strength(rates: Rates, areas: Sequence[str | None]) -> str:
    """Return the reason where no area can be given and all for the same; empty if not so."""
    lines = [last_strength(rates.strength.get(area, ())) for area in areas]
    reasons = {None if line is None else line["reason"] for line in lines}
    has_ratio = any(line is not None and line["ratio"] is not None for line in lines)
    return "" if has_ratio or len(reasons) != 1 else reasons.pop() or ""


def _strength_line(index: BulletinIndex, rates: Rates, area: str | None) -> str:
    line, share = last_strength(rates.strength.get(area, ())), share_come(rates, area) or DASH
    if line is None or line["ratio"] is None:
        inside = [say(_UNKNOWN) + html_tables.small(why_no_ratio(line)), DASH, DASH, share]
    else:
        ratio = numbers.of_line(line, "ratio", NumberKind.RATIO)
        past = ratio.between(line["past_low"], line["past_high"])
        word = say(_SHORT.get(verdict(line).partition(" ")[0], _UNKNOWN))
        inside = [
            html_tables.bold(word, is_unbroken=True),
            html_tables.amount(
                ratio, below=(say("through {week}", week=line["week"]), line.get("note") or "")
            ),
            (past or DASH)
            + html_tables.small(say_n(line["n_past"] or 0, "{n} season", "{n} seasons")),
            share,
        ]
    return html_tables.line(_STRENGTH, head(index, area), inside, is_all=area is None)


def by_area(index: BulletinIndex, rates: Rates, areas: Sequence[str | None]) -> str:
    """Return the dates of past runs of each area as HTML; empty where there are none."""
    heads = (say("Area"), *_SHARES)
    lines = [
        html_tables.line(heads, head(index, area), [one or DASH for one in found])
        for area in areas
        if any(found := [dates_words(rates, area, share) for share in SHARES])
    ]
    return html_tables.table(heads, lines) if lines else ""


def by_season(index: BulletinIndex, rates: Rates, areas: Sequence[str | None]) -> str:
    """Return the dates of each season and area as HTML; empty where there are none."""
    lines, heads = [], (say("Season"), *_SHARES)
    for area in areas:
        if mine := _seasons(rates.dates(area)):
            lines += [] if len(areas) == 1 else [html_tables.group(heads, head(index, area))]
            lines += [html_tables.line(heads, season, _season(of)) for season, of in mine]
    return html_tables.table(heads, lines) if lines else ""


def curves(rates: Rates, area: str | None) -> str:
    """Return the dates of each season by the fitted curves as HTML; empty where there are none."""
    heads = (say("Season and curve"), *_SHARES, say("Off by"))
    lines = [
        html_tables.line(heads, f"{season}, {say(words)}", _curve(found))
        for season, of in _seasons(rates.dates(area))
        for curve, words in _CURVE_WORDS.items()
        if (found := [one for one in of if one["curve"] == curve])
    ]
    return html_tables.table(heads, lines) if lines else ""


def _seasons(lines: Sequence[Line]) -> list[tuple[str, list[Line]]]:
    seasons = sorted({line["season"] for line in lines})
    return [(season, [one for one in lines if one["season"] == season]) for season in seasons]


def _season(found: Sequence[Line]) -> list[str]:
    """Return a season's dates, each from the first of the curves that has one."""
    by_curve = sorted(found, key=lambda one: CURVES.index(one["curve"]))
    cells = [_date(by_curve, share) for share in SHARES]
    if all(one == DASH for one in cells):
        cells[0] += _reasons(found)
    return cells


def _curve(found: Sequence[Line]) -> list[str]:
    off = next((one["rmse"] for one in found if one["rmse"] is not None), None)
    last = DASH if off is None else say("{n} points", n=number(100 * off, place=-1))
    return [*(_date(found, share) for share in SHARES), last + _reasons(found)]


def _reasons(lines: Sequence[Line]) -> str:
    return html_tables.small(*dict.fromkeys(line["reason"] for line in lines if line["reason"]))


def _date(lines: Sequence[Line], share: float) -> str:
    """Return the first date of a share as a cell, with its standard error."""
    known = [one for one in lines if one["share"] == share and one["date"] is not None]
    if not known:
        return DASH
    day, se = known[0]["date"], known[0]["se_days"]
    error = "" if se is None else say("± {n} days", n=number(se, place=-1))
    return short_day(day, with_year=True) + html_tables.small(error)
