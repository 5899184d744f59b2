"""How far a rule may go, in sentences: for the command, the documents and the page alike."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from analytics import rounding
from analytics.catch_limits import join_words
from analytics.codes import day_words, has_code, sentences
from analytics.options.option import Find
from analytics.rounding import DASH, PERCENT, number

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    import pyarrow as pa

    Row = Mapping[str, Any]

#: What is asked for, in a question.
ASKED = {
    Find.CLOSE: "the latest closing date",
    Find.DAILY_LIMIT: "the largest daily limit",
    Find.WEEKDAYS: "the days of the week with most trips",
    Find.MIN_LENGTH: "the smallest minimum length",
    Find.MARKED: "the least share of days with marked fish only",
}
_OPEN_THROUGH = "open through "
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
HEADS = ("Risk", "Answer", "With other draws", "Probability", "One step further", "Trips", "Kept")
ABOUT = (
    "The answer is counted on the same draws as all options and rests on the same assumptions. "
    "“With other draws” is where it could fall for the number of draws alone (95 %); the error of "
    "the data is in the probabilities. The agency's own rules and licensed practice decide."
)


def _chance(part: float | None) -> str:
    return DASH if part is None else rounding.chance(part)


def value_words(find: str, value: str | None, last_open: date | None = None) -> str:
    """Return a value of a rule in words, such as ``open through 3 March 2036``."""
    if value is None:
        return DASH
    kind = Find(find)
    if kind is Find.WEEKDAYS:
        return ", ".join(_DAYS[int(one) - 1] for one in value)
    if kind in (Find.CLOSE, Find.MARKED):
        return _date_words(kind, value, last_open)
    return f"{value} Chinook" if kind is Find.DAILY_LIMIT else f"{value} mm"


def _date_words(kind: Find, value: str, last_open: date | None) -> str:
    if last_open is not None:
        return f"{_OPEN_THROUGH}{day_words(last_open)}"
    if not value:
        return "the planned close" if kind is Find.CLOSE else "no day with marked fish only"
    start = "closed from" if kind is Find.CLOSE else "marked fish only from"
    return f"{start} {day_words(date.fromisoformat(value))}"


def percent(risk: float) -> str:
    """Return a risk as it was asked, such as ``10 %``."""
    return f"{100 * risk:.10g}{PERCENT}"


def question(row: Row, limit: Callable[[str], str], area: Callable[[str], str]) -> str:
    """Return the question of a row of the table `solved`; begins with a small letter."""
    what = "any limit" if row["limit_id"] is None else limit(row["limit_id"])
    where = join_words([area(one) for one in (row["areas"] or "").split(";") if one])
    asked = ASKED[Find(row["find"])] + (f" in {where}" if where else "")
    return f"{asked} that keeps the chance of exceeding {what} at or below {percent(row['risk'])}"


def answer(row: Row, limit: Callable[[str], str], area: Callable[[str], str]) -> str:
    """Return the answer of a row of the table `solved` in a sentence or two."""
    asked = question(row, limit, area)
    start = f"{asked[:1].upper()}{asked[1:]}: "
    code = row["reason"]
    is_answered = any(has_code(code, one) for one in ("solve_found", "solve_all", "solve_none"))
    if not is_answered:
        why = sentences(code)
        values = row["values_within"]
        listed = (
            f" These keep it: {_listed(row)}." if values and has_code(code, "solve_set") else ""
        )
        return f"{start}{why[:1].lower()}{why[1:]}{listed}"
    passing = _chance(row["prob"])
    if has_code(code, "solve_none"):
        return f"{start}none is enough: the chance stays at {passing} or more."
    value = value_words(row["find"], row["value"], row["last_open_day"])
    if has_code(code, "solve_all"):
        if row["find"] in (Find.CLOSE, Find.MARKED):
            return f"{start}no change is needed, the chance is {passing} ({value})."
        return f"{start}even {value}, the most generous tried, keeps it; the chance is {passing}."
    share = row["marked_days_prop"]
    part = "" if share is None else f", {number(100 * share, place=0)}{PERCENT} of the open days"
    after = row["prob_next"]
    is_step = after is not None and row["find"] != Find.WEEKDAYS
    beyond = f"; one step further it would be {_chance(after)}" if is_step else ""
    return f"{start}{value}{part}. The chance is then {passing}{beyond}."


def unanswered(solved: Mapping[str, pa.Table]) -> list[str]:
    """Return why questions have no answer at all, such as of a rule without effect, in words."""
    rows = solved["solved"].to_pylist() if solved else []
    return [
        f'option "{row["option"]}", solve: find = "{row["find"]}" in {row["areas"]}: '
        f"{sentences(row['reason'])} Name another rule, other areas or another limit."
        for row in rows
        if row["is_asked"]
        and any(has_code(row["reason"], one) for one in ("solve_no_effect", "solve_not_projected"))
    ]


def lines(rows: Sequence[Row]) -> list[list[str]]:
    """Return the answers at every risk as the lines of a table with `HEADS`."""
    found = []
    for row in rows:
        is_known = row["prob"] is not None
        value = value_words(row["find"], row["value"], row["last_open_day"])
        if row["value"] is None:
            value = "none is enough" if is_known else sentences(row["reason"])
        found.append(
            [
                percent(row["risk"]),
                value,
                band(row),
                _chance(row["prob"]) if is_known else DASH,
                DASH if row["find"] == Find.WEEKDAYS else _chance(row["prob_next"]),
                _count(row["angler_trips"]),
                _count(row["kept_fish"]),
            ]
        )
    return found


def band(row: Row) -> str:
    """Return where the answer could fall with other draws."""
    if row["prob"] is None or row["find"] == Find.WEEKDAYS:
        return DASH
    ends = [_end_words(row["find"], row[one]) for one in ("band_low", "band_high")]
    if ends[0] == ends[1]:
        return ends[0]
    return f"{ends[0]} to {ends[1].removeprefix(_OPEN_THROUGH)}"


def _end_words(find: str, value: str | None) -> str:
    """Return an end of the band; a close by the day before it, as the answer is."""
    if value is None:
        return "none"
    last = date.fromisoformat(value) - timedelta(days=1) if find == Find.CLOSE and value else None
    return value_words(find, value, last)


def beside(row: Row) -> str:
    """Return the largest sets of days of the week that keep the risk; empty for other rules."""
    if row["find"] != Find.WEEKDAYS or not row["values_within"]:
        return ""
    return f"No day can be added to any of these sets: {_listed(row)}."


def _listed(row: Row) -> str:
    values = [one if one != "as planned" else "" for one in row["values_within"].split("; ")]
    words = [value_words(row["find"], one) for one in values]
    if len(words) > _MOST:
        words = [*words[:_MOST], f"and {len(words) - _MOST} more"]
    return "; ".join(words)


_MOST = 12


def _count(value: float | None) -> str:
    if not value:
        return DASH if value is None else "0"
    return number(value, place=max(rounding.power(value) - 2, 0))
