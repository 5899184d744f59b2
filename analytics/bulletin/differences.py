"""What moved between two sets of result rows: by how much, and by which batches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.compute as pc

from analytics.bulletin.archive import REVISION_SCHEMA
from analytics.findings import number_of
from analytics.quantities import QUANTITIES
from analytics.result_table import DOMAIN_COLUMNS
from analytics.revision_order import (
    EFFECTS,
    GONE,
    JOINED_BY,
    NEW,
    POOLING,
    RESTATED,
    REVISED,
    importance,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from analytics.data.store import Event

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Causes:
    """What moved a row: events, oldest first, and how they reach it (`revision_order.EFFECTS`)."""

    events: Sequence[Event]
    effect: str


#: A difference this small, relative to the figures, is rounding.
ROUNDING = 1e-9
#: Columns of a result row that a move keeps as they were before, too.
_BEFORE = {
    "previous": "estimate",
    "previous_se": "se",
    "previous_ci_low": "ci_low",
    "previous_ci_high": "ci_high",
    "previous_method": "method",
    "previous_status": "status",
}


def moves(
    before: pa.Table, after: pa.Table, *, since: int, version: int, causes: Callable[[Row], Causes]
) -> pa.Table:
    """Return every row that moved between result rows of one season and the same levels.

    `since`, `version`: of the store they were made from; `causes`: given a result row, what moved
    it. In `REVISION_SCHEMA`, in the order of `importance`: `kind` is ``revised`` where an estimate
    moved, came or went in a domain that stands in both; ``restated`` where it stands but its error
    or status does not; ``new`` and ``removed`` where a domain is in one of them only. A relative
    difference under `ROUNDING` is no move.
    """
    old, new = ({_key(row): row for row in table.to_pylist()} for table in (before, after))
    found = []
    for key in {*old, *new}:
        move = _move(old.get(key), new.get(key))
        if move:
            cells = _cause_cells(causes(new.get(key) or old[key]))
            found.append(move | cells | {"since_version": since, "version": version})
    return _ranked(found)


def netted(steps: pa.Table) -> pa.Table:
    """Return moves from the first state to the last, one row a domain and quantity.

    Parameters
    ----------
    steps : pyarrow.Table
        In `REVISION_SCHEMA`, steps of one domain and quantity in order of their versions.

    Returns
    -------
    pyarrow.Table
        In `REVISION_SCHEMA`, in the order of `importance`, with the batches of all steps; what came
        back to where it was is left out.
    """
    chains: dict[tuple[Any, ...], list[Row]] = {}
    for row in sorted(steps.to_pylist(), key=lambda row: row["version"]):
        chains.setdefault(_key(row), []).append(row)
    found = []
    for chain in chains.values():
        first, last = chain[0], chain[-1]
        old = None if first["kind"] == NEW else _state_before(first)
        move = _move(old, None if last["kind"] == GONE else last)
        if move:
            joined = {name: _joined(chain, name) for name in _CAUSE}
            joined["effect"] = min((one["effect"] for one in chain), key=EFFECTS.index)
            ends = {"since_version": first["since_version"], "version": last["version"]}
            found.append(move | joined | ends)
    return _ranked(found)


def summary(net: pa.Table, steps: pa.Table, *, since: int, version: int) -> str:
    """Return what moved in a sentence or two.

    Parameters
    ----------
    net : pyarrow.Table
        As `netted` returns it.
    steps : pyarrow.Table
        What it is the net of.
    since, version : int
        Versions compared.
    """
    between = f"from version {since} to {version}"
    rows = net.to_pylist()
    by_kind = {kind: [row for row in rows if row["kind"] == kind] for kind in _KIND_WORDS}
    if not rows:
        back = f" in the end: {rows_words(steps)} of steps cancel out" if steps.num_rows else ""
        return f"{between}: no estimate moved{back}"
    parts = [f"{number_of(len(by_kind[k]), 'estimate')} {w}" for k, w in _KIND_WORDS.items()]
    kept = [part for part, kind in zip(parts, by_kind, strict=True) if by_kind[kind]]
    revised = by_kind[REVISED]
    most = next((row for row in revised if abs(row["change_in_se"] or 0.0) >= WORTH_NAMING), None)
    first = f"; the most important revision: {_described(most)}" if most else ""
    if revised and not most and all(row["change_in_se"] is not None for row in revised):
        first = f"; none of the revisions is {WORTH_NAMING} of its standard error or more"
    pooled = sum(row["effect"] == POOLING for row in rows)
    apart = f"; {pooled} of these by pooling alone, with no data of their own" if pooled else ""
    return f"{between}: {', '.join(kept)}{first}{apart}"


def rows_words(steps: pa.Table) -> str:
    """Return how many steps a table of moves holds, in words."""
    return number_of(steps.num_rows, "row")


_KIND_WORDS = {
    REVISED: "moved",
    RESTATED: "kept the figure with another error or status",
    NEW: "new",
    GONE: "removed",
}
#: A revision under so many standard errors is not named as the most important one.
WORTH_NAMING = 0.1
_CAUSE = ("batch", "event", "at_utc", "sources")


def _described(row: Row) -> str:
    where = " ".join(row[name] for name in DOMAIN_COLUMNS if row[name])
    label = QUANTITIES[row["quantity"]].label
    batches = JOINED_BY.join(dict.fromkeys(row["batch"].split(JOINED_BY)))
    return (
        f"{label} {where} from {row['previous']:.4g} to {row['estimate']:.4g}, "
        f"{abs(row['change_in_se']):.1f} of its standard error before (batch {batches})"
    )


def _move(old: Row | None, new: Row | None) -> Row | None:
    """Return what moved between two states of a row, None where nothing did."""
    kind = _kind(old, new)
    if kind is None:
        return None
    here = new or old or {}
    names = (*DOMAIN_COLUMNS, "quantity", "unit", "ci_level")
    move: Row = {name: here[name] for name in names} | {"kind": kind}
    if new is not None:
        move |= {name: new[name] for name in _BEFORE.values()}
    if old is None:
        return move
    move |= {name: old[column] for name, column in _BEFORE.items()}
    if new is not None and None not in (old["estimate"], new["estimate"]):
        move["change"] = new["estimate"] - old["estimate"]
        move["change_in_se"] = move["change"] / old["se"] if old["se"] else None
    return move


def _kind(old: Row | None, new: Row | None) -> str | None:
    if old is None or new is None:
        return NEW if new else GONE if old else None
    size = max(abs(one["estimate"] or 0.0) for one in (old, new))
    if _is_apart(old["estimate"], new["estimate"], size=size):
        return REVISED
    if old["status"] != new["status"] or _is_apart(old["se"], new["se"], size=size):
        return RESTATED
    return None


def _is_apart(old: float | None, new: float | None, *, size: float) -> bool:
    if old is None or new is None:
        return old is not new
    return abs(new - old) > ROUNDING * max(size, abs(old), abs(new))


def _state_before(step: Row) -> Row:
    """Return the result row that a step began with, as far as a move needs it."""
    return step | {column: step[name] for name, column in _BEFORE.items()}


def _cause_cells(causes: Causes) -> Row:
    events = causes.events
    columns = {
        "batch": [event.batch for event in events],
        "event": [event.event for event in events],
        "at_utc": [event.at_utc for event in events],
        "sources": [", ".join(event.sources) for event in events],
    }
    cells = {name: JOINED_BY.join(parts) for name, parts in columns.items()}
    return cells | {"effect": causes.effect}


def _joined(chain: Sequence[Row], name: str) -> str:
    return JOINED_BY.join(str(row[name]) for row in chain)


def _key(row: Row) -> tuple[Any, ...]:
    return tuple(row[name] for name in (*DOMAIN_COLUMNS, "quantity"))


_ORDER = {name: rank for rank, name in enumerate(QUANTITIES)}


def _ranked(found: list[Row]) -> pa.Table:
    """Return moves by importance; equals by domain, then in the order of the quantities."""
    return pa.Table.from_pylist(sorted(found, key=_rank), schema=REVISION_SCHEMA)


def _rank(row: Row) -> tuple[Any, ...]:
    *domain, quantity = _key(row)
    place = _ORDER.get(quantity, len(_ORDER))
    return (*importance(row), *(part or "" for part in domain), place, quantity)


def comparable(rows: pa.Table, *, through: str, with_totals: bool) -> pa.Table:
    """Return the result rows of a bulletin that another of the same season can be compared with.

    `through`: last ISO week of the later bulletin, weeks after it are out of its view;
    `with_totals`: both end in the same week, so that rows of areas and of the season compare.
    """
    in_view = pc.less_equal(rows["week"], through)
    return rows.filter(pc.fill_null(in_view, with_totals))
