"""Each option of an answer in a sentence: what it changes, limits likely passed, which binds."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from analytics.season.answer_cells import already, amount, chance, count_likely, day
from analytics.units import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.season.answer_about import About

    Row = Mapping[str, Any]

#: Totals that a sentence tells.
_TOLD = ("angler_trips", "kept_fish", "released_sublegal_fish", "total_deaths_fish")
_ENDS = ("difference", "difference_low", "difference_high")
#: A difference of fish or trips that is none.
_NOTHING = 1e-6


def sentences(
    about: About,
    options: Sequence[str],
    figures: Mapping[tuple[str, str], Row],
    reach: Sequence[Row],
) -> list[tuple[str, str]]:
    """Return each option with its sentence.

    Parameters
    ----------
    about : About
    options : sequence of str
        Today's rule first: the others are told by their differences from it.
    figures : mapping of (option, quantity) to mapping
        Of all areas together.
    reach : sequence of mapping
        Of `analytics.season.tables.REACH_SCHEMA`.
    """
    found = []
    for option in options:
        is_first = option == options[0]
        parts = [_totals(figures, option, is_first=is_first)]
        parts += _limits(about, reach, option, None if is_first else options[0])
        found.append((option, "; ".join(parts) + "."))
    return found


def binding(about: About, reach: Sequence[Row], option: str) -> str:
    """Return the limit that an option reaches first, with its chance and day; empty without one.

    Of limits that are not reached with an even chance, the one most likely passed.
    """
    limits = {limit.limit_id: limit for limit in about.limits}
    mine = [
        row
        for row in reach
        if row["option"] == option and row["pass_prob"] is not None and row["limit_id"] in limits
    ]
    if not mine:
        return ""
    row = min(mine, key=lambda one: (one["date_50"] or date.max, -one["pass_prob"]))
    words = f"{about.named(limits[row['limit_id']])}: {chance(row['pass_prob'])} to pass it"
    if row["date_50"] is None:
        return words
    if row["date_50"] == about.through:
        return f"{words}, {already(about.passed.get(row['limit_id']))}"
    return f"{words}, with 50 % by {day(row['date_50'])}"


def _totals(figures: Mapping[tuple[str, str], Row], option: str, *, is_first: bool) -> str:
    rows = {one: figures[option, one] for one in _TOLD if (option, one) in figures}
    if not is_first and rows and all(map(_is_nothing, rows.values())):
        return "changes nothing in trips, fish kept, sublegal releases and deaths"
    ends = ("estimate", "ci_low", "ci_high") if is_first else _ENDS
    told = [
        f"{_noun(name)} {amount(row, *ends, signed=not is_first)}" for name, row in rows.items()
    ]
    return ("" if is_first else "against today's rule, ") + ", ".join(told)


def _is_nothing(row: Row) -> bool:
    return all(row[one] is not None and abs(row[one]) < _NOTHING for one in _ENDS)


def _noun(name: str) -> str:
    label = QUANTITIES[name].label
    return label if label.startswith("Chinook") else label[:1].lower() + label[1:]


def _limits(about: About, reach: Sequence[Row], option: str, today: str | None) -> list[str]:
    n, of = count_likely(reach, option)
    if not of:
        return []
    beside = "" if today is None else f" (today {count_likely(reach, today)[0]})"
    first = binding(about, reach, option)
    return [
        f"limits likely passed: {n} of {of}{beside}",
        *([f"binds first: {first}"] if first else []),
    ]
