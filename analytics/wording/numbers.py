"""Numbers for people: ``1,240 fish (95 % CI 980–1,570)``, their marks, and words for no number.

Rounding follows the error: two digits of half the interval, never fewer than two of the estimate;
a total is never finer than a tenth. One mark a status: the symbol in figures, its twin in legends
and cells, its words, the same on pages and in documents.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from analytics import precision
from analytics.codes import has_code
from analytics.data.calendar import SUNDAY
from analytics.palette import axis_top
from analytics.precision import DASH, PERCENT, number, power
from analytics.quantities import QUANTITIES, QuantityKind, Status, capitalised
from analytics.units import short_day, span_words
from analytics.wording import reasons
from analytics.wording.bulletin_index import monday
from analytics.wording.reasons import lacks_error

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from analytics.wording.bulletin_index import Change, Row


#: A ratio beyond which percent read badly and "times" is said instead.
LARGE_RATIO = 3.0

_UNITS = {
    "fish": ("fish", "fish"),
    "boat_trip": ("boat trip", "boat trips"),
    "angler_trip": ("angler trip", "angler trips"),
    "angler_hour": ("angler-hour", "angler-hours"),
    "1": ("", ""),
}

#: What the bulletin says of a change; any other word is not known.
_CHANGE_WORDS = frozenset({"rising", "falling", "no clear change", "not comparable"})


def value(row: Row, *, place: int | None = None) -> str:
    """Return the estimate alone, such as ``1,240`` or ``78 %``; a dash where there is none.

    `place` is the power of ten of its last digit; as its error has it when not given.
    """
    if row.estimate is None:
        return DASH
    at = last_place(row) if place is None else place
    return number(scale(row) * row.estimate, place=at) + _percent(row)


def coarse(row: Row) -> str:
    """Return the estimate in the fewest digits that a column of figures can share."""
    if row.estimate is None:
        return DASH
    place = {QuantityKind.RATE: -2}.get(QUANTITIES[row.quantity].kind, 0)
    return number((100 if _is_share(row) else 1) * row.estimate, place=place) + _percent(row)


def interval(row: Row) -> str:
    """Return the interval alone, such as ``980–1,570``; empty where none helps."""
    if row.ci_low is None or row.ci_high is None or not reasons.is_useful(row):
        return ""
    if reasons.is_certain(row):
        return ""
    return f"{_scaled(row, row.ci_low)}–{_scaled(row, row.ci_high)}{_percent(row)}"


def bracket(row: Row, *, full: bool = True) -> str:
    """Return the interval in brackets, or why there is none; `full` names its level."""
    limits = interval(row)
    if not limits:
        return f"({reasons.why_no_interval(row)})"
    return f"({level(row.ci_level)} CI {limits})" if full else f"({limits})"


def figure(row: Row | None, *, place: int | None = None) -> str:
    """Return ``1,240 fish (95 % CI 980–1,570)``, or in words why there is no number.

    `place` is that of `value`.
    """
    if row is None or row.estimate is None:
        return reasons.why_no_estimate(row)
    unit = unit_words(row.unit, plural=row.estimate != 1)
    return " ".join(part for part in (value(row, place=place), unit, bracket(row)) if part)


def level(part: float | None) -> str:
    """Return a confidence level as ``95 %``."""
    return f"{100 * (0.95 if part is None else part):.4g}{PERCENT}"


def count(amount: int, noun: str) -> str:
    """Return a count with its noun, such as ``1 interview`` or ``1,200 interviews``."""
    return f"{amount:,} {noun}{'' if amount == 1 else 's'}"


def unit_words(unit: str, *, plural: bool = True) -> str:
    """Return a unit of the result rows in words; empty for shares."""
    if unit in _UNITS:
        return _UNITS[unit][plural]
    above, _, below = unit.partition(" per ")
    return f"{_UNITS.get(above, (above, above))[1]} per {_UNITS.get(below, (below, below))[0]}"


def change(one: Change | None) -> str:
    """Return a change in words first, such as ``rising: +23 % (95 % CI +5 to +44 %)``."""
    if one is None:
        return "no week just before to compare with"
    word = change_word(one)
    if word == "not comparable":
        return f"{word}: the week before had other open days"
    amount, low, high = one.change, one.ci_low, one.ci_high
    if word == "not known" or amount is None or low is None or high is None:
        return "change not known: one of the two weeks has no figure or no error"
    if not _is_useful_change(one):
        return f"{word}: {reasons.TOO_FEW}"
    unit = " points" if one.form == "difference" else PERCENT
    if one.form == "ratio" and max(amount, high) > LARGE_RATIO:
        limits = f"{low:.1f}–{high:.1f}"
        return f"{word}: {amount:.1f} times ({level(one.ci_level)} CI {limits})"
    limits = f"{_shift(one, low)} to {_shift(one, high)}"
    limits += unit if unit == PERCENT else ""
    return f"{word}: {_shift(one, amount)}{unit} ({level(one.ci_level)} CI {limits})"


def change_word(one: Change | None) -> str:
    """Return rising, falling, no clear change, not comparable, or not known."""
    word = one.direction if one else None
    return word if word in _CHANGE_WORDS else "not known"


def short(row: Row | None) -> str:
    """Return the figure for a narrow heading, such as ``1,240 (980–1,570)``, or why it has none."""
    if row is None or row.estimate is None:
        return reasons.why_no_estimate_short(row)
    sign = f" {reasons.caution(row)[0]}".rstrip()
    limits = interval(row)
    if limits:
        return f"{value(row)}{sign} ({limits})"
    return f"{value(row)}{sign} ({reasons.brief(reasons.why_no_interval(row))})"


def week_dates(week: str) -> str:
    """Return the days of an ISO week, such as ``28 Jan – 3 Feb 2036``."""
    first = monday(week)
    return span_words(first, first.fromordinal(first.toordinal() + 6))


def instant_words(at_utc: str) -> str:
    """Return an instant as ``1 Feb 2031, 08:30 UTC``; as it is if it cannot be read."""
    try:
        at = datetime.fromisoformat(at_utc)
    except ValueError:
        return at_utc
    return f"{short_day(at, with_year=True)}, {at:%H:%M} UTC"


def holiday_words(day: date, holiday: str) -> str:
    """Return why a day stands with the Sundays: empty for no holiday, and for a Sunday itself."""
    if not holiday or day.isoweekday() == SUNDAY:
        return ""
    named = "" if holiday == "holiday" else f" ({holiday})"
    return f"a holiday{named}: sampled with the Sundays"


def plain(words: object) -> str:
    """Return text with the marks of Markdown made harmless, for names that come from data."""
    return re.sub(r"([\\`*_{}\[\]()#+\-!|<>$~:])", r"\\\1", str(words))


def sentence(words: object) -> str:
    """Return words as a sentence of their own, as `plain`."""
    return plain(f"{capitalised(str(words))}.")


def _is_share(row: Row) -> bool:
    return QUANTITIES[row.quantity].kind is QuantityKind.SHARE


def _percent(row: Row) -> str:
    return PERCENT if _is_share(row) else ""


def _scaled(row: Row, amount: float) -> str:
    return number(scale(row) * amount, place=last_place(row))


def scale(row: Row) -> int:
    """Return what an amount is multiplied by to be read: shares are read in percent."""
    return 100 if _is_share(row) else 1


def last_place(row: Row) -> int:
    """Return the power of ten of the last digit worth showing."""
    factor = scale(row)
    size = factor * abs(row.estimate or 0.0)
    smallest = _smallest(row, size)
    if size == 0 or not math.isfinite(size):
        return smallest
    if row.ci_low is None or row.ci_high is None or not reasons.is_useful(row):
        # Without an interval that helps, a figure must not look finer than its neighbours.
        digits = 2 if row.has_interval or reasons.lacks_error(row) else 3
        return max(power(size) - digits + 1, smallest)
    half = factor * (row.ci_high - row.ci_low) / 2
    return precision.last_place(half, least=smallest, finest=power(size) - 1)


def _smallest(row: Row, size: float) -> int:
    is_rate = QUANTITIES[row.quantity].kind is QuantityKind.RATE
    return 0 if size == 0 else _least_place(size, is_rate=is_rate)


def _least_place(size: float, *, is_rate: bool) -> int:
    """Return the finest place of a number other than zero: totals and shares to a tenth."""
    if is_rate:
        return -3 if size < 0.1 else -2
    return 0 if size >= 10 else -1


def _is_useful_change(one: Change) -> bool:
    """Return whether the interval of a change is narrow enough to help."""
    ends = (one.change or 0.0, one.ci_low or 0.0, one.ci_high or 0.0)
    if not all(math.isfinite(end) for end in ends):
        return False
    return one.form == "difference" or ends[2] <= reasons.USELESS_TIMES * ends[0]


def _shift(one: Change, amount: float) -> str:
    """Return a change as signed percent (ratio) or signed percentage points (difference)."""
    points = 100 * (amount if one.form == "difference" else amount - 1)
    shown = f"{points:+,.1f}" if 0.05 <= abs(points) < 1 else f"{points + 0.0:+,.0f}"
    return "0" if shown in ("+0", "-0") else shown.replace("-", "−")


# A number with its interval in words, for tables whose lines are no result rows.

#: An end of an interval this many times the number is read by its size alone. Our choice.
FAR = 100


class NumberKind(StrEnum):
    """How an amount is read: a count of fish, a share in percent, a ratio or rate."""

    COUNT = "count"
    SHARE = "share"
    RATIO = "ratio"


@dataclass(frozen=True, slots=True)
class Measurement:
    """A number and the ends of its interval; None where there is none."""

    value: float | None
    low: float | None = None
    high: float | None = None
    sort: NumberKind = NumberKind.COUNT

    @property
    def has_interval(self) -> bool:
        """Whether both ends of the interval are known."""
        return self.low is not None and self.high is not None

    @property
    def ends(self) -> list[float]:
        """The number and the ends of its interval, as far as they are known."""
        return [end for end in (self.low, self.value, self.high) if end is not None]

    @property
    def place(self) -> int:
        """Power of ten of the last digit: two digits of half the interval, two of the number."""
        size = self._scale * abs(self.value or 0.0)
        least = self._least(size)
        if size == 0 or not math.isfinite(size):
            return least
        finest = power(size) - (1 if self.has_interval else 2)
        return precision.last_place(self._half(), least=least, finest=finest)

    @property
    def words(self) -> str:
        """The number alone; a dash where there is none."""
        return self.shown(self.value)

    @property
    def limits(self) -> str:
        """The interval alone, such as ``980–1,570``; empty where there is none."""
        return self.between(self.low, self.high)

    def between(self, low: float | None, high: float | None) -> str:
        """Return two ends in the digits of this number; empty where either lacks."""
        if low is None or high is None:
            return ""
        return f"{self.shown(low).removesuffix(PERCENT)}–{self._far(high)}"

    def _far(self, end: float) -> str:
        """Return an end in the digits of this number; one of another size has three of its own."""
        size = self._scale * abs(end)
        if not (math.isfinite(size) and size > FAR * self._scale * abs(self.value or math.inf)):
            return self.shown(end)
        place = max(self.place, power(size) - 2)
        return number(self._scale * end, place=place) + PERCENT * self._is_share

    def shown(self, value: float | None) -> str:
        """Return another number in the digits of this one."""
        if value is None:
            return DASH
        return number(self._scale * value, place=self.place) + PERCENT * self._is_share

    def bracket(self, confidence_level: float | None = None) -> str:
        """Return the interval in brackets, its level named where given; or that there is none."""
        if not self.limits:
            return "(no interval)"
        named = "" if confidence_level is None else f"{level(confidence_level)} CI "
        return f"({named}{self.limits})"

    def figure(self, level: float | None = None) -> str:
        """Return the number with its interval in brackets."""
        return self.words if self.value is None else f"{self.words} {self.bracket(level)}"

    @property
    def _is_share(self) -> bool:
        return self.sort is NumberKind.SHARE

    @property
    def _scale(self) -> int:
        return 100 if self._is_share else 1

    def _half(self) -> float:
        if self.low is None or self.high is None:
            return 0.0
        half = self._scale * (self.high - self.low) / 2
        return half if math.isfinite(half) else 0.0

    def _least(self, size: float) -> int:
        is_rate = self.sort is NumberKind.RATIO
        if size == 0:
            return -2 if is_rate else 0
        return _least_place(size, is_rate=is_rate)


class MeasuredDifference(Measurement):
    """A difference: its digits follow its interval alone, for its size may be near none."""

    __slots__ = ()

    @property
    def place(self) -> int:
        """Power of ten of the last digit: two digits of half the interval."""
        if self.low is None or self.high is None or self.high <= self.low:
            return Measurement(self.value).place
        return precision.last_place((self.high - self.low) / 2, least=0)


def of_line(
    line: Mapping[str, Any] | None,
    name: str,
    sort: NumberKind = NumberKind.COUNT,
    *,
    ends: tuple[str, str] = ("ci_low", "ci_high"),
) -> Measurement:
    """Return a column of a table's line as an amount; `ends` are the columns of its interval."""
    if line is None:
        return Measurement(None, sort=sort)
    return Measurement(line[name], line.get(ends[0]), line.get(ends[1]), sort)


