"""The limits of a season as an HTML table."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.precision import DASH, chance, number
from analytics.units import short_day
from analytics.wording import limits as standings
from analytics.wording.accuracy import backtest_skill
from analytics.wording.numbers import MeasuredDifference
from dashboard import html_tables
from dashboard.catalogue import phrase, say

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from analytics.wording.bulletin_index import BulletinIndex
    from analytics.wording.limits import Line

HEADS = (
    *(phrase("Limit"), phrase("So far"), phrase("Share used"), phrase("Remains")),
    *(phrase("Expected at the close"), phrase("Probability of exceeding"), phrase("Reached on")),
)
BINDS, BOUND = phrase("reached first"), phrase("came closest")
SHORT_HEADS = (
    *(
        phrase("Limit"),
        phrase("Used so far"),
        phrase("Expected at the close"),
        phrase("Probability of exceeding"),
    ),
    *(phrase("Reached on"), phrase("Past projections inside 80 %")),
)


def summary(index: BulletinIndex, limits: Sequence[Line], backtest: Sequence[Line]) -> str:
    """Return limits as HTML, one a line: its use, where it goes, and how such projections did."""
    return html_tables.table(
        SHORT_HEADS, [_short_line(index, one, backtest) for one in limits], kind="bm-limits"
    )


def _short_line(index: BulletinIndex, line: Line, backtest: Sequence[Line]) -> str:
    allowed = say(
        "of {fish} {unit}",
        fish=number(line["limit_fish"], place=0),
        unit=standings.unit(line),
    )
    named = [standings.STATE_WORDS[standings.state(line)]] * (line["estimate"] is not None)
    below = html_tables.small(", ".join(filter(None, [allowed, *named, _binds(line)])))
    used, total = standings.used(line), standings.total(line)
    if total.value is None:
        why = DASH + html_tables.small(line["reason"] or "")
        cells = [why, *([DASH] * (len(SHORT_HEADS) - 2))]
        return html_tables.line(SHORT_HEADS, standings.label(index, line), cells, below=below)
    cells = [
        html_tables.amount(used if used.value is not None else total),
        _expected_share(line),
        _chance(line),
        _reached(line),
        _did(line, backtest),
    ]
    return html_tables.line(SHORT_HEADS, standings.label(index, line), cells, below=below)


def _binds(line: Line) -> str:
    """Return what is said of the first limit; empty for another."""
    if not line["is_binding"]:
        return ""
    return say(BINDS if line["is_preliminary"] else BOUND)


def _expected_share(line: Line) -> str:
    """Return what is expected at the close as a share of the limit; of none, as fish."""
    share, fish = standings.expected_share(line), standings.expected(line)
    if not line["is_preliminary"]:
        return DASH + html_tables.small(say("the season is over"))
    if fish.value is None:
        return DASH
    return html_tables.amount(share if share.value is not None else fish)


def _did(line: Line, backtest: Sequence[Line]) -> str:
    """Return how many past projections of the same quantity ended inside their 80 % interval."""
    names = standings.quantities_of(line)
    found = backtest_skill([one for one in backtest if (one["quantity"],) == names])
    if found is None:
        return DASH
    return say("{hit} of {of}", hit=found.in_80, of=found.n)


def table(index: BulletinIndex, limits: Sequence[Line]) -> str:
    """Return limits as HTML, one a line."""
    return html_tables.table(HEADS, [_line(index, one) for one in limits], kind="bm-limits")


def _line(index: BulletinIndex, line: Line) -> str:
    name = standings.label(index, line)
    inside = [
        html_tables.amount(standings.total(line), below=_before(line), why=line["reason"] or ""),
        _used(line),
        _remains(line),
        _expected(line),
        _chance(line),
        _reached(line),
    ]
    allowed = say(
        "of {fish} {unit} · {limit_id}",
        fish=number(line["limit_fish"], place=0),
        unit=standings.unit(line),
        limit_id=line["limit_id"],
    )
    below = html_tables.small(allowed, _binds(line))
    return html_tables.line(HEADS, name, inside, below=below)


def _before(line: Line) -> tuple[str, ...]:
    """Return what the bulletin before had, where it had something else."""
    before, now = line["previous_estimate"], line["estimate"]
    if before is None or now is None:
        return ()
    shown = standings.total(line)
    if shown.shown(before) == shown.words:
        return (say("as in the bulletin before"),)
    through = line["previous_through"]
    if through is not None and through != line["through"]:
        return (
            say(
                "{before} through {day}, bulletin before",
                before=shown.shown(before),
                day=short_day(through),
            ),
        )
    return (say("revised from {before}", before=shown.shown(before)),)


def _used(line: Line) -> str:
    share = standings.used(line)
    if share.value is None:
        return DASH
    return html_tables.amount(
        share, below=(say("over the limit"),) if standings.is_passed(line) else ()
    )


def _remains(line: Line) -> str:
    """Return the fish that are left, the ends of the interval the other way round."""
    total, limit = standings.total(line), line["limit_fish"]
    if total.value is None or line["fish_remaining"] is None:
        return DASH
    ends = (None, None)
    if total.low is not None and total.high is not None:
        ends = (limit - total.high, limit - total.low)
    left = MeasuredDifference(line["fish_remaining"], *ends)
    if ends[0] is None:
        return left.words + html_tables.small(say("no interval"))
    low, high = (left.shown(end) for end in ends)
    return left.words + html_tables.small(say("{low} to {high}", low=low, high=high))


def _expected(line: Line) -> str:
    if not line["is_preliminary"]:
        return DASH + html_tables.small(say("the season is over"))
    amount = standings.expected(line)
    share = standings.expected_share(line)
    of = say("{share} of the limit", share=share.words) if share.value is not None else ""
    last = line["planned_close"]
    close = say("close: {day}", day=short_day(last)) if last else ""
    return DASH if amount.value is None else html_tables.amount(amount, below=(of, close))


def _chance(line: Line) -> str:
    if not line["is_preliminary"]:
        return DASH if line["prob_exceeded_to_date"] is None else _past_chance(line)
    if line["prob_exceeded_by_close"] is None:
        return DASH
    passed = line["prob_exceeded_to_date"] or 0.0
    is_notable = passed >= standings.NOTABLE
    now = say("exceeded already: {chance}", chance=chance(passed)) if is_notable else ""
    return chance(line["prob_exceeded_by_close"]) + html_tables.small(now)


def _past_chance(line: Line) -> str:
    likely = chance(line["prob_exceeded_to_date"])
    return likely + html_tables.small(say("that it was exceeded"))


def _reached(line: Line) -> str:
    if standings.is_passed(line):
        return say("exceeded")
    if line["estimate"] is None:
        return DASH
    if not line["is_preliminary"]:
        return say("not reached")
    if line["prob_exceeded_by_close"] is None:
        return DASH
    return reached(line, line["through"], line["prob_exceeded_to_date"])


def reached(line: Line, through: date | None, passed: float | None) -> str:
    """Return the days by which a limit is exceeded with chances of 10, 50 and 90 % as HTML.

    A day up to `through`, the last of the data, says that the limit may be exceeded already;
    `passed` is the chance that it is.
    """
    early, half, late = (line[f"exceedance_date_p{part}"] for part in (10, 50, 90))
    is_now = standings.is_by_now(early, through)
    first = standings.when(early, through, passed)
    if half is None:
        note = first if is_now else say("1 in 10: {day}", day=first)
        return say("likely not") + html_tables.small(note if early else "")
    if standings.is_by_now(half, through):
        note = say("9 in 10: by {day}", day=short_day(late)) if late else ""
        return standings.when(half, through, passed) + html_tables.small(note)
    last = short_day(late) if late else ""
    if is_now:
        span = say("{day}; 9 in 10: by {last}", day=first, last=last) if last else first
    elif last:
        span = say("80 %: from {day} to {last}", day=first, last=last)
    else:
        span = say("80 %: from {day} on", day=first)
    return short_day(half) + html_tables.small(span if early else "")
