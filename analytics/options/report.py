"""An answer to a set of options in words: numbers, sentences, the lines of its tables."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any

from analytics import precision
from analytics.catch_limits import LIKELY, already_exceeded, join_words, noun, nouns
from analytics.codes import has_code, sentences, with_limit_names
from analytics.options import solved_words
from analytics.options.solved_words import Points as Points  # noqa: PLC0414 - for documents and pages
from analytics.precision import DASH, PERCENT, last_place, number, power
from analytics.units import day_words

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pyarrow as pa

    from analytics.options.baseline import Limit

    Row = Mapping[str, Any]


# What an answer to a set of options is about, and its limits in words.


@dataclass(frozen=True, slots=True)
class ReportContext:
    """What an answer is about and what it was made from.

    Parameters
    ----------
    title, notes : str
        Of the set of options; empty where none is given.
    through : datetime.date
        Last day of the totals so far.
    version : int
        Of the store.
    is_preliminary : bool
        Open days are still to come, or may still be sampled.
    level : float
        Confidence level of the intervals.
    left_out, refused : tuple of str
        Limits and options that could not be compared, in words.
    areas : mapping of str to str
        Code and name of the season's areas.
    passed : mapping of str to float or None
        Chance that the total so far is over a limit, by its id.
    """

    title: str
    notes: str
    season: str
    through: date
    version: int
    bulletin: str
    is_preliminary: bool
    n_draws: int
    level: float
    limits: tuple[Limit, ...] = ()
    left_out: tuple[str, ...] = ()
    refused: tuple[str, ...] = ()
    areas: Mapping[str, str] = field(default_factory=dict)
    passed: Mapping[str, float | None] = field(default_factory=dict)

    def area_name(self, area: str) -> str:
        """Return what an area is called; its code where no name is known."""
        return self.areas.get(area) or area

    def where(self, areas: Sequence[str]) -> str:
        """Return areas by their names, such as ``North and South``, or ``all areas``."""
        if self.areas and not set(self.areas) - set(areas):
            return "all areas"
        return join_words(list(map(self.area_name, areas)))

    def limit(self, limit: Limit) -> str:
        """Return a limit in words, such as ``sublegal releases in North and South``."""
        where = self.where(limit.areas)
        return f"{nouns(limit.quantities)} {'over' if where == 'all areas' else 'in'} {where}"

    def named(self, limit: Limit) -> str:
        """Return a limit in words with its fish and its id."""
        return f"{self.limit(limit)}, at most {limit.fish:,.10g} ({limit.limit_id})"

    def with_limit_names(self, cell: str) -> str:
        """Return a cell in which the codes about a limit name it in words."""
        return with_limit_names(cell, {one.limit_id: self.named(one) for one in self.limits})


# Numbers of an answer as they stand in a table: rounded by their error, chances, dates.

#: Under this a total that is uncertain is given to a tenth.
_TENTHS = 10
_MARKUP = re.compile(r"([\\`*_\[\]<>|#])")


def plain(text: str) -> str:
    """Return text so that Markdown shows it as it is, on one line."""
    return _MARKUP.sub(r"\\\1", " ".join(text.split()))


def count_likely(exceedance: Sequence[Mapping[str, Any]], option: str) -> tuple[int, int]:
    """Return how many limits an option passes with a chance of a half or more, and of how many."""
    chances = [row["prob_exceeded_by_close"] for row in exceedance if row["option"] == option]
    known = [one for one in chances if one is not None]
    return sum(one >= LIKELY for one in known), len(known)


def amount(row: Mapping[str, Any], name: str, low: str, high: str, *, signed: bool = False) -> str:
    """Return a number with its interval, such as ``1,240 (980 to 1,570)``.

    Two digits of half the interval are shown; never fewer than two of a total, nor more than a
    tenth of one. The dashboard rounds alike.
    """
    words = first_number(row, name, low, high, signed=signed)
    ends = (row[low], row[high])
    if row[name] is None or None in ends or row[name] == ends[0] == ends[1]:
        return words
    place = _place(row[name], (ends[1] - ends[0]) / 2, signed=signed)
    low_word, high_word = (_rounded(one, place, signed=signed) for one in ends)
    return f"{words} ({low_word} to {high_word})"


def first_number(
    row: Mapping[str, Any], name: str, low: str, high: str, *, signed: bool = False
) -> str:
    """Return the number of `amount` without its interval, rounded alike."""
    value, ends = row[name], (row[low], row[high])
    if value is None:
        return DASH
    place = 0 if None in ends else _place(value, (ends[1] - ends[0]) / 2, signed=signed)
    return _rounded(value, place, signed=signed)


def chance(part: float | None) -> str:
    """Return a probability in whole per cent, never as certain."""
    return DASH if part is None else precision.chance(part).replace(PERCENT, " %")


def points(difference: float | None, se: float | None = None) -> str:
    """Return a difference of probabilities in percentage points, such as ``−15.1 ± 0.8 points``.

    After ± stands the Monte-Carlo standard error, if given; under 0.05 points as ``under 0.1``.
    """
    if difference is None:
        return DASH
    if difference == 0 and not se:
        return "no change"
    is_none, is_sure = round(100 * difference, 1) == 0, round(100 * (se or 0.0), 1) == 0
    shown = "under ±0.1" if is_none else number(100 * difference, place=-1, signed=True)
    if se is None or (is_none and is_sure):
        return f"{shown} points"
    return f"{shown} ± {'under 0.1' if is_sure else number(100 * se, place=-1)} points"


def day(one: date | None) -> str:
    """Return a date as ``14 March 2036``."""
    return DASH if one is None else day_words(one)


def limit_dates(
    row: Mapping[str, Any], *, through: date | None = None, passed: float | None = None
) -> str:
    """Return the days by which a limit, a row of the exceedance, is exceeded with 10, 50 and 90 %.

    One that is reached on `through`, the last day of the totals so far, may be exceeded already,
    with the chance `passed`.
    """
    days = {share: row[f"exceedance_date_p{share}"] for share in (10, 50, 90)}
    found = [
        f"{share} % by {day(one)}"
        for share, one in days.items()
        if one is not None and one != through
    ]
    if through is not None and through in days.values():
        found.insert(0, _already(passed))
    return ", ".join(found) or "not reached with 10 %"


def _already(passed: float | None) -> str:
    return already_exceeded(passed).replace(PERCENT, " %")


def risk_moved(row: Mapping[str, Any]) -> str:
    """Return how the probability of exceeding a limit differs from today's, in points."""
    return points(
        row["prob_exceeded_by_close_difference"], row["prob_exceeded_by_close_difference_se"]
    )