def of_row(row: Row | None, sort: NumberKind) -> Measurement:
    """Return the estimate and interval of a result row as an amount."""
    if row is None:
        return Measurement(None, sort=sort)
    return Measurement(row.estimate, row.ci_low, row.ci_high, sort)


@dataclass(frozen=True, slots=True)
class Mark:
    """How a status is drawn: plotly's name of the marker, the same as a character, its words."""

    symbol: str
    glyph: str
    words: str


PLAIN = Mark("circle", "●", "estimate")
GAP = Mark("x-thin", "×", "nothing to estimate from")
PARTIAL = Mark("x", "×", "without an area that was open and never sampled")
EMPTY = Mark("circle-x-open", "⊗", "sampled, but nothing to divide by")
WITHHELD = Mark("square-x-open", "⊠", "withheld: too uncertain to publish")
UNSURE = Mark("circle-open-dot", "⊙", "interval not available")
CLOSED = Mark("", "–", "no open day")
MARKS: dict[str, Mark] = {
    Status.OK: PLAIN,
    Status.CENSUS: Mark("square", "■", "every site-day sampled"),
    Status.ZERO_TOTAL: Mark("circle-open", "○", "none seen, or nothing else: no interval"),
    Status.COLLAPSED: Mark("diamond-open", "◇", "variance pooled with a neighbour"),
    Status.IMPUTED: Mark("triangle-up-open", "△", "imputed from neighbours"),
    Status.MODELLED: Mark("star", "★", "from a model"),
    Status.NO_SAMPLE: GAP,
    Status.NO_DESIGN: Mark("x-thin", "×", "interviews of convenience: rates and shares, no totals"),
}

