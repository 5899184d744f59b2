"""How far a rule may go, in sentences: for the command, the documents and the page alike."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, ClassVar

from analytics import precision
from analytics.codes import has_code, sentences
from analytics.options.option import Find
from analytics.precision import DASH, PERCENT, number
from analytics.quantities import capitalised, uncapitalised
from analytics.units import both_lengths, day_words

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
    return DASH if part is None else precision.chance(part)


def _beside_next(row: Row) -> tuple[str, str]:
    """Return the chance at an answer and one step further, to a tenth where whole percents mislead.

    They do where both read alike, and where the second, over the risk, reads as the risk itself.
    """
    after = None if row["find"] == Find.WEEKDAYS else row["prob_next"]
    passing, later = _chance(row["prob"]), _chance(after)
    if after is not None and later in (passing, percent(row["risk"])):
        passing, later = (f"{number(100 * one, place=-1)}{PERCENT}" for one in (row["prob"], after))
    return passing, later


def value_words(find: str, value: str | None, last_open: date | None = None) -> str:
    """Return a value of a rule in words, such as ``open through 3 March 2036``."""
    if value is None:
        return DASH
    kind = Find(find)
    if kind is Find.WEEKDAYS:
        return _days(value)
    if kind in (Find.CLOSE, Find.MARKED):
        return _date_words(kind, value, last_open)
    return f"{value} Chinook" if kind is Find.DAILY_LIMIT else both_lengths(float(value))


def _days(digits: str) -> str:
    return ", ".join(_DAYS[int(one) - 1] for one in digits)


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


def question(row: Row, limit: Callable[[str], str], where: Callable[[Sequence[str]], str]) -> str:
    """Return the question of a row of the table `solved`; begins with a small letter.

    `limit` names a limit by its id, `where` areas by their codes.
    """
    what = "any limit" if row["limit_id"] is None else limit(row["limit_id"])
    areas = [one for one in (row["areas"] or "").split(";") if one]
    asked = ASKED[Find(row["find"])] + (f" in {where(areas)}" if areas else "")
    keeps = "keep" if row["find"] == Find.WEEKDAYS else "keeps"
    return f"{asked} that {keeps} the chance of exceeding {what} at or below {percent(row['risk'])}"


def answer(row: Row, limit: Callable[[str], str], where: Callable[[Sequence[str]], str]) -> str:
    """Return the answer of a row of the table `solved` in a sentence or two."""
    asked = question(row, limit, where)
    start = f"{capitalised(asked)}: "
    code = row["reason"]
    is_answered = any(has_code(code, one) for one in ("solve_found", "solve_all", "solve_none"))
    if not is_answered:
        why = sentences(code)
        values = row["values_within"]
        listed = (
            f" These keep it: {_listed(row)}." if values and has_code(code, "solve_set") else ""
        )
        return f"{start}{uncapitalised(why)}{listed}"
    passing = _chance(row["prob"])
    if has_code(code, "solve_none"):
        most = row["most_exceeded_id"]
        alone = "" if most is None else f", most of it for {limit(most)}: ask for one limit alone"
        # Over 99 % is a bound already.
        stays = passing if passing == _chance(1.0) else f"at {passing} or more"
        return f"{start}none is enough: the chance stays {stays}{alone}."
    value = value_words(row["find"], row["value"], row["last_open_day"])
    if has_code(code, "solve_all"):
        if row["find"] in (Find.CLOSE, Find.MARKED):
            return f"{start}no change is needed, the chance is {passing} ({value})."
        return f"{start}even {value}, the most generous tried, keeps it; the chance is {passing}."
    share = row["marked_days_prop"]
    part = "" if share is None else f", {number(100 * share, place=0)}{PERCENT} of the open days"
    after = row["prob_next"]
    is_step = after is not None and row["find"] != Find.WEEKDAYS
    passing, later = _beside_next(row)
    step = "one more open day" if row["find"] in (Find.CLOSE, Find.MARKED) else "one step further"
    beyond = f"; {step} and it would be {later}" if is_step else ""
    return f"{start}{value}{part}. The chance is then {passing}{beyond}."


def exceeded_already(
    row: Row, passed: Mapping[str, float | None], through: date, limit: Callable[[str], str]
) -> str:
    """Return that no rule is enough because a limit may be exceeded already; empty elsewhere.

    `passed` holds the chance that each limit is exceeded by `through`, the last day of the totals
    so far. Of several limits that one is named that is most likely exceeded.
    """
    asked = {one: part for one, part in passed.items() if row["limit_id"] in (one, None)}
    known = {one: part for one, part in asked.items() if part is not None}
    if not has_code(row["reason"], "solve_none") or not known:
        return ""
    most = max(known, key=lambda one: known[one])
    if known[most] <= row["risk"]:
        return ""
    part, risk = _chance(known[most]), percent(row["risk"])
    if part == risk:
        part = f"{number(100 * known[most], place=-1)}{PERCENT}"
    named = "this limit" if row["limit_id"] else limit(most)
    return (
        f"The chance that {named} was exceeded by {day_words(through)} is {part} already. No rule "
        f"for the days ahead changes that, so even an immediate close leaves more than {risk}."
    )


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
        passing, later = _beside_next(row)
        found.append(
            [
                percent(row["risk"]),
                value,
                band(row),
                passing,
                later,
                count_words(row["angler_trips"]),
                count_words(row["kept_fish"]),
            ]
        )
    return found


def band(row: Row) -> str:
    """Return where the answer could fall with other draws."""
    if row["prob"] is None or row["find"] == Find.WEEKDAYS:
        return DASH
    ends = [_end_words(row, row[one]) for one in ("band_low", "band_high")]
    if ends[0] == ends[1]:
        return ends[0]
    return f"{ends[0]} to {ends[1].removeprefix(_OPEN_THROUGH)}"


def _end_words(row: Row, value: str | None) -> str:
    """Return an end of the band: as the answer where it is that, and a close by the day before."""
    if value is None:
        return "none"
    is_close = row["find"] == Find.CLOSE and value
    last = date.fromisoformat(value) - timedelta(days=1) if is_close else None
    return value_words(row["find"], value, row["last_open_day"] if value == row["value"] else last)


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


def count_words(value: float | None) -> str:
    """Return a mean of trips or fish with three digits."""
    if not value:
        return DASH if value is None else "0"
    return number(value, place=max(precision.power(value) - 2, 0))


# Opportunity against risk: its points and the best of them.

#: What a point leaves, and its name.
GAINS = {"angler_trips": "angler trips", "kept_fish": "fish kept"}


@dataclass(frozen=True, slots=True)
class Points:
    """The rows of one question in the table `frontier`, named and ranked."""

    rows: Sequence[Row]

    ABOUT: ClassVar[str] = (
        "Each point is a form of the rules in the areas of the question: closed from a day on, "
        "alone or beside one other rule (daily limit, days of the week, minimum length, marked "
        "fish only), or marked fish only from a day on. A point is dominated where another has no "
        "higher chance, as many trips and as many fish kept, and is better on one. All are counted "
        "on the same draws; anglers respond as the option says."
    )
    AS_PLANNED: ClassVar[str] = "other rules as they are"

    @property
    def _first(self) -> date | None:
        """Return the first day to come."""
        days = [row["close_from"] for row in self.rows if row["close_from"]]
        return min(days, default=None)

    def line(self, row: Row) -> str:
        """Return the rule of a point beside its closing date."""
        if row["daily_limit_fish"] is not None:
            return f"{row['daily_limit_fish']} Chinook a day"
        if row["open_weekdays"]:
            return f"open {_days(row['open_weekdays'])}"
        if row["min_length_mm"]:
            return f"at least {both_lengths(row['min_length_mm'])}"
        if row["marked_from"] is None:
            return self.AS_PLANNED
        is_first = row["marked_from"] == self._first
        return "marked fish only" if is_first else "marked fish only from a day on"

    def words(self, row: Row) -> str:
        """Return a point in words, such as ``through 3 March 2036, 1 Chinook a day``."""
        when, line = "to the planned close", self.line(row)
        if row["close_from"] is not None:
            last = row["last_open_day"]
            when = "closed at once" if last is None else f"through {day_words(last)}"
        if row["marked_from"] not in (None, self._first):
            line = f"marked fish only from {day_words(row['marked_from'])}"
        return when if line == self.AS_PLANNED else f"{when}, {line}"

    def is_planned(self, row: Row) -> bool:
        """Return whether a point is the rules as they stand."""
        return row["close_from"] is None and self.line(row) == self.AS_PLANNED

    def best(self, gain: str, risk: float) -> Row | None:
        """Return the point that leaves most of a gain at a risk; None where none keeps it.

        Sums are of single precision, so that those of a fish or a trip less are alike; then the
        other gain, the risk and fewer rules count.
        """
        other = next(name for name in GAINS if name != gain)
        return max(
            (row for row in self.rows if row["prob"] <= risk),
            key=lambda row: (
                round(row[gain]),
                round(row[other]),
                -row["prob"],
                self.line(row) == self.AS_PLANNED,
            ),
            default=None,
        )

    def table(self, risks: Sequence[float]) -> list[list[Row | None]]:
        """Return the best point at each risk, a line a risk, a column a gain."""
        return [[self.best(gain, risk) for gain in GAINS] for risk in risks]
