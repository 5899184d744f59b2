"""Units of the reader's choice: lengths, weights and dates, kept as mm, g and days everywhere else.

A choice is one short code, such as ``in.lb.mdy``, so that a link can hold it.
"""

from __future__ import annotations

import math
from contextvars import ContextVar
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

MM_AN_INCH = 25.4
G_A_POUND = 453.59237


class Length(StrEnum):
    """Units of length."""

    MM = "mm"
    CM = "cm"
    IN = "in"


class Weight(StrEnum):
    """Units of weight."""

    G = "g"
    KG = "kg"
    LB = "lb"


class DateOrder(StrEnum):
    """Orders of day, month and year."""

    DMY = "dmy"
    MDY = "mdy"
    YMD = "ymd"


#: How many mm or g a unit holds, and the last digit shown of it as a power of ten.
_SIZES: dict[str, tuple[float, int]] = {
    Length.MM: (1.0, 1),
    Length.CM: (10.0, 1),
    Length.IN: (MM_AN_INCH, 1),
    Weight.G: (1.0, 0),
    Weight.KG: (1000.0, 2),
    Weight.LB: (G_A_POUND, 1),
}


@dataclass(frozen=True, slots=True)
class Units:
    """A reader's choice of units."""

    length: Length = Length.MM
    weight: Weight = Weight.G
    dates: DateOrder = DateOrder.DMY

    @property
    def code(self) -> str:
        """The choice as a link holds it."""
        return f"{self.length}.{self.weight}.{self.dates}"


DEFAULT_UNITS = Units()


def read_units(code: str) -> Units | None:
    """Return the choice that a code stands for, in any order; None where a part is no unit.

    `code`: as by `Units.code`; parts that are left out are those of `DEFAULT_UNITS`.
    """
    chosen = asdict(DEFAULT_UNITS)
    kinds = {"length": Length, "weight": Weight, "dates": DateOrder}
    for part in code.lower().split(".") if code else []:
        name = next((name for name, kind in kinds.items() if part in kind.__members__.values()), "")
        if not name:
            return None
        chosen[name] = kinds[name](part)
    return Units(**chosen)


def length_words(mm: float, unit: Length = Length.MM) -> str:
    """Return a length in a unit, such as ``559 mm``, ``55.9 cm`` or ``22 in``."""
    return _shown(mm, unit)


def length_number(mm: float, unit: Length = Length.MM) -> str:
    """Return a length in a unit that is said elsewhere, such as ``559``, ``55.9`` or ``22``."""
    return _number(amount(mm, unit), unit)


def weight_words(g: float, unit: Weight = Weight.G) -> str:
    """Return a weight in a unit, such as ``2,150 g``, ``2.15 kg`` or ``4.7 lb``."""
    return _shown(g, unit)


def both_lengths(mm: float, first: Length = Length.MM) -> str:
    """Return a minimum length in a unit and in inches, or in cm beside inches: ``559 mm (22 in)``.

    Both are by `at_least`.
    """
    return f"{_least_words(mm, first)} ({_least_words(mm, beside(first))})"


def beside(unit: Length) -> Length:
    """Return the unit that stands beside another: inches, or cm beside inches."""
    return Length.CM if unit is Length.IN else Length.IN


def at_least(mm: float, unit: Length) -> float:
    """Return a minimum length in a unit, rounded so that no shorter fish seems long enough.

    Tenths of an inch hold where they are the minimum in whole mm: 559 mm is 22 in, 560 mm 22.1 in.
    """
    parts: float = 10 ** _SIZES[unit][1]
    near = round(parts * amount(mm, unit)) / parts
    if unit is Length.IN and round(near * MM_AN_INCH) >= mm:
        return near
    return math.ceil(round(parts * amount(mm, unit), 6)) / parts


#: The order in which days are said in this thread, as `dashboard.url_state` reads it off the link.
_DATES: ContextVar[DateOrder] = ContextVar("dates", default=DEFAULT_UNITS.dates)


def say_dates_in(order: DateOrder) -> None:
    """Say days in an order from here on, in this thread."""
    _DATES.set(order)


def date_order() -> DateOrder:
    """Return the order in which days are said in this thread."""
    return _DATES.get()


def day_words(day: date, order: DateOrder | None = None, *, with_year: bool = True) -> str:
    """Return a day in the reader's order: ``30 April 2036``, ``April 30, 2036``, ``2036-04-30``.

    Without `order` that of `say_dates_in`; a day by numbers keeps its year.
    """
    return _day(day, order, "%B", with_year=with_year)


def short_day(day: date, *, with_year: bool = False) -> str:
    """Return a day with a short month, such as ``30 Apr``, by the order of `say_dates_in`."""
    return _day(day, None, "%b", with_year=with_year)


def tick_day(day: date) -> str:
    """Return a day for a narrow label: as `short_day`, but ``04-30`` by numbers."""
    return f"{day:%m-%d}" if date_order() is DateOrder.YMD else short_day(day)


def span_words(first: date, last: date, *, with_year: bool = True) -> str:
    """Return a span of days, such as ``28 Jan – 3 Feb 2036`` or ``Feb 4 – 10, 2036``."""
    order = date_order()
    is_one_year = not with_year or first.year == last.year
    is_one_month = is_one_year and first.month == last.month
    left, right = (short_day(one, with_year=with_year) for one in (first, last))
    if order is not DateOrder.YMD and is_one_year:
        left = short_day(first)
        if is_one_month and order is DateOrder.MDY:
            right = f"{last.day}" + (f", {last.year}" if with_year else "")
        elif is_one_month:
            left = f"{first.day}"
    return f"{left} – {right}"


def _day(day: date, order: DateOrder | None, month: str, *, with_year: bool) -> str:
    order = date_order() if order is None else order
    if order is DateOrder.YMD:
        return f"{day:%Y-%m-%d}"
    name, year = format(day, month), f"{day.year}" if with_year else ""
    if order is DateOrder.MDY:
        return f"{name} {day.day}" + (f", {year}" if year else "")
    return f"{day.day} {name} {year}".rstrip()


def amount(value: float, unit: Length | Weight) -> float:
    """Return mm or g in another unit, not rounded."""
    return value / _SIZES[unit][0]


def _least_words(mm: float, unit: Length) -> str:
    return _with_unit(at_least(mm, unit), unit)


def _shown(value: float, unit: Length | Weight) -> str:
    return _with_unit(amount(value, unit), unit)


def _with_unit(value: float, unit: Length | Weight) -> str:
    return f"{_number(value, unit)}\u00a0{unit}"


def _number(value: float, unit: Length | Weight) -> str:
    digits = _SIZES[unit][1]
    number = f"{value:,.{digits}f}"
    return number.rstrip("0").rstrip(".") if digits else number