_WITHOUT_ESTIMATE = (Status.NO_SAMPLE, Status.NO_DESIGN)
#: The code of a figure withheld from the public.
_WITHHELD = "withheld"


def mark(row: Row | None) -> Mark:
    """Return the mark of a row; a missing row is closed, one without an estimate says why.

    A lacking error outranks the status, so that no figure looks surer than its neighbours.
    """
    if row is None:
        return CLOSED
    if row.estimate is None:
        if has_code(row.method, _WITHHELD):
            return WITHHELD
        return MARKS[row.status] if row.status in _WITHOUT_ESTIMATE else EMPTY
    if row.status == Status.NO_SAMPLE:
        return PARTIAL
    if lacks_error(row):
        return UNSURE
    return PLAIN if row.status == Status.NO_DESIGN else MARKS.get(row.status, PLAIN)


def legend(rows: Iterable[Row | None]) -> list[Mark]:
    """Return the marks that occur among rows, in a fixed order and each once."""
    seen = {mark(row) for row in rows}
    order = dict.fromkeys((*MARKS.values(), PARTIAL, UNSURE, EMPTY, WITHHELD, CLOSED))
    return [one for one in order if one in seen]


def signs(rows: Iterable[Row | None]) -> list[tuple[str, str]]:
    """Return the glyphs of the marks among rows with their words; no row is no sign."""
    return [(one.glyph, one.words) for one in legend(row for row in rows if row)]


