"""Where the catch rate of each area stands, as a table: the word first, three figures, moves."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.rounding import DASH, percent
from dashboard import html_tables, numbers, reasons
from dashboard.catch_rates import records as modelled
from dashboard.catch_rates import sentences
from dashboard.catch_rates.records import SHARE
from dashboard.released.records import domains, head

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.bulletin_index import BulletinIndex
    from dashboard.catch_rates.records import Line, Rates
    from dashboard.numbers import NumberKind

HEADS = ("Area", "Trend", "Level", "Index", "The survey's own", "Moved", "Ahead")
#: Said of the survey's figure where no week has an interval.
NEVER = "no interval: none is kept for this rate"
#: Part of an index of all areas from which it is given that areas not fished lent it.
LENT = 0.05
_NOT_HERE = "no figure this week"


def table(book: BulletinIndex, rates: Rates, areas: Sequence[str], *, response: str) -> str:
    """Return word, level, index, survey figure, moves and outlook of each area as HTML."""
    lines = [_line(book, rates, area, response) for area in domains(book, areas)]
    return html_tables.table(HEADS, lines)


def _line(book: BulletinIndex, rates: Rates, area: str | None, response: str) -> str:
    line, sort = modelled.latest(rates, response, area), modelled.sort_of(response)
    week = _week(rates, response, area, line)
    sides = [_index(rates, response, area, week), _raw(rates, response, area, week)]
    if line is None or line["level"] is None:
        word = _word(None) + html_tables.small(sentences.why_none(line))
        inside = [word, DASH, *sides, DASH, DASH]
    else:
        level = modelled.amount(line, "level", sort=sort)
        why = line["reason"] if sentences.word_of(line) == sentences.NOT_KNOWN else ""
        inside = [
            _word(line) + html_tables.small(why or ""),
            html_tables.amount(level, below=(f"week {line['week']}",)),
            *sides,
            _moved(rates, line),
            _ahead(rates, line, sort),
        ]
    return html_tables.line(HEADS, head(book, area), inside, is_all=area is None)


def _word(line: Line | None) -> str:
    """Return the word of a trend with its arrow."""
    word = sentences.word_of(line)
    return html_tables.bold(f"{sentences.ARROWS[word]} {word}", is_unbroken=True)


def _week(rates: Rates, response: str, area: str | None, line: Line | None) -> str:
    """Return the week that level, index and survey are given of: the level's, else the last."""
    if line is not None and line["level"] is not None:
        return str(line["week"])
    lines = rates.index.get((response, area), ())
    return str(lines[-1]["week"]) if lines else ""


def _index(rates: Rates, response: str, area: str | None, week: str) -> str:
    line = modelled.index_of(rates, response, area, week)
    if line is None:
        return DASH + html_tables.small("closed" if week else "")
    found = modelled.amount(line, "index", sort=modelled.sort_of(response))
    below = _rests_on(line, response)
    if found.value is None:
        return DASH + html_tables.small(line["reason"] or _NOT_HERE, *below)
    return html_tables.amount(found, below=below)


def _rests_on(line: Line, response: str) -> list[str]:
    """Return what an index rests on: trips, whether they had any of the fish, what was lent."""
    trips, note, lent = line["n_trips"], line.get("note") or "", line.get("imputed_prop") or 0.0
    found = []
    if trips:
        some = f"{numbers.count(trips, 'trip')}{' with fish' if response == SHARE else ''}"
        is_none = line["survey_estimate"] == 0
        found.append(f"{sentences.NONE[response].lower()} in {some}" if is_none else some)
        note = "" if is_none and line["ci_low"] is not None else note
    if lent >= LENT:
        found.append(f"{percent(lent)} borrowed from areas not fished")
    return [*found, note]


def _raw(rates: Rates, response: str, area: str | None, week: str) -> str:
    """Return the survey's figure of a week as a cell."""
    line = modelled.index_of(rates, response, area, week)
    if line is None or line["survey_estimate"] is None:
        return DASH + html_tables.small(_NOT_HERE if week else "")
    if modelled.is_too_wide(line):
        return modelled.raw(line).words + html_tables.small(reasons.TOO_FEW)
    found = modelled.raw(line)
    if not found.has_interval:
        return found.words + html_tables.small(_why_none(rates, response, line))
    return html_tables.amount(found)


def _why_none(rates: Rates, response: str, line: Line) -> str:
    if line["survey_estimate"] == 0:
        return "none seen, no interval"
    lines = (one for (of, _), found in rates.index.items() if of == response for one in found)
    has_any = any(one["survey_low"] is not None for one in lines)
    return "no interval: its error cannot be given" if has_any else NEVER


def _moved(rates: Rates, line: Line) -> str:
    """Return the moves over four weeks and since the week before as a cell."""
    size, rose = sentences.shift(rates, line, weeks=4), line["prob_increase_4_weeks"]
    first = f"{size} in four weeks" if size else "no week to compare with"
    chances = [] if rose is None else [f"chance of a rise: {sentences.rose_words(rose)}"]
    since = sentences.shift(rates, line, weeks=1)
    if since and line["prob_increase_1_weeks"] is not None:
        chances.append(
            f"{since} since the week before: {sentences.rose_words(line['prob_increase_1_weeks'])}"
        )
    return first + html_tables.small(*chances)


def _ahead(rates: Rates, line: Line, sort: NumberKind) -> str:
    found = modelled.ahead(rates, line["response"], line["area"])
    told = [(one["week"][5:], modelled.amount(one, "level", sort=sort)) for one in found]
    return html_tables.small(*(f"{week}: {one.figure()}" for week, one in told)) or DASH
