"""The only step that touches interview rows: sums by site-day and area fished.

Every estimate follows from these sums, sums of squares and cross-products.
"""

from __future__ import annotations

import math
import re
from copy import copy
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa

from analytics.arrays import Columns, add_at
from analytics.data import query
from analytics.quantities import RATIOS, RATIOS_BESIDE_MODELS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from analytics.arrays import Floats, Ints
    from analytics.data.query import Source
    from analytics.survey.design import Design


# The one query of the reduction: which sums it asks for, each once.

#: Alias of a sum that is 0 everywhere.
NOTHING = "nothing"
_ONE, _ZERO = "1", "0"


@dataclass(frozen=True, slots=True)
class Measure:
    """A number of one interview: its name and its SQL over the interviews table.

    A null result means that the boat did not give the number.

    Parameters
    ----------
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
class RequestedSums:
    """Aliases of the sums of one analysis with K measures."""

    count: str
    sums: tuple[str, ...]
    products: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Analysis:
    """Measures that are totalled together, over boats that gave all of them.

    `given`: measures that are not totalled here and that a boat must have given as well.
    """

    measures: tuple[str, ...]
    given: tuple[str, ...] = ()


class SumQuery:
    """Collects the sums that analyses ask for and writes them as one query.

    - `gaps`: columns of the interviews in which a cell may be empty.
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

    def ask(self, analysis: Analysis) -> RequestedSums:
        """Ask for the sums of measures over the boats that gave all that an analysis needs."""
        names = analysis.measures
        texts = [self._sql[name] for name in names]
        needed = {self._sql[name] for name in (*names, *analysis.given)} & self._partial
        given = tuple(sorted(map(self._number, needed)))
        return RequestedSums(
            self._sum((), given),
            tuple(self._sum((text,), given) for text in texts),
            tuple(tuple(self._product(a, b, given) for b in names) for a in names),
        )

    @property
    def width(self) -> int:
        """Columns of the query, each of 8 bytes a row."""
        return len(self._asked) + 2

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


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """Sums of K measures over R (site-day, area fished) cells, sorted by both.

    Parameters
    ----------
    unit, area : ndarray of int, shape (R,)
        Codes of the design.
    n : ndarray of float, shape (R,)
        Interviews that gave the numbers.
    sums : ndarray of float, shape (R, K)
        Sums over those interviews.
    pair : ndarray of int, shape (P, 2)
        Measures i <= j whose product was summed: all pairs that some analysis asked for.
    products : Columns
        Sums of those squares and cross-products, P columns of R.
    """

    unit: Ints
    area: Ints
    n: Floats
    sums: Floats
    pair: Ints
    products: Columns

    def boats_interviewed(self, n_units: int) -> Floats:
        """Return m_i, the boats of each site-day that gave the numbers, shape (n_units,)."""
        return add_at(self.unit, self.n, n_units)


#: Bytes of the sums of one part at most, as numbers; packed they are a quarter of it or less.
PART_BYTES = 256_000_000
#: Interviews of one part where its sums are few whatever it holds: each part sends them anew.
PART_ROWS = 2_000_000


def cells_of(
    interviews: Source, tables: Mapping[str, pa.Table], asked: str, *, threads: int | None = None
) -> pa.Table:
    """Return the sums of some interviews, all of them or a part, by site-day and area fished.

    `asked`: a query of `SumQuery`; `tables`: the units and areas that it joins. A sum is null where
    no boat of the cell gave the numbers.
    """
    return query.run(asked, {"interviews": interviews, **tables}, threads=threads)


def added(parts: Iterable[pa.Table]) -> pa.Table:
    """Return the sums of parts by cell, a cell that lies in several parts once.

    Whatever the query asks for is a count or a sum, and these add up. The order is that of the
    parts, so that the same parts give the same digits.
    """
    held: list[pa.Table] = []
    n_new = 0
    for part in parts:
        held.append(part)
        n_new += part.num_rows if len(held) > 1 else 0
        if n_new > held[0].num_rows:
            held, n_new = [_added(held)], 0
    return held[0] if len(held) == 1 else _added(held)


def _added(parts: Sequence[pa.Table]) -> pa.Table:
    whole = pa.concat_tables(parts)
    unit, area = (whole[name].to_numpy() for name in whole.column_names[:2])
    cell = unit * (area.max(initial=0) + 1) + area
    order = np.argsort(cell, kind="stable")
    is_first = np.diff(cell[order], prepend=-1) > 0
    is_last = np.append(is_first[1:], True)
    is_alone = np.empty_like(is_first)
    is_alone[order] = is_first & is_last
    if is_alone.all():
        return whole
    # Parts cut from files in order share few cells: the others are not touched.
    shared = whole.filter(~is_alone)
    order = np.argsort(cell[~is_alone], kind="stable")
    first = np.flatnonzero(np.diff(cell[~is_alone][order], prepend=-1))
    codes = [shared[name].to_numpy()[order[first]] for name in whole.column_names[:2]]
    sums = [_sum_of(shared[name], order, first) for name in whole.column_names[2:]]
    summed = pa.table([*codes, *sums], schema=whole.schema)
    return pa.concat_tables([whole.filter(is_alone), summed])


