"""The only step that touches interview rows: sums by site-day and area fished.

Every estimate follows from these sums, sums of squares and cross-products.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.data import sql

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import duckdb
    from numpy.typing import NDArray

    from analytics.survey.design import Design


@dataclass(frozen=True, slots=True)
class Measure:
    """A number of one interview: its name and its SQL over the interviews table.

    A null result means that the boat did not give the number.
    """

    name: str
    sql: str


@dataclass(frozen=True, slots=True)
class Analysis:
    """Measures that are totalled together, over boats that gave all of them."""

    measures: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """Sums of one analysis with K measures over R (site-day, area fished) cells.

    Parameters
    ----------
    unit, area : ndarray of int, shape (R,)
        Codes of the design.
    n : ndarray of float, shape (R,)
        Interviews that gave the numbers.
    sums : ndarray of float, shape (R, K)
        Sums over those interviews.
    products : ndarray of float, shape (R, K, K)
        Sums of squares and cross-products.
    """

    unit: NDArray[np.int64]
    area: NDArray[np.int64]
    n: NDArray[np.float64]
    sums: NDArray[np.float64]
    products: NDArray[np.float64]


@dataclass(slots=True)
class _Columns:
    """SQL aggregates by alias; equal expressions share one column."""

    alias: dict[str, str] = field(default_factory=dict)

    def add(self, sql: str) -> str:
        return self.alias.setdefault(sql, f"c{len(self.alias)}")

    def select(self) -> str:
        return ", ".join(f"{sql} AS {alias}" for sql, alias in self.alias.items())


class Reduction:
    """Sums of many analyses from one pass over the interviews.

    Parameters
    ----------
    interviews : pyarrow.Table
        In the schema of ``interviews``; trips that were not over are left out, since a boat that
        goes out again has not returned.
    design : Design
        Its units are the cells; interviews of other site-days are left out.
    measures : mapping of str to Measure
        Every measure an analysis names.
    analyses : iterable of Analysis
    """

    def __init__(
        self,
        interviews: pa.Table,
        *,
        design: Design,
        measures: Mapping[str, Measure],
        analyses: Iterable[Analysis],
    ) -> None:
        self._aliases: dict[Analysis, tuple[str, list[str], list[list[str]]]] = {}
        columns = _Columns()
        tables = {
            "interviews": interviews,
            "units": _coded("sample_id", design.site_days.sample_id, code="unit"),
            "areas": _coded("area", design.areas, code="code"),
        }
        with sql.connect(tables) as connection:
            _measure(connection, measures)
            partial = _measures_with_gaps(connection, measures)
            for analysis in analyses:
                self._aliases[analysis] = _ask(columns, analysis, partial)
            self._cells: pa.Table = connection.sql(
                f"SELECT unit, area, {columns.select()} FROM measured "
                "GROUP BY unit, area ORDER BY unit, area"
            ).to_arrow_table()

    def moments(self, analysis: Analysis) -> Moments:
        """Return the sums of one analysis; cells where no boat gave the numbers are dropped."""
        n_alias, sum_aliases, product_aliases = self._aliases[analysis]
        n = self._column(n_alias)
        given = n > 0
        sums = np.stack([self._column(alias)[given] for alias in sum_aliases], axis=1)
        products = np.stack(
            [np.stack([self._column(a)[given] for a in row], axis=1) for row in product_aliases],
            axis=1,
        )
        unit = self._cells["unit"].to_numpy()[given].astype(np.int64)
        area = self._cells["area"].to_numpy()[given].astype(np.int64)
        return Moments(unit, area, n[given], sums, products)

    def _column(self, alias: str) -> NDArray[np.float64]:
        column: NDArray[np.float64] = self._cells[alias].cast(pa.float64()).to_numpy()
        return np.nan_to_num(column)


def _coded(name: str, values: Iterable[str], *, code: str) -> pa.Table:
    """Return labels beside their codes."""
    labels = pa.array(list(values), pa.string())
    return pa.table({name: labels, code: np.arange(len(labels))})


def _measure(connection: duckdb.DuckDBPyConnection, measures: Mapping[str, Measure]) -> None:
    """Create ``measured``: one row an interview of the design, with unit, area and measures."""
    named = ", ".join(f"CAST({m.sql} AS DOUBLE) AS {m.name}" for m in measures.values())
    connection.execute(
        f"CREATE TEMP VIEW measured AS SELECT units.unit, areas.code AS area, {named} "
        "FROM interviews JOIN units USING (sample_id) JOIN areas USING (area) "
        "WHERE coalesce(interviews.trip_complete, true)"
    )


def _measures_with_gaps(
    connection: duckdb.DuckDBPyConnection, measures: Mapping[str, Measure]
) -> frozenset[str]:
    """Return the measures that some interview did not give."""
    asked = ", ".join(f"count({name}) < count(*)" for name in measures)
    gaps = connection.execute(f"SELECT {asked} FROM measured").fetchall()[0]
    return frozenset(name for name, gap in zip(measures, gaps, strict=True) if gap)


def _ask(
    columns: _Columns, analysis: Analysis, partial: frozenset[str]
) -> tuple[str, list[str], list[list[str]]]:
    """Ask for the aggregates of one analysis; a filter only where a measure has gaps."""
    names = analysis.measures
    gaps = sorted(set(names) & partial)
    where = " AND ".join(f"{name} IS NOT NULL" for name in gaps)
    rest = f" FILTER (WHERE {where})" if gaps else ""
    count = columns.add(f"count(*){rest}")
    sums = [columns.add(f"sum({name}){rest}") for name in names]
    products = [
        [columns.add(f"sum({' * '.join(sorted((a, b)))}){rest}") for b in names] for a in names
    ]
    return count, sums, products
