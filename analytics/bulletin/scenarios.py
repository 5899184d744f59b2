"""What every quantity would be if reports of sublegal releases ran high by a stated multiplier.

Reports of protected-length fish have been found 2.2 times too high (Sullivan 2003; seen); the three
multipliers offered are scenarios and no correction. Rows of a scenario are apart from result rows:
a column `basis` stands before those of the contract.
"""

from __future__ import annotations

import math
from types import MappingProxyType
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc

from analytics.bulletin.prepare import prepare
from analytics.bulletin.weekly import result_rows
from analytics.data.schema import TABLES
from analytics.data.snapshot import Snapshot
from analytics.errors import WrongUse
from analytics.table import RESULT_SCHEMA, to_arrow

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Reported over released: as told, and two multipliers (the highest is Sullivan's; seen).
REPORTS_OVER = (1.0, 1.5, 2.2)
#: A multiplier outside is taken for a slip, such as a percentage.
LEAST, MOST = 0.1, 10.0
AS_REPORTED = "as_reported"

#: Rows of scenarios: on what basis, then a result row.
SCENARIO_SCHEMA = pa.schema([pa.field("basis", pa.string()), *RESULT_SCHEMA])

#: What anglers report of sublegal releases.
_REPORTED = ("released_sublegal", "released_sublegal_marked")


def basis_words(reports_over: float) -> str:
    """Return the name of a scenario: what was done with the reports."""
    if reports_over == 1:
        return AS_REPORTED
    return f"sublegal_reports_divided_by_{reports_over:g}"


def divided_reports(snapshot: Snapshot, reports_over: float) -> Snapshot:
    """Return a snapshot in which every report of sublegal releases is divided by a multiplier.

    Parameters
    ----------
    snapshot : Snapshot
    reports_over : float
        Fish reported for each fish really released.

    Returns
    -------
    Snapshot
        ``released_sublegal`` and ``released_sublegal_marked`` as doubles; all else as it was. For
        estimates only: it is no longer in the schema and is never stored.
    """
    interviews = snapshot["interviews"]
    for name in _REPORTED:
        place = interviews.schema.get_field_index(name)
        fish = pc.divide(interviews[name].cast(pa.float64()), pa.scalar(reports_over, pa.float64()))
        interviews = interviews.set_column(place, name, fish)
    tables = {name: snapshot[name] for name in TABLES} | {"interviews": interviews}
    return Snapshot(MappingProxyType(tables), snapshot.version)


def scenario_table(
    snapshot: Snapshot,
    *,
    season: str | None = None,
    by: Sequence[str] = ("area", "week"),
    level: float = 0.95,
    through: str | None = None,
    reports_over: Sequence[float] = REPORTS_OVER,
) -> pa.Table:
    """Estimate every quantity of the contract once for each multiplier.

    Parameters
    ----------
    snapshot : Snapshot
    season, by, level, through
        As in `analytics.bulletin.weekly.estimate`.
    reports_over : sequence of float
        Multipliers: a report of sublegal releases is taken as so many times the fish released and
        divided by it. Fish kept, of legal length or of unknown size stay as told.

    Returns
    -------
    pyarrow.Table
        In `SCENARIO_SCHEMA`, scenario by scenario in the order given. The rows of multiplier 1 are
        the result rows themselves; the ``method`` of every other row names its multiplier.

    Raises
    ------
    WrongUse
        If a multiplier is outside 0.1 to 10 or given twice, or as in `estimate`.
    """
    _require(reports_over)
    parts = []
    for multiplier in reports_over:
        prepared = prepare(divided_reports(snapshot, multiplier), season=season, through=through)
        rows = to_arrow(list(result_rows(prepared, by=by, level=level)))
        parts.append(named_rows(rows, multiplier))
    return pa.concat_tables(parts)


def named_rows(rows: pa.Table, multiplier: float) -> pa.Table:
    """Return result rows in `SCENARIO_SCHEMA`: their basis, told in the method too if not 1."""
    if multiplier != 1:
        words = f"; reported sublegal releases divided by {multiplier:g}"
        place = rows.schema.get_field_index("method")
        method = pc.binary_join_element_wise(rows["method"], words, "")
        rows = rows.set_column(place, RESULT_SCHEMA.field("method"), method)
    basis = pa.array([basis_words(multiplier)] * rows.num_rows, pa.string())
    return pa.Table.from_arrays([basis, *rows.columns], schema=SCENARIO_SCHEMA)


def _require(reports_over: Sequence[float]) -> None:
    for one in reports_over:
        if not (math.isfinite(one) and LEAST <= one <= MOST):
            raise WrongUse(
                f"reports over {one:g} times the fish released; allowed: {LEAST:g} to {MOST:g}, "
                "such as 2.2 where 22 were reported for 10 released"
            )
    names = [basis_words(one) for one in reports_over]
    if not names or len(set(names)) < len(names):
        told = ", ".join(f"{one:g}" for one in reports_over) or "none"
        raise WrongUse(f"multipliers {told}; allowed: one or more, each once")