def _place(value: float, half: float, *, signed: bool) -> int:
    """Return the power of ten of the last digit.

    Digits of a difference follow its interval alone, for its size may be near none.
    """
    if not half or not (signed or value):
        return 0
    if signed:
        return last_place(half, least=0)
    least = -1 if abs(value) < _TENTHS else 0
    return last_place(half, least=least, finest=power(value) - 1)


def _rounded(value: float, place: int, *, signed: bool) -> str:
    return number(value, place=place, least=-1, signed=signed)


# Each option of an answer in a sentence: what it changes, limits likely exceeded, which binds.

#: Totals that a sentence tells.
_SUMMED = ("angler_trips", "kept_fish", "released_sublegal_fish", "total_deaths_fish")
#: Columns of a total, and of a difference from today's rule, with their intervals.
TOTAL = ("estimate", "ci_low", "ci_high")
DIFFERENCE = ("difference", "difference_low", "difference_high")
#: A difference of fish or trips that is none.
_NOTHING = 1e-6


def binding(about: ReportContext, exceedance: Sequence[Row], option: str) -> str:
    """Return the limit that an option reaches first, with its chance and day; empty without one.

    Of limits that are not reached with an even chance, the one most likely exceeded; of those alike
    in both, as several that are exceeded already, the one whose total is the largest part of it.
    """
    limits = {limit.limit_id: limit for limit in about.limits}
    mine = [
        row
        for row in exceedance
        if row["option"] == option
        and row["prob_exceeded_by_close"] is not None
        and row["limit_id"] in limits
    ]
    if not mine:
        return ""

    def rank(one: Row) -> tuple[date, float, float]:
        fish, total = limits[one["limit_id"]].fish, one["estimate"] or 0.0
        share = total / fish if fish else math.inf
        middle = one["exceedance_date_p50"] or date.max
        return middle, -one["prob_exceeded_by_close"], -share

    row = min(mine, key=rank)
    passing = chance(row["prob_exceeded_by_close"])
    if row["prob_exceeded_by_close_difference"]:
        passing += f" ({risk_moved(row)})"
    words = f"{about.named(limits[row['limit_id']])}: {passing} to exceed it"
    if row["exceedance_date_p50"] is None:
        return words
    if row["exceedance_date_p50"] == about.through:
        return f"{words}, {_already(about.passed.get(row['limit_id']))}"
    return f"{words}, with 50 % by {day(row['exceedance_date_p50'])}"


