"""The tables of an answer as HTML."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from analytics.options.report import COUNTS, risk_moved
from analytics.precision import DASH, chance
from analytics.quantities import QUANTITIES
from dashboard import html_tables
from dashboard.catalogue import phrase, say
from dashboard.options import compare, sentences
from dashboard.released.records import head
from dashboard.season_limits.table import reached

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from analytics.documents.rules_in_words import RuleLine
    from analytics.wording.bulletin_index import BulletinIndex
    from dashboard.options.compare import Answered, Line

OF_LIMITS = (
    phrase("Limits likely exceeded"),
    phrase("Probability of exceeding the limit reached first"),
)
HEADS = (phrase("Option"), *(QUANTITIES[name].label for name in COUNTS), *OF_LIMITS)
LIMIT_HEADS = (
    phrase("Option"),
    phrase("Total at the end"),
    phrase("Probability of exceeding"),
    phrase("Against today's rule"),
    phrase("Reached on"),
)


def decision(
    index: BulletinIndex,
    found: Answered,
    labels: Mapping[str, str],
    areas: Sequence[str | None],
    *,
    rules: Sequence[RuleLine] = (),
    is_short: bool = False,
) -> str:
    """Return the decision table: a line an option with the `rules` it changes, a group an area.

    A short one has today's totals and of every option what differs from them; on a phone it has
    trips, fish kept, deaths and limits in a row.
    """
    changed = defaultdict[str, list[str]](list)
    for one in rules:
        changed[one.option].append(_rule(one))
    heads = [say(one) for one in (HEADS if found.limits else HEADS[: -len(OF_LIMITS)])]
    lines: list[str] = []
    for area in areas:
        if len(areas) > 1 or area is not None:
            lines.append(html_tables.group(heads, head(index, area)))
        lines += [
            _line(found, labels, name, area, heads, rules=changed[name], is_short=is_short)
            for name in found.options
        ]
    return html_tables.table(heads, lines, kind="bm-options bm-slim" if is_short else "bm-options")


def _line(
    found: Answered,
    labels: Mapping[str, str],
    name: str,
    area: str | None,
    heads: Sequence[str],
    *,
    rules: Sequence[str],
    is_short: bool,
) -> str:
    inside = [_figure(found, name, area, one, is_short=is_short) for one in COUNTS]
    if found.limits:
        inside += [_likely(found, name), _chance(found, labels, name)]
    is_first = name == found.options[0]
    by = found.dominated.get(name)
    below = html_tables.small(
        *rules, say("▽ dominated on every count by {option}", option=by) if by else ""
    )
    return html_tables.line(heads, name, inside, is_all=is_first, below=below)


def _rule(one: RuleLine) -> str:
    """Return a rule that an option changes, such as ``Daily limit, Ombrey Basin: 1 Chinook``."""
    where = "" if one.where == "all areas" else f", {one.where}"
    return f"{one.rule}{where}: {one.changed}"


def _figure(found: Answered, name: str, area: str | None, quantity: str, *, is_short: bool) -> str:
    whole = found.figure(name, area, quantity)
    if whole.value is None:
        return DASH
    shown = html_tables.amount(whole)
    if name == found.options[0]:
        return shown
    moved = found.difference(name, area, quantity)
    above = "" if is_short else shown
    if compare.is_nothing(moved):
        return above + html_tables.bold(say("no change"))
    span = sentences.signed_span(moved) or say("no interval")
    return above + html_tables.bold(sentences.signed(moved)) + html_tables.small(span)


def _likely(found: Answered, name: str) -> str:
    n, of = found.likely(name)
    if not of:
        return DASH
    before, _ = found.likely(found.options[0])
    today = "" if name == found.options[0] else say("today {n}", n=before)
    return say("{n} of {of}", n=n, of=of) + html_tables.small(today)


def _chance(found: Answered, labels: Mapping[str, str], name: str) -> str:
    """Return the probability of exceeding the limit that is reached first today."""
    limit = found.binding
    line = found.reach.get((limit, name)) if limit else None
    if limit is None or line is None or line["prob_exceeded_by_close"] is None:
        return DASH
    moved = "" if name == found.options[0] else risk_moved(line)
    return chance(line["prob_exceeded_by_close"]) + html_tables.small(
        moved, labels.get(limit, limit)
    )


def limits(
    found: Answered,
    labels: Mapping[str, str],
    through: date,
    passed: Mapping[str, float | None] | None = None,
    one: str | None = None,
) -> str:
    """Return each limit, or `one` of them, under each option as HTML."""
    known, heads = passed or {}, [*map(say, LIMIT_HEADS)]
    lines: list[str] = []
    for limit in found.limits if one is None else [one]:
        lines += [html_tables.group(heads, labels.get(limit, limit))] * (one is None)
        lines += [
            _limit_line(
                name,
                found.reach[(limit, name)],
                _reached(found.reach[(limit, name)], through, known.get(limit)),
                heads,
                is_today=name == found.options[0],
            )
            for name in found.options
            if (limit, name) in found.reach
        ]
    kind = "bm-slim-limit" if one is not None and sentences.is_many(found) else ""
    return html_tables.table(heads, lines, kind=kind) if lines else ""


def _limit_line(name: str, line: Line, days: str, heads: Sequence[str], *, is_today: bool) -> str:
    inside = [
        html_tables.amount(compare.total(line)),
        DASH if line["prob_exceeded_by_close"] is None else chance(line["prob_exceeded_by_close"]),
        DASH if is_today else risk_moved(line),
        days,
    ]
    return html_tables.line(heads, name, inside, is_all=is_today)


def _reached(line: Line, through: date, passed: float | None) -> str:
    late = line["exceedance_date_p90"]
    if line["prob_exceeded_by_close"] is None:
        return DASH
    if late is not None and late <= through:
        surely = ""
        if passed is not None:
            surely = say("the chance that it is: {chance}", chance=chance(passed))
        return say("exceeded already") + html_tables.small(surely)
    return reached(line, through, passed)
