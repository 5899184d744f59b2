"""A number with its interval in words, for tables whose lines are no result rows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from dashboard import text
from dashboard.digits import DASH, PERCENT, number, power

if TYPE_CHECKING:
    from dashboard.book import Row


class Sort(StrEnum):
    """How an amount is read: a count of fish, a share in percent, a ratio or rate."""

    COUNT = "count"
    SHARE = "share"
    RATIO = "ratio"


@dataclass(frozen=True, slots=True)
class Amount:
    """A number and the ends of its interval; None where there is none."""

    value: float | None
    low: float | None = None
    high: float | None = None
    sort: Sort = Sort.COUNT

    @property
    def has_interval(self) -> bool:
        """Whether both ends of the interval are known."""
        return self.low is not None and self.high is not None

    @property
    def place(self) -> int:
        """Power of ten of the last digit: two digits of half the interval, two of the number."""
        size = self._scale * abs(self.value or 0.0)
        least = self._least(size)
        if size == 0 or not math.isfinite(size):
            return least
        finest = power(size) - (1 if self.has_interval else 2)
        half = self._half()
        by_error = power(half) - 1 if half > 0 else least
        return max(min(by_error, finest), least)

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
        return f"{self.shown(low).removesuffix(PERCENT)}–{self.shown(high)}"

    def shown(self, value: float | None) -> str:
        """Return another number in the digits of this one."""
        if value is None:
            return DASH
        return number(self._scale * value, place=self.place) + PERCENT * self._is_share

    def bracket(self, level: float | None = None) -> str:
        """Return the interval in brackets, its level named where given; or that there is none."""
        if not self.limits:
            return "(no interval)"
        named = "" if level is None else f"{text.level(level)} CI "
        return f"({named}{self.limits})"

    def figure(self, level: float | None = None) -> str:
        """Return the number with its interval in brackets."""
        return self.words if self.value is None else f"{self.words} {self.bracket(level)}"

    @property
    def _is_share(self) -> bool:
        return self.sort is Sort.SHARE

    @property
    def _scale(self) -> int:
        return 100 if self._is_share else 1

    def _half(self) -> float:
        if self.low is None or self.high is None:
            return 0.0
        half = self._scale * (self.high - self.low) / 2
        return half if math.isfinite(half) else 0.0

    def _least(self, size: float) -> int:
        if self.sort is Sort.RATIO:
            return -3 if 0 < size < 0.1 else -2
        return 0 if size >= 10 or size == 0 else -1


def of_row(row: Row | None, sort: Sort) -> Amount:
    """Return the estimate and interval of a result row as an amount."""
    if row is None:
        return Amount(None, sort=sort)
    return Amount(row.estimate, row.ci_low, row.ci_high, sort)