CAUTION = (
    "These figures inform and decide nothing: the agency's own rules and licensed practice decide. "
    "They hold as far as the assumptions below do."
)
RISK = (
    "Differences of probabilities are in percentage points from today's rule, ± the standard error "
    "that the number of draws leaves in them: both rules are judged on the same draws. The error "
    "of the data is in the probabilities themselves."
)
#: Code of the rule by which an option is dominated; it stands with the options that are.
_RULE = "dominance_rule"
#: What a manager asks of an option, in this order: opportunity, catch, cost in fish.
COUNTS = (
    "angler_trips",
    "kept_fish",
    "encounter_fish",
    "released_sublegal_fish",
    "total_deaths_fish",
)


def _is_nothing(row: Row) -> bool:
    return all(row[one] is not None and abs(row[one]) < _NOTHING for one in DIFFERENCE)


class Answer:
    """The rows of an answer as a report asks for them."""

    def __init__(self, about: ReportContext, tables: Mapping[str, pa.Table]) -> None:
        rows = {name: table.to_pylist() for name, table in tables.items()}
        self.about, self.exceedance, self.assumptions = (
            about,
            rows["limit_exceedance"],
            rows["assumptions"],
        )
        self.figures = {
            (row["option"], row["quantity"]): row for row in rows["figures"] if row["area"] is None
        }
        self.options = list(dict.fromkeys(row["option"] for row in rows["figures"]))
        self.dominated = {
            row["option"]: row["dominated_by"] or "another"
            for row in rows["dominance"]
            if row["is_dominated"]
        }
        self.at_limit = {(row["option"], row["limit_id"]): row for row in self.exceedance}
        #: Options that ask how far a rule may go, where no choice keeps the risk.
        self.unanswered = {
            row["option"]
            for row in rows.get("solved", [])
            if row["is_asked"] and not row["value"] and not has_code(row["reason"], "solve_all")
        }

    def sentences(self) -> list[tuple[str, str]]:
        """Return each option with its sentence; the others by their differences from the first."""
        return [(option, f"{'; '.join(self._sentence(option))}.") for option in self.options]

    def _sentence(self, option: str) -> list[str]:
        today = self.options[0]
        is_first = option == today
        rows = {one: self.figures[option, one] for one in _SUMMED if (option, one) in self.figures}
        ends = TOTAL if is_first else DIFFERENCE
        totals = ("" if is_first else "against today's rule, ") + ", ".join(
            f"{noun(name)} {amount(row, *ends, signed=not is_first)}" for name, row in rows.items()
        )
        if not is_first and rows and all(map(_is_nothing, rows.values())):
            totals = "changes nothing in trips, fish kept, sublegal releases and deaths"
        if option in self.unanswered:
            totals = f"compared without the rule it asks for, as no choice is found; {totals}"
        n, of = count_likely(self.exceedance, option)
        if not of:
            return [totals]
        beside = "" if is_first else f" (today {count_likely(self.exceedance, today)[0]})"
        first = binding(self.about, self.exceedance, option)
        limits = f"limits likely exceeded: {n} of {of}{beside}"
        return [totals, limits, *([f"reached first: {first}"] if first else [])]

    def figure(self, option: str, quantity: str) -> Row | None:
        """Return the season's total of an option over all areas."""
        return self.figures.get((option, quantity))

    def likely(self, option: str) -> str:
        """Return how many limits an option likely exceeds, as ``5 of 8``."""
        n, of = count_likely(self.exceedance, option)
        return f"{n} of {of}" if of else DASH

    def chances(self) -> list[list[str]]:
        """Return the probability of exceeding a limit, a line an option, with its day."""
        ids = [limit.limit_id for limit in self.about.limits]
        return [[option, *(self._chance(option, one) for one in ids)] for option in self.options]

    def _chance(self, option: str, limit_id: str) -> str:
        row = self.at_limit.get((option, limit_id))
        if row is None:
            return DASH
        words, middle = chance(row["prob_exceeded_by_close"]), row["exceedance_date_p50"]
        if middle == self.about.through:
            return f"{words}, {_already(self.about.passed.get(limit_id))}"
        return words + (f", {day(middle)}" if middle else "")

    def limit(self, limit_id: str) -> list[list[str]]:
        """Return the lines of the table of a limit."""
        through, passed = self.about.through, self.about.passed.get(limit_id)
        return [
            [
                option,
                amount(row, *TOTAL),
                chance(row["prob_exceeded_by_close"]),
                risk_moved(row),
                limit_dates(row, through=through, passed=passed),
            ]
            for option in self.options
            if (row := self.at_limit.get((option, limit_id)))
        ]

    def assumed(self) -> dict[str, list[str]]:
        """Return the assumptions of all options in words, and what else each option rests on."""
        named, words_of = self.about.area_name, self.about.with_limit_names
        own: dict[str, dict[str, None]] = {option: {} for option in self.options}
        every = dict.fromkeys(
            sentences(words_of(row["assumption"]), named)
            for row in self.assumptions
            if row["option"] is None
        )
        for row in self.assumptions:
            if row["option"] in own and not has_code(row["assumption"], _RULE):
                own[row["option"]][sentences(words_of(row["assumption"]), named)] = None
        first = next(iter(own.values()), {})
        every |= dict.fromkeys(one for one in first if all(one in words for words in own.values()))
        rest = {option: [one for one in words if one not in every] for option, words in own.items()}
        return {"all options": list(every) or ["none given"]} | {k: v for k, v in rest.items() if v}


