"""The only step that touches interview rows: sums by site-day and area fished.

Every estimate follows from these sums, sums of squares and cross-products.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.data import sql
from analytics.survey.arrays import Columns
from analytics.survey.sums import NOTHING, Measure, Sums

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from analytics.data.sql import Source
    from analytics.survey.design import Design

__all__ = ["Analysis", "Joint", "Measure", "Moments", "Reduction"]


@dataclass(frozen=True, slots=True)
class Analysis:
    """Measures that are totalled together, over boats that gave all of them."""

    measures: tuple[str, ...]


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

    unit: NDArray[np.int64]
    area: NDArray[np.int64]
    n: NDArray[np.float64]
    sums: NDArray[np.float64]
    pair: NDArray[np.int64]
    products: Columns


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
    analyses : iterable of Analysis
    """

    def __init__(
        self,
        interviews: Source,
        *,
        design: Design,
        measures: Mapping[str, Measure],
        analyses: Iterable[Analysis],
    ) -> None:
        sums = Sums(measures, sql.gaps(interviews))
        self._asked = {analysis: sums.ask(analysis.measures) for analysis in analyses}
        tables: dict[str, Source] = {
            "interviews": interviews,
            "units": _coded("sample_id", design.site_days.sample_id, code="unit"),
            "areas": _coded("area", design.areas, code="code"),
        }
        self._cells = sql.run(sums.query(), tables)
        # Sorted here and not by the query: a sort would move every sum.
        unit, area = (self._cells[name].to_numpy() for name in ("unit", "area"))
        self._order = np.argsort(unit * len(design.areas) + area)
        self._unit, self._area = unit[self._order], area[self._order]

    def moments(self, analysis: Analysis) -> Moments:
        """Return the sums of one analysis; cells where no boat gave the numbers are dropped.

        Every pair of its K measures is there.
        """
        asked = self._asked[analysis]
        k = len(asked.sums)
        pairs = {(i, j): asked.products[i][j] for i in range(k) for j in range(i, k)}
        return self._moments(asked.count, asked.sums, pairs)

    def n_told(self, analysis: Analysis) -> float:
        """Return the number of interviews that gave the numbers of an analysis."""
        return float(self._cells[self._asked[analysis].count].to_numpy().sum())

    def joint(self, analysis: Analysis) -> Joint:
        """Return the sums of all analyses that the same boats answer as this one."""
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
        return Joint(
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
            products=Columns(lambda p: self._column(aliases[p], rows), len(aliases)),
        )

    def _column(self, alias: str, rows: NDArray[np.int64]) -> NDArray[np.float64]:
        if alias == NOTHING:
            return np.zeros(len(rows))
        column: NDArray[np.float64] = self._cells[alias].to_numpy()[rows]
        return column


@dataclass(frozen=True, slots=True, eq=False)
class Joint:
    """Sums of several analyses over the same boats.

    Parameters
    ----------
    moments : Moments
        Sums of all their K measures, each once.
    columns : mapping of Analysis to tuple of int
        The measures of each analysis; -1 stands for one that is 0 everywhere.
    """

    moments: Moments
    columns: Mapping[Analysis, tuple[int, ...]]


def _coded(name: str, values: Iterable[str], *, code: str) -> pa.Table:
    """Return labels beside their codes."""
    labels = pa.array(values, pa.string())
    return pa.table({name: labels, code: np.arange(len(labels))})
