"""Result rows for the public: what is too uncertain to publish is withheld, and says so."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.precision import WITHHELD_OVER, Precision, marks_of, pse
from analytics.units import CiMethod

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Stands in `method` in the place of a withheld figure's own.
WITHHELD = f"withheld: its percent standard error is over {WITHHELD_OVER:.0f}"
_TAKEN_OUT = ("estimate", "se", "ci_low", "ci_high")


def public_rows(table: pa.Table) -> pa.Table:
    """Return result rows without the figures that are not for publication.

    Every row stays, so that a reader sees that there is a figure and why it is not shown. This
    guards against uncertain figures, not against disclosure: where domains add up, a withheld one
    follows from the others.

    Parameters
    ----------
    table : pyarrow.Table
        Result rows (contract, section 2).

    Returns
    -------
    pyarrow.Table
        The same rows and columns. Where the percent standard error is over 50, estimate, standard
        error and interval are null, `ci_method` is ``none`` and `method` gives the reason.
    """
    marks = marks_of(pse(_floats(table["estimate"]), _floats(table["se"])))
    hidden = pa.array([mark is Precision.WITHHELD for mark in marks], pa.bool_())
    instead = {**dict.fromkeys(_TAKEN_OUT), "ci_method": str(CiMethod.NONE), "method": WITHHELD}
    for name, value in instead.items():
        at = table.schema.get_field_index(name)
        field = table.schema.field(at)
        column = pc.if_else(hidden, pa.scalar(value, field.type), table[name])
        table = table.set_column(at, field, column)
    return table


def _floats(column: pa.ChunkedArray) -> NDArray[np.float64]:
    return np.asarray(pc.fill_null(column, np.nan), dtype=float)