# How far rules may go, of options that ask.


@dataclass(frozen=True, slots=True)
class HowFar:
    """The answer to one option's question: a sentence, its `HEADS` and lines, what stands beside.

    `rows` are those of the table `solved`, `asked` the one at the risk that was asked.
    """

    option: str
    sentence: str
    lines: list[list[str]]
    beside: str
    asked: Row
    rows: list[dict[str, Any]]
    points: Points


def how_far(about: ReportContext, tables: Mapping[str, pa.Table]) -> list[HowFar]:
    """Return how far the rule of each option may go that asks; empty where none does."""
    rows = tables["solved"].to_pylist() if "solved" in tables else []
    points = tables["frontier"].to_pylist() if "frontier" in tables else []
    limits = {one.limit_id: one for one in about.limits}
    passed = {one: about.passed.get(one) for one in limits}

    def named(limit_id: str) -> str:
        return about.named(limits[limit_id]) if limit_id in limits else limit_id

    found = []
    for asked in (row for row in rows if row["is_asked"]):
        mine = [row for row in rows if row["option"] == asked["option"]]
        words = solved_words.answer(asked, named, about.where)
        if why := solved_words.exceeded_already(asked, passed, about.through, named):
            words = f"{words} {why}"
        beside = solved_words.beside(asked)
        lines_ = solved_words.lines(mine)
        others = Points([row for row in points if row["option"] == asked["option"]])
        found.append(HowFar(asked["option"], words, lines_, beside, asked, mine, others))
    return found


HOW_FAR_HEADS, HOW_FAR = solved_words.HEADS, solved_words.ABOUT
#: A value of a rule in words, and why questions have no answer at all.
value_words, unanswered = solved_words.value_words, solved_words.unanswered
#: What the points of a frontier leave, and their numbers in words.
GAINS, count_words = solved_words.GAINS, solved_words.count_words


# An answer in a few aligned lines, for a terminal.

_COLUMNS = {
    "angler_trips": "trips",
    "kept_fish": "kept",
    "released_sublegal_fish": "sublegal",
    "total_deaths_fish": "deaths",
}
_LONGEST = 40


def terminal_summary(about: ReportContext, tables: Mapping[str, pa.Table]) -> list[str]:
    """Return an answer as lines: an option each, with its difference from today's rule.

    Parameters
    ----------
    about : ReportContext
    tables : mapping of str to pyarrow.Table
        In the shapes of `analytics.options.schemas.ANSWER_SCHEMAS`.
    """
    made = Answer(about, tables)
    lines = [["option", *_COLUMNS.values(), "limits likely exceeded"]]
    for option in made.options:
        is_first = option == made.options[0]
        cells = [_cell(made.figures.get((option, one)), is_first=is_first) for one in _COLUMNS]
        name = _cut(option) + " *" * (option in made.dominated)
        lines.append([name, *cells, made.likely(option)])
    head = f"Season {about.season} through {day(about.through)}: totals by the end of the season"
    notes = ["(in brackets the difference from the first line; intervals in answer.md)"]
    notes += ["* dominated by another option on every count"] * bool(made.dominated)
    first = [(option, binding(about, made.exceedance, option)) for option in made.options]
    binds = [f"  {_cut(option)}: {words}" for option, words in first if words]
    far = [f"{_cut(one.option)}: {one.sentence}" for one in how_far(about, tables)]
    return [head, *_aligned(lines), *(["reached first:"] if binds else []), *binds, *notes, *far]


def _cell(row: Mapping[str, Any] | None, *, is_first: bool) -> str:
    if row is None:
        return DASH
    total = first_number(row, *TOTAL)
    if is_first or row["difference"] is None:
        return total
    return f"{total} ({first_number(row, *DIFFERENCE, signed=True)})"


def _cut(name: str) -> str:
    return name if len(name) <= _LONGEST else name[: _LONGEST - 1] + "…"


def _aligned(lines: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    return [
        "  ".join(
            [line[0].ljust(widths[0])]
            + [cell.rjust(width) for cell, width in zip(line[1:], widths[1:], strict=True)]
        ).rstrip()
        for line in lines
    ]
