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
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from analytics.bulletin.shelf import Bulletin

#: Stands in `method` in the place of a withheld figure's own.
WITHHELD = f"withheld: its percent standard error is over {WITHHELD_OVER:.0f}"
_TAKEN_OUT = ("estimate", "se", "ci_low", "ci_high", "draws_low", "draws_high", "design_effect")
_OF_DEATHS = ("deaths", "deaths_low", "deaths_high", "se", "ci_low", "ci_high", "from_fish_prop")
_OF_INDEX = ("index", "log_se", "ci_low", "ci_high")
_OF_RAW = ("raw", "raw_low", "raw_high")
#: The survey's figure beside the index of each response.
_RAW = {
    "encounters": "encounters_per_angler_hour",
    "kept": "kept_fish",
    "sublegal": "sublegal_prop",
}
_OF_RATIOS = ("reported", "sampled", "ratio", "ci_low", "ci_high")


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
    instead = {"ci_method": str(CiMethod.NONE), "method": WITHHELD}
    return _without(table, hidden=_is_withheld(table, "estimate", "se"), instead=instead)


def public_released(released: Mapping[str, pa.Table]) -> dict[str, pa.Table]:
    """Return the tables of released fish for the public.

    Parameters
    ----------
    released : mapping of str to pyarrow.Table
        In `analytics.bulletin.released.tables.RELEASED_SCHEMAS`.

    Returns
    -------
    dict of str to pyarrow.Table
        Tables of figures without those whose percent standard error is over 50, nor a ratio of
        which either side is withheld; what was measured, and rates, as they are.
    """
    shown = dict(released)
    for name in {"shares", "composition", "bycatch"} & set(shown):
        shown[name] = public_rows(shown[name])
    reason = {"reason": WITHHELD}
    for name in {"deaths", "method_mix"} & set(shown):
        table = shown[name]
        if "fish_se" in table.column_names:
            hidden = _is_withheld(table, "fish", "fish_se")
            table = _without(table, hidden=hidden, instead=reason, taken=("fish", "fish_se"))
        hidden = _is_withheld(table, "deaths", "se")
        shown[name] = _without(table, hidden=hidden, instead=reason, taken=_OF_DEATHS)
    if "compared" in shown:
        hidden = _is_compared(shown["compared"], shown.get("composition"))
        shown["compared"] = _without(
            shown["compared"], hidden=hidden, instead=reason, taken=_OF_RATIOS
        )
    return shown


def public_rates(rates: Mapping[str, pa.Table], rows: pa.Table) -> dict[str, pa.Table]:
    """Return the tables of modelled catch rates for the public.

    Parameters
    ----------
    rates : mapping of str to pyarrow.Table
        In `analytics.bulletin.rates.tables.RATE_SCHEMAS`.
    rows : pyarrow.Table
        Result rows as by `public_rows`.

    Returns
    -------
    dict of str to pyarrow.Table
        The index without figures whose percent standard error is over 50, and without the survey's
        where that is withheld; no table that names a boat.
    """
    shown = dict(rates)
    if "residuals" in shown:
        shown["residuals"] = shown["residuals"].slice(0, 0)
    if "index" in shown:
        table = shown["index"]
        unsure = 100 * _floats(table["log_se"]) > WITHHELD_OVER
        reason = {"reason": WITHHELD}
        table = _without(table, hidden=unsure.tolist(), instead=reason, taken=_OF_INDEX)
        hidden = _withheld_keys(rows)
        keys = zip(*(table[name].to_pylist() for name in ("area", "week", "response")), strict=True)
        raw = [(area, week, _RAW.get(response)) in hidden for area, week, response in keys]
        shown["index"] = _without(table, hidden=raw, instead={}, taken=_OF_RAW)
    return shown


def _withheld_keys(rows: pa.Table) -> set[tuple[str | None, ...]]:
    """Return area, week and quantity of the rows that are withheld."""
    withheld = rows.filter(pc.equal(rows["method"], WITHHELD))
    columns = ("area", "week", "quantity")
    return set(zip(*(withheld[name].to_pylist() for name in columns), strict=True))


def _is_withheld(table: pa.Table, value: str, se: str) -> list[bool]:
    marks = marks_of(pse(_floats(table[value]), _floats(table[se])))
    return [mark is Precision.WITHHELD for mark in marks]


def _is_compared(compared: pa.Table, composition: pa.Table | None) -> list[bool]:
    """Return which ratios have a side that is withheld."""
    hidden = _withheld_keys(composition) if composition is not None else set()
    names = ("area", "week", "quantity")
    keys = zip(*(compared[name].to_pylist() for name in names), strict=True)
    return [key in hidden for key in keys]


def _without(
    table: pa.Table,
    *,
    hidden: Sequence[bool],
    instead: Mapping[str, str],
    taken: Sequence[str] = _TAKEN_OUT,
) -> pa.Table:
    """Return a table with some columns of hidden rows null, and words in others."""
    mask = pa.array(hidden, pa.bool_())
    columns = dict.fromkeys(name for name in taken if name in table.column_names) | dict(instead)
    for name, value in columns.items():
        at = table.schema.get_field_index(name)
        field = table.schema.field(at)
        column = pc.if_else(mask, pa.scalar(value, field.type), table[name])
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
        released=public_released(bulletin.released),
        rates=public_rates(bulletin.rates, rows),
        strata=bulletin.strata.slice(0, 0),
        findings=bulletin.findings.slice(0, 0),
    )


def _public_changes(changes: pa.Table, rows: pa.Table) -> pa.Table:
    """Take changes out that rest on a withheld figure."""
    hidden = _withheld_keys(rows)
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
