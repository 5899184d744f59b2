"""The only step that touches interview rows: sums by site-day and area fished.

Every estimate follows from these sums, sums of squares and cross-products.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.data import sql
from analytics.survey.sums import NOTHING, Measure, Sums

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from analytics.data.sql import Source
    from analytics.survey.design import Design

__all__ = ["Analysis", "Measure", "Moments", "Reduction"]


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
        cells = sql.run(sums.query(), tables)
        # Sorted here and not by the query: a sort would move every sum.
        unit, area = (cells[name].to_numpy() for name in ("unit", "area"))
        order = np.argsort(unit * len(design.areas) + area)
        self._unit, self._area = unit[order], area[order]
        self._sums = _Held(cells, order)

    def moments(self, analysis: Analysis) -> Moments:
        """Return the sums of one analysis; cells where no boat gave the numbers are dropped."""
        asked = self._asked[analysis]
        n = self._sums[asked.count]
        given = n > 0
        k = len(asked.sums)
        sums = np.empty((int(given.sum()), k))
        products = np.empty((len(sums), k, k))
        for i, alias in enumerate(asked.sums):
            sums[:, i] = self._sums[alias][given]
            for j in range(i + 1):
                products[:, i, j] = self._sums[asked.products[i][j]][given]
                products[:, j, i] = products[:, i, j]
        return Moments(self._unit[given], self._area[given], n[given], sums, products)


class _Held:
    """Columns of sums by alias, in the order of the cells."""

    def __init__(self, cells: pa.Table, order: NDArray[np.int64]) -> None:
        self._cells = cells
        self._order = order

    def __getitem__(self, alias: str) -> NDArray[np.float64]:
        if alias == NOTHING:
            return np.zeros(len(self._order))
        column: NDArray[np.float64] = self._cells[alias].to_numpy()
        return np.nan_to_num(column[self._order])


def _coded(name: str, values: Iterable[str], *, code: str) -> pa.Table:
    """Return labels beside their codes."""
    labels = pa.array(values, pa.string())
    return pa.table({name: labels, code: np.arange(len(labels))})