def _sum_of(column: pa.ChunkedArray, order: Ints, first: Ints) -> pa.Array:
    """Return a column's sums over runs of rows in an order; null where all of a run is null."""
    values, no_sum = column.to_numpy()[order], None
    if column.null_count:
        is_null = column.is_null().to_numpy()[order]
        values, no_sum = np.where(is_null, 0.0, values), np.logical_and.reduceat(is_null, first)
    return pa.array(np.add.reduceat(values, first), mask=no_sum)


def _reduced(interviews: Source, sums: SumQuery, tables: Mapping[str, pa.Table]) -> pa.Table:
    """Return the sums of all interviews: of one part in this process, or of many on workers."""
    asked = sums.query()
    if isinstance(interviews, pa.Table) or interviews.workers is None:
        return added([cells_of(interviews, tables, asked)])
    most_cells = max(PART_BYTES // (8 * sums.width), 1)
    are_few = math.prod(map(len, tables.values())) <= most_cells
    parts = interviews.parts(max(most_cells, PART_ROWS) if are_few else most_cells)
    return added(interviews.workers.each(cells_of, parts, tables, asked))


class Reduction:
    """Sums of many analyses from one pass over the interviews.

    Parameters
    ----------
    interviews : pyarrow.Table or ParquetRows
        In the schema of ``interviews``; trips that were not over are left out, since a boat that
        goes out again has not returned.
    design : Design
        Its site-days are the cells; interviews of others are left out.
    measures : mapping of str to Measure
        Every measure an analysis names.
    """

    def __init__(
        self,
        interviews: Source,
        *,
        design: Design,
        measures: Mapping[str, Measure],
        analyses: Iterable[Analysis],
    ) -> None:
        sums = SumQuery(measures, query.gaps(interviews))
        self._asked = {analysis: sums.ask(analysis) for analysis in analyses}
        self._labels = (design.site_days.sample_id, design.areas)
        tables = {
            "units": _coded("sample_id", design.site_days.sample_id, code="unit"),
            "areas": _coded("area", design.areas, code="code"),
        }
        self._cells = _reduced(interviews, sums, tables)
        # Sorted here and not by the query: a sort would move every sum.
        unit, area = (self._cells[name].to_numpy() for name in ("unit", "area"))
        self._order = np.argsort(unit * len(design.areas) + area)
        self._unit, self._area = unit[self._order], area[self._order]

    def within(self, design: Design) -> Reduction:
        """Return the sums of the site-days of another design, all of them among this one's.

        Such as the design of the same season through an earlier week: nothing is summed again.
        """
        sample_id, areas = self._labels
        unit = pd.Index(design.site_days.sample_id).get_indexer(pd.Index(sample_id))[self._unit]
        area = pd.Index(design.areas).get_indexer(pd.Index(areas))[self._area]
        inside = (unit >= 0) & (area >= 0)
        unit, area = unit[inside], area[inside]
        order = np.argsort(unit * len(design.areas) + area)
        found = copy(self)
        found._labels = (design.site_days.sample_id, design.areas)
        found._cells = self._cells.take(self._order[inside][order])
        found._order = np.arange(len(order))
        found._unit, found._area = unit[order], area[order]
        return found

    def moments(self, analysis: Analysis) -> Moments:
        """Return the sums of one analysis; cells where no boat gave the numbers are dropped.

        Every pair of its K measures is there.
        """
        asked = self._asked[analysis]
        k = len(asked.sums)
        pairs = {(i, j): asked.products[i][j] for i in range(k) for j in range(i, k)}
        return self._moments(asked.count, asked.sums, pairs)

    def n_responding(self, analysis: Analysis) -> float:
        """Return the number of interviews that gave the numbers of an analysis."""
        return float(self._cells[self._asked[analysis].count].to_numpy().sum())

    def joint(self, analysis: Analysis) -> JointMoments:
        """Return the sums of all analyses that the same boats responded to as this one."""
        count = self._asked[analysis].count
        alike = {one: asked for one, asked in self._asked.items() if asked.count == count}
        column: dict[str, int] = {NOTHING: -1}
        pairs: dict[tuple[int, int], str] = {}
        for asked in alike.values():
            for alias in asked.sums:
                column.setdefault(alias, len(column) - 1)
            for one, row in zip(asked.sums, asked.products, strict=True):
                for other, product in zip(asked.sums, row, strict=True):
                    i, j = column[one], column.get(other, -1)
                    if 0 <= i <= j:
                        pairs[i, j] = product
        found = self._moments(count, tuple(list(column)[1:]), dict(sorted(pairs.items())))
        return JointMoments(
            found,
            {one: tuple(column[alias] for alias in asked.sums) for one, asked in alike.items()},
        )

    def _moments(
        self, count: str, sums: tuple[str, ...], pairs: Mapping[tuple[int, int], str]
    ) -> Moments:
        rows = self._order
        n = self._column(count, rows)
        unit, area = self._unit, self._area
        if not n.all():
            given = n > 0
            rows, unit, area, n = rows[given], unit[given], area[given], n[given]
        aliases = tuple(pairs.values())
        return Moments(
            unit=unit,
            area=area,
            n=n,
            sums=np.stack([self._column(alias, rows) for alias in sums]).T,
            pair=np.array(list(pairs), dtype=np.int64).reshape(-1, 2),
            products=Columns.sized(
                lambda p: self._column(aliases[p], rows), len(aliases), n_rows=len(n)
            ),
        )

    def _column(self, alias: str, rows: Ints) -> Floats:
        if alias == NOTHING:
            return np.zeros(len(rows))
        column: Floats = self._cells[alias].to_numpy()[rows]
        return column


@dataclass(frozen=True, slots=True, eq=False)
class JointMoments:
    """Sums of several analyses over the same boats: all their K measures, each once.

    `columns`: the measures of each analysis; -1 stands for one that is 0 everywhere.
    """

    moments: Moments
    columns: Mapping[Analysis, tuple[int, ...]]


def _coded(name: str, values: Iterable[str], *, code: str) -> pa.Table:
    """Return labels beside their codes."""
    labels = pa.array(values, pa.string())
    return pa.table({name: labels, code: np.arange(len(labels))})


# What one interview says: the measures of effort and catch, as SQL over its columns.

#: Releases of unknown size as they add to sums. Samplers fill the class only when they need it, so
#: an empty cell adds nothing.
UNKNOWN_SIZE = "coalesce(released_unknown, 0)"


#: Quantities that are totals of one measure; ratios name two of them.
TOTALS: tuple[str, ...] = (
    "boat_trips",
    "angler_trips",
    "angler_hours",
    "kept_fish",
    "released_legal_fish",
    "released_sublegal_fish",
    "released_unknown_fish",
    "released_fish",
    "encounter_fish",
)
#: Totals that no catch is needed for.
_OF_EFFORT = ("boat_trips", "angler_trips", "angler_hours")
#: Whether anyone recorded releases of unknown size at all; no quantity.
UNKNOWN_RECORDED = Analysis(("released_unknown_recorded",))


def catch_measures() -> dict[str, Measure]:
    """Return the measures of effort and catch by name."""
    said = "released_legal + released_sublegal"
    released, full = f"{said} + {UNKNOWN_SIZE}", f"{said} + released_unknown"
    sql = {
        "boat_trips": "1",
        "angler_trips": "anglers",
        "angler_hours": "anglers * hours_fished",
        "kept_fish": "kept",
        "released_legal_fish": "released_legal",
        "released_sublegal_fish": "released_sublegal",
        "released_unknown_recorded": "released_unknown",
    }
    optional = ("released_unknown",)
    composite = {
        "released_unknown_fish": (UNKNOWN_SIZE, "released_unknown"),
        "released_fish": (released, full),
        "encounter_fish": (f"kept + {released}", f"kept + {full}"),
    }
    return {name: Measure(name, expression) for name, expression in sql.items()} | {
        name: Measure(name, text, optional, short) for name, (text, short) in composite.items()
    }


def catch_analyses() -> dict[str, Analysis]:
    """Return the analysis of every quantity of effort and catch, over all boats that gave it."""
    totals = {name: Analysis((name,)) for name in TOTALS}
    return totals | {name: Analysis(pair) for name, pair in (RATIOS | RATIOS_BESIDE_MODELS).items()}


def whole_catch_analyses() -> dict[str, tuple[Analysis, ...]]:
    """Return the analyses of every quantity of effort and catch; the first with responses counts.

    Fish are totalled over the boats that gave their whole catch, so that every sum of fish is the
    sum of its parts. Where no boat did, releases follow the boats that gave all releases, and where
    there is none either each quantity follows the boats that gave it.
    """
    found = {}
    for name, own in catch_analyses().items():
        alone = UNKNOWN_RECORDED if name == "released_unknown_fish" else own
        wider = (Analysis(own.measures, (one,)) for one in ("encounter_fish", "released_fish"))
        is_fish = not set(own.measures) <= set(_OF_EFFORT) and name not in RATIOS_BESIDE_MODELS
        found[name] = (*wider, alone) if is_fish else (own,)
    return found


#: The effort that boats on the water are counted for.
EFFORT = {"boat_hours": Measure("boat_hours", "hours_fished")}
