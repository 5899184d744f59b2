"""Result rows for the public: what is too uncertain to publish is withheld, and says so."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pyarrow as pa

from analytics.bulletin.public_rates import public_rates
from analytics.bulletin.public_standing import public_standing
from analytics.bulletin.withheld import WITHHELD, floats, withheld_keys, without
from analytics.precision import Precision, marks_of, pse
from analytics.units import CiMethod

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analytics.bulletin.shelf import Bulletin

_TAKEN_OUT = ("estimate", "se", "ci_low", "ci_high", "draws_low", "draws_high", "design_effect")
_OF_DEATHS = ("deaths", "deaths_low", "deaths_high", "se", "ci_low", "ci_high", "from_fish_prop")
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
    hidden = _is_withheld(table, "estimate", "se")
    return without(table, hidden=hidden, instead=instead, taken=_TAKEN_OUT)


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
            table = without(table, hidden=hidden, instead=reason, taken=("fish", "fish_se"))
        hidden = _is_withheld(table, "deaths", "se")
        shown[name] = without(table, hidden=hidden, instead=reason, taken=_OF_DEATHS)
    if "compared" in shown:
        hidden = _is_compared(shown["compared"], shown.get("composition"))
        shown["compared"] = without(
            shown["compared"], hidden=hidden, instead=reason, taken=_OF_RATIOS
        )
    return shown


def _is_withheld(table: pa.Table, value: str, se: str) -> list[bool]:
    marks = marks_of(pse(floats(table[value]), floats(table[se])))
    return [mark is Precision.WITHHELD for mark in marks]


def _is_compared(compared: pa.Table, composition: pa.Table | None) -> list[bool]:
    """Return which ratios have a side that is withheld."""
    hidden = withheld_keys(composition) if composition is not None else set()
    names = ("area", "week", "quantity")
    keys = zip(*(compared[name].to_pylist() for name in names), strict=True)
    return [key in hidden for key in keys]


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
        standing=public_standing(bulletin.standing),
        strata=bulletin.strata.slice(0, 0),
        findings=bulletin.findings.slice(0, 0),
    )


def _public_changes(changes: pa.Table, rows: pa.Table) -> pa.Table:
    """Take changes out that rest on a withheld figure."""
    hidden = withheld_keys(rows)
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
    marks = [marks_of(pse(floats(moved[value]), floats(moved[se]))) for value, se in sides]
    shown = [Precision.WITHHELD not in pair for pair in zip(*marks, strict=True)]
    return moved.filter(pa.array(shown, pa.bool_()))
