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

HEADS = (
    *("Area", "Direction", "Smoothed trend", "Standardised rate", "Design-based"),
    *("Change", "Ahead"),
)
#: Said of the design-based estimate where no week has an interval.
NEVER = "no interval: none is kept for this rate"
#: Part of an index of all areas from which it is given that it is imputed for areas not fished.
BORROWED = 0.05
_NOT_HERE = "no figure this week"


def table(book: BulletinIndex, rates: Rates, areas: Sequence[str], *, response: str) -> str:
    """Return word, level, index, survey figure, moves and outlook of each area as HTML."""
    lines = [_line(book, rates, area, response) for area in domains(book, areas)]
    return html_tables.table(HEADS, lines)


def _line(book: BulletinIndex, rates: Rates, area: str | None, response: str) -> str:
    line = modelled.latest(rates, response, area)
    week = _week(rates, response, area, line)
    sides = [_index(rates, response, area, week), _raw(rates, response, area, week)]
    if line is None or line["level"] is None:
        word = _word(None) + html_tables.small(sentences.why_none(line))
        inside = [word, DASH, *sides, DASH, DASH]
    else:
        why = line["reason"] if sentences.word_of(line) == sentences.NOT_KNOWN else ""
        ahead = (
            f"{one['week'][5:]}: {modelled.level(one).figure()}"
            for one in modelled.ahead(rates, response, area)
        )
        inside = [
            _word(line) + html_tables.small(why or ""),
            html_tables.amount(modelled.level(line), below=(f"week {line['week']}",)),
            *sides,
            _moved(rates, line),
            html_tables.small(*ahead) or DASH,
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
    found = numbers.of_line(line, "index", modelled.sort_of(response))
    below = _rests_on(line, response)
    if found.value is None:
        return DASH + html_tables.small(line["reason"] or _NOT_HERE, *below)
    return html_tables.amount(found, below=below)


def _rests_on(line: Line, response: str) -> list[str]:
    """Return what an index rests on: trips, whether they had any of the fish, what was borrowed."""
    trips, note, borrowed = line["n_trips"], line.get("note") or "", line.get("imputed_prop") or 0.0
    found = []
    if trips:
        some = f"{numbers.count(trips, 'trip')}{' with fish' if response == SHARE else ''}"
        is_none = line["survey_estimate"] == 0
        found.append(f"{sentences.NONE[response].lower()} in {some}" if is_none else some)
        note = "" if is_none and line["ci_low"] is not None else note
    if borrowed >= BORROWED:
        found.append(f"{percent(borrowed)} imputed for areas not fished")
    return [*found, note]


def _raw(rates: Rates, response: str, area: str | None, week: str) -> str:
    """Return the survey's figure of a week as a cell."""
    line = modelled.index_of(rates, response, area, week)
    if line is None or line["survey_estimate"] is None:
        return DASH + html_tables.small(_NOT_HERE if week else "")
    found = modelled.raw(line)
    if modelled.is_too_wide(line):
        return found.words + html_tables.small(reasons.TOO_FEW)
    if found.has_interval:
        return html_tables.amount(found)
    why = "none seen, no interval"
    if found.value:
        lines = (one for (of, _), found in rates.index.items() if of == response for one in found)
        has_any = any(one["survey_low"] is not None for one in lines)
        why = "no interval: its error cannot be given" if has_any else NEVER
    return found.words + html_tables.small(why)


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
