"""The one query of the reduction: which sums it asks for, each once.

Many analyses ask for the same sums, some in other words. Expressions that are equal share a
column; a sum that only counts boats is a count; one of nothing is not asked for.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

#: Alias of a sum that is 0 everywhere.
NOTHING = "nothing"
_ONE, _ZERO = "1", "0"


@dataclass(frozen=True, slots=True)
class Measure:
    """A number of one interview: its name and its SQL over the interviews table.

    A null result means that the boat did not give the number.

    Parameters
    ----------
    name : str
    sql : str
    optional : tuple of str
        Columns whose empty cells leave the number given.
    full_sql : str
        A shorter SQL for the same number where no cell of the optional columns is empty.
    only : frozenset, optional
        What boats are one of, such as their fishing method: others give 0. The product of two
        measures for boats that are never both is 0 and is not summed.
    """

    name: str
    sql: str
    optional: tuple[str, ...] = ()
    full_sql: str = ""
    only: frozenset[str | None] | None = None


@dataclass(frozen=True, slots=True)
class Asked:
    """Aliases of the sums of one analysis with K measures."""

    count: str
    sums: tuple[str, ...]
    products: tuple[tuple[str, ...], ...]


class Sums:
    """Collects the sums that analyses ask for and writes them as one query.

    Parameters
    ----------
    measures : mapping of str to Measure
    gaps : frozenset of str
        Columns of the interviews in which a cell may be empty.
    """

    def __init__(self, measures: Mapping[str, Measure], gaps: frozenset[str]) -> None:
        self._sql: dict[str, str] = {}
        self._only = {name: measure.only for name, measure in measures.items()}
        self._partial: set[str] = set()
        for name, measure in measures.items():
            is_full = not gaps & set(measure.optional)
            text = measure.full_sql if is_full and measure.full_sql else measure.sql
            self._sql[name] = text
            needed = set(re.findall(r"\w+", text)) - set(measure.optional)
            if needed & gaps:
                self._partial.add(text)
        self._numbers: dict[str, str] = {}
        self._asked: dict[str, str] = {}

    def ask(self, names: Sequence[str]) -> Asked:
        """Ask for the sums of measures over the boats that gave all of them."""
        texts = [self._sql[name] for name in names]
        given = tuple(sorted({self._number(text) for text in texts if text in self._partial}))
        return Asked(
            self._sum((), given),
            tuple(self._sum((text,), given) for text in texts),
            tuple(tuple(self._product(a, b, given) for b in names) for a in names),
        )

    def query(self) -> str:
        """Return the query over ``interviews``, ``units`` and ``areas``, one row a cell."""
        numbers = "".join(f", CAST({text} AS DOUBLE) AS {x}" for text, x in self._numbers.items())
        sums = "".join(f", {text} AS {alias}" for text, alias in self._asked.items())
        return (
            f"SELECT unit, area{sums} FROM (SELECT units.unit, areas.code AS area{numbers} "
            "FROM interviews JOIN units USING (sample_id) JOIN areas USING (area) "
            "WHERE coalesce(interviews.trip_complete, true)) GROUP BY unit, area"
        )

    def _product(self, name: str, other: str, given: tuple[str, ...]) -> str:
        """Return the alias of the sum of a product of two measures."""
        mine, others = self._only[name], self._only[other]
        if mine is not None and others is not None and mine.isdisjoint(others):
            return NOTHING
        return self._sum((self._sql[name], self._sql[other]), given)

    def _number(self, text: str) -> str:
        return self._numbers.setdefault(text, f"x{len(self._numbers)}")

    def _sum(self, factors: tuple[str, ...], given: tuple[str, ...]) -> str:
        """Return the alias of the sum of a product; a filter only where it is not implied."""
        if _ZERO in factors:
            return NOTHING
        numbers = sorted(self._number(text) for text in factors if text != _ONE)
        # A sum leaves nulls out by itself.
        rest = [x for x in given if x not in numbers]
        if not numbers:
            what = f"count({rest.pop()})" if len(rest) == 1 else "count(*)"
        else:
            what = f"sum({' * '.join(numbers)})"
        if rest:
            what += f" FILTER (WHERE {' AND '.join(f'{x} IS NOT NULL' for x in rest)})"
        text = f"CAST({what} AS DOUBLE)" if what.startswith("count") else what
        return self._asked.setdefault(text, f"s{len(self._asked)}")
