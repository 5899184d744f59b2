"""Text of a page in the reader's language, from a gettext catalogue that is read at run time.

The English text stands in the code and is the key of its translation; a language is one file,
``catalogues/PAGE.LANGUAGE.po``. Numbers, dates and weekdays follow the language too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from babel import dates as babel_dates
from babel import lists as babel_lists
from babel import numbers as babel_numbers
from babel.messages.pofile import read_po

from analytics.data.calendar import weekday_words
from analytics.units import DEFAULT_UNITS, DateOrder, Length, Units, at_least, beside

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

FOLDER = Path(__file__).parent / "catalogues"
ENGLISH = "en"
#: Days of a week from Monday on, as babel counts them.
_WEEK = range(7)


@dataclass(frozen=True, slots=True, eq=False)
class Words:
    """The words of a page in one language.

    `texts` holds translations by their English; `units` are those of the reader.
    """

    language: str
    texts: Mapping[str, str]
    units: Units = DEFAULT_UNITS

    def say(self, text: str, **named: object) -> str:
        """Return a text in the language, with values in the place of its names in braces."""
        return self.texts.get(text, text).format(**named)

    def number(self, value: float, digits: int = 0, *, is_fixed: bool = True) -> str:
        """Return a number as the language writes it, with so many decimals, or at most so many."""
        form = "#,##0" + ("." + "#0"[is_fixed] * digits if digits else "")
        return str(babel_numbers.format_decimal(round(value, digits), form, locale=self.language))

    def rough(self, value: float) -> str:
        """Return a number as people say it: one decimal under two, whole under ten, two digits."""
        if value < 2:
            return self.number(value, 1)
        place = min(1 - math.floor(math.log10(value)), 0)
        return self.number(round(value, place))

    def day(self, day: date, *, with_year: bool = False) -> str:
        """Return a day in the reader's order, such as ``30 April``."""
        if self.units.dates is DateOrder.YMD:
            return day.isoformat()
        is_month_first = self.units.dates is DateOrder.MDY
        form = self.say("MMMM d") if is_month_first else self.say("d MMMM")
        if with_year:
            form = self.say("MMMM d, y") if is_month_first else self.say("d MMMM y")
        return str(babel_dates.format_date(day, form, locale=self.language))

    def weekday(self, day: date) -> str:
        """Return a day with its weekday and year."""
        name = babel_dates.format_date(day, "EEEE", locale=self.language)
        return self.say("{weekday}, {day}", weekday=name, day=self.day(day, with_year=True))

    def weekdays(self, digits: str) -> str:
        """Return weekday digits in words, runs joined."""
        names = babel_dates.get_day_names("abbreviated", locale=self.language)
        return weekday_words(digits, [str(names[day]).rstrip(".") for day in _WEEK])

    def least_length(self, mm: float) -> str:
        """Return a minimum length in the reader's unit, then in inches, or in cm beside inches."""
        first = self.units.length
        return f"{self._least(mm, first)} ({self._least(mm, beside(first))})"

    def _least(self, mm: float, unit: Length) -> str:
        name = self.say("in") if unit is Length.IN else str(unit)
        return f"{self.number(at_least(mm, unit), 1, is_fixed=False)}\u00a0{name}"

    def join(self, names: Sequence[str]) -> str:
        """Return names joined as the language lists them."""
        return str(babel_lists.format_list(list(names), locale=self.language))


def languages(page: str) -> tuple[str, ...]:
    """Return the languages of a page, English first."""
    found = {path.name.split(".")[1] for path in FOLDER.glob(f"{page}.*.po")}
    return (ENGLISH, *sorted(found - {ENGLISH}))


def words(page: str, language: str, units: Units = DEFAULT_UNITS) -> Words:
    """Return the words of a page in a language; English where it has no such catalogue."""
    return Words(language, _texts(page, language), units)


@lru_cache(maxsize=32)
def _texts(page: str, language: str) -> Mapping[str, str]:
    path = FOLDER / f"{page}.{language}.po"
    if language == ENGLISH or not path.is_file():
        return {}
    with path.open("rb") as file:
        catalogue = read_po(file, locale=language)
    return {str(one.id): str(one.string) for one in catalogue if one.id and one.string}
