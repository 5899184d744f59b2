"""The timing and strength of a run in tables."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from dashboard import cells, text
from dashboard.amounts import Amount, Sort
from dashboard.digits import DASH, number
from dashboard.rates import index as modelled
from dashboard.rates import run
from dashboard.rates.index import SHARES
from dashboard.released.index import head

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.book import Book
    from dashboard.rates.index import Line, Rates

STRENGTH_HEADS = (
    *("Area", "This season", "Over the past", "Past seasons", "Of past runs had come"),
)
AREA_HEADS = ("Area", "A quarter", "Half", "Three quarters")
HEADS = ("Season", "A quarter", "Half", "Three quarters")
CURVE_HEADS = ("Season and curve", "A quarter", "Half", "Three quarters", "Off by")
CURVE_WORDS = {"normal": "normal curve", "logistic": "logistic curve"}
_SHORT = {"stronger": "↗ stronger", "weaker": "↘ weaker", "not": "→ not clearly either"}


def strength(book: Book, rates: Rates, areas: Sequence[str | None]) -> str:
    """Return this season against past ones of each area as HTML, the word first."""
    return cells.table(STRENGTH_HEADS, [_strength(book, rates, area) for area in areas])


def why_no_strength(rates: Rates, areas: Sequence[str | None]) -> str:
    """Return the reason where no area can be told and all for the same; empty if not so."""
    lines = [run.last_strength(rates, area) for area in areas]
    reasons = {None if line is None else line["reason"] for line in lines if not _is_told(line)}
    if any(_is_told(line) for line in lines) or len(reasons) != 1:
        return ""
    return reasons.pop() or ""


def _is_told(line: Line | None) -> bool:
    return line is not None and line["ratio"] is not None


def _strength(book: Book, rates: Rates, area: str | None) -> str:
    line, name = run.last_strength(rates, area), head(book, area)
    come = escape(run.share_come(rates, area) or DASH)
    if line is None or line["ratio"] is None:
        why = (line["reason"] if line else "") or "no week has a figure"
        none = ["? not known" + cells.small(why), DASH, DASH, come]
        return cells.line(STRENGTH_HEADS, name, none, is_all=area is None)
    ratio = modelled.amount(line, "ratio")
    past = Amount(line["ratio"], line["past_low"], line["past_high"], Sort.RATIO)
    word = _SHORT.get(run.verdict(line).partition(" ")[0], "? not known")
    inside = [
        f"<b class='bm-whole'>{word}</b>",
        cells.amount(ratio, below=(f"through {line['week']}", line.get("note") or "")),
        escape(past.limits or DASH) + cells.small(text.count(line["n_past"] or 0, "season")),
        come,
    ]
    return cells.line(STRENGTH_HEADS, name, inside, is_all=area is None)


def by_area(book: Book, rates: Rates, areas: Sequence[str | None]) -> str:
    """Return the dates of past runs of each area as HTML; empty where there are none."""
    lines = [
        cells.line(AREA_HEADS, head(book, area), [escape(one or DASH) for one in found])
        for area in areas
        if any(found := [run.dates_words(rates, area, share) for share in SHARES])
    ]
    return cells.table(AREA_HEADS, lines) if lines else ""


def by_season(book: Book, rates: Rates, areas: Sequence[str | None]) -> str:
    """Return the dates of each season and area as HTML; empty where there are none."""
    lines = []
    for area in areas:
        mine = rates.dates(area)
        if mine:
            lines += [] if len(areas) == 1 else [cells.group(HEADS, head(book, area))]
            lines += [_season(season, of) for season, of in _seasons(mine)]
    return cells.table(HEADS, lines) if lines else ""


def curves(rates: Rates, area: str | None) -> str:
    """Return the dates of each season by the fitted curves as HTML; empty where there are none."""
    lines = [
        _curve(f"{season}, {words}", found)
        for season, of in _seasons(rates.dates(area))
        for curve, words in CURVE_WORDS.items()
        if (found := [one for one in of if one["curve"] == curve])
    ]
    return cells.table(CURVE_HEADS, lines) if lines else ""


def _seasons(lines: Sequence[Line]) -> list[tuple[str, list[Line]]]:
    seasons = sorted({line["season"] for line in lines})
    return [(season, [one for one in lines if one["season"] == season]) for season in seasons]


def _season(season: str, found: Sequence[Line]) -> str:
    """Return a season's dates, each from the first of the curves that has one."""
    by_curve = sorted(found, key=lambda one: run.CURVES.index(one["curve"]))
    inside = [_date(by_curve, share) for share in SHARES]
    if all(one == DASH for one in inside):
        why = dict.fromkeys(line["reason"] for line in found if line["reason"])
        inside[0] += cells.small(*why)
    return cells.line(HEADS, season, inside)


def _curve(name: str, found: Sequence[Line]) -> str:
    off = next((one["rmse"] for one in found if one["rmse"] is not None), None)
    last = DASH if off is None else f"{number(100 * off, place=-1)} points"
    why = dict.fromkeys(line["reason"] for line in found if line["reason"])
    inside = [*(_date(found, share) for share in SHARES), last + cells.small(*why)]
    return cells.line(CURVE_HEADS, name, inside)


def _date(lines: Sequence[Line], share: float) -> str:
    """Return the first date of a share as a cell, with its standard error."""
    known = [one for one in lines if one["share"] == share and one["date"] is not None]
    if not known:
        return DASH
    day, se = known[0]["date"], known[0]["se_days"]
    error = "" if se is None else f"± {number(se, place=-1)} days"
    return f"{run.day_words(day)} {day:%Y}" + cells.small(error)
