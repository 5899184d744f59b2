"""Whether two seasons tell how the ways they were fished in compare."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.bulletin.rates.fitted import EXPOSURE, FACTORS, varies

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

#: Levels named in a note.
_NAMED = 3


def lacking(past: pd.DataFrame, now: pd.DataFrame, terms: Sequence[str]) -> list[str]:
    """Return what trips of a past season cannot tell of this season's mix, in words.

    Parameters
    ----------
    past, now : pandas.DataFrame
        Trips of either, with the columns of `terms`.
    terms : sequence of str
        Factors and slopes that the mix is made of.

    Returns
    -------
    list of str
        Such as ``method jigging``; a slope that every trip has alike by its name alone.
    """
    words = []
    for name in terms:
        if name in FACTORS:
            words += [f"{name} {one}" for one in sorted(set(now[name]) - set(past[name]))]
        elif not varies(past, name):
            words.append(f"change of {name}")
    return [*words[:_NAMED], *([f"{len(words) - _NAMED} more"] if len(words) > _NAMED else [])]


def linked(
    past: pd.DataFrame, now: pd.DataFrame, factors: Sequence[str]
) -> tuple[tuple[pd.DataFrame, pd.DataFrame], str]:
    """Return trips of two seasons in which every level can be held against this season's.

    Two levels of a factor, say two methods, can be compared where some area and week knows both, or
    through others. A level that no such chain ties to this season's most fished one would stand
    for the season it was met in; it is taken for that one, and a note says so.

    Parameters
    ----------
    past, now : pandas.DataFrame
        ``area, week, angler_hours`` and the factors.
    factors : sequence of str

    Returns
    -------
    trips : tuple of two pandas.DataFrame
    note : str
        Empty where nothing was changed.
    """
    notes = []
    for factor in factors:
        base = str(now.groupby(factor)[EXPOSURE].sum().idxmax())
        tied = _tied_to(base, (past, now), factor)
        alone = sorted((set(past[factor]) | set(now[factor])) - tied)
        if alone:
            taken = {factor: dict.fromkeys(alone, base)}
            past, now = past.replace(taken), now.replace(taken)
            notes.append(f"{factor} {', '.join(alone[:_NAMED])} never beside {base}: taken for it")
    return (past, now), "; ".join(notes)


def _tied_to(base: str, trips: Sequence[pd.DataFrame], factor: str) -> set[str]:
    """Return the levels that some chain of areas and weeks ties to one of them."""
    together = [
        set(levels) for rows in trips for levels in rows.groupby(["area", "week"])[factor].unique()
    ]
    tied, grown = {base}, True
    while grown:
        more = set().union(*(one for one in together if one & tied)) - tied
        tied |= more
        grown = bool(more)
    return tied