# A row on an axis, and a figure in words.


def axis_end(rows: Iterable[Row | None]) -> float:
    """Return the top of the axis for some panels; intervals beyond it are marked in their panel.

    It follows no interval of a figure that is marked as not for publication or very uncertain.
    """
    known = [row for row in rows if row is not None and row.estimate is not None]
    sure = (row for row in known if reasons.caution(row)[0] != reasons.STRONG)
    highs = [row.ci_high or 0.0 for row in sure]
    return axis_top([row.estimate or 0.0 for row in known], highs, is_share=False)


def drawn_interval(row: Row) -> tuple[float | None, float | None]:
    """Return the interval to draw; of one too wide to be useful only that it extends upwards."""
    if row.estimate is not None and row.has_interval and not reasons.is_useful(row):
        return None, math.inf
    return row.ci_low, row.ci_high


def trend_description(
    rows: Sequence[Row | None], *, weeks: Sequence[str], area: str, label: str
) -> str:
    """Return a sentence that stands for a panel where it cannot be seen."""
    known = estimated(rows, weeks)
    if not known:
        return f"{label} by week in {area}: no week has an estimate."
    low, high = (pick(known, key=lambda one: one[1].estimate or 0.0) for pick in (min, max))
    return (
        f"{label} by week in {area}, with intervals; {len(known)} of {len(weeks)} weeks have an "
        f"estimate, lowest {figure(low[1])} in {low[0]}, "
        f"highest {figure(high[1])} in {high[0]}."
    )


def estimated(rows: Sequence[Row | None], weeks: Sequence[str]) -> list[tuple[str, Row]]:
    """Return the weeks that have an estimate, each with its row."""
    pairs = zip(weeks, rows, strict=True)
    return [(week, row) for week, row in pairs if row is not None and row.estimate is not None]
