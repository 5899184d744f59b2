"""Result rows for the public: what is too uncertain to publish is withheld, and says so."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analytics.precision import WITHHELD_OVER, Precision, marks_of, pse
from analytics.units import CiMethod

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.bulletin.shelf import Bulletin

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


def public_bulletin(bulletin: Bulletin) -> Bulletin:
    """Return a bulletin for the public: uncertain figures withheld, no site-day named.

    Parameters
    ----------
    bulletin : Bulletin

    Returns
    -------
    Bulletin
        Result rows and other ways to reckon as by `public_rows`; a change or a revision of which
        either side is withheld is not shown; strata and findings, which name site-days, are empty.
    """
    rows = public_rows(bulletin.rows)
    return replace(
        bulletin,
        rows=rows,
        readings=public_rows(bulletin.readings),
        changes=_public_changes(bulletin.changes, rows),
        moved=_public_moves(bulletin.moved),
        strata=bulletin.strata.slice(0, 0),
        findings=bulletin.findings.slice(0, 0),
    )


def _public_changes(changes: pa.Table, rows: pa.Table) -> pa.Table:
    """Take changes out that rest on a withheld figure."""
    withheld = rows.filter(pc.equal(rows["method"], WITHHELD))
    columns = ("area", "week", "quantity")
    hidden = set(zip(*(withheld[name].to_pylist() for name in columns), strict=True))
    names = ("area", "week", "previous_week", "quantity")
    keys = zip(*(changes[name].to_pylist() for name in names), strict=True)
    shown = [
        not {(area, week, quantity), (area, before, quantity)} & hidden
        for area, week, before, quantity in keys
    ]
    return changes.filter(pa.array(shown, pa.bool_()))


def _public_moves(moved: pa.Table) -> pa.Table:
    """Take revisions out of which either side is not for publication."""
    sides = (("previous", "previous_se"), ("estimate", "se"))
    marks = [marks_of(pse(_floats(moved[value]), _floats(moved[se]))) for value, se in sides]
    shown = [Precision.WITHHELD not in pair for pair in zip(*marks, strict=True)]
    return moved.filter(pa.array(shown, pa.bool_()))
