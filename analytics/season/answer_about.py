"""What an answer to a set of options is about, and its limits in words."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from analytics.units import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from analytics.season.baseline import Limit


@dataclass(frozen=True, slots=True)
class About:
    """What an answer is about and what it was made from.

    Parameters
    ----------
    title, notes : str
        Of the set of options; empty where none is told.
    season : str
    through : datetime.date
        Last day of the totals so far.
    version : int
        Version of the store.
    bulletin : str
        Name of the bulletin on the shelf.
    is_preliminary : bool
        Open days are still to come, or may still be sampled.
    n_draws : int
    level : float
        Confidence level of the intervals.
    limits : tuple of Limit
    left_out : tuple of str
        Limits that could not be weighed, in words.
    refused : tuple of str
        Options that could not be weighed, in words.
    areas : mapping of str to str
        Code and name of the season's areas.
    passed : mapping of str to float or None
        Chance that the total so far is over a limit, by its id.
    """

    title: str
    notes: str
    season: str
    through: date
    version: int
    bulletin: str
    is_preliminary: bool
    n_draws: int
    level: float
    limits: tuple[Limit, ...] = ()
    left_out: tuple[str, ...] = ()
    refused: tuple[str, ...] = ()
    areas: Mapping[str, str] = field(default_factory=dict)
    passed: Mapping[str, float | None] = field(default_factory=dict)

    def limit(self, limit: Limit) -> str:
        """Return a limit in words, such as ``sublegal releases in North and South``."""
        where = "all areas"
        if not set(self.areas) or set(self.areas) - set(limit.areas):
            where = _listed([self.areas.get(one) or one for one in limit.areas])
        return f"{_what(limit.quantities)} {'over' if where == 'all areas' else 'in'} {where}"

    def named(self, limit: Limit) -> str:
        """Return a limit in words with its fish and its id."""
        return f"{self.limit(limit)}, at most {limit.fish:,.10g} ({limit.limit_id})"


def _what(quantities: Sequence[str]) -> str:
    """Return quantities in words; Chinook keep their capital."""
    for mark in ("marked", "unmarked"):
        if set(quantities) == {f"encounter_{size}_{mark}_fish" for size in ("legal", "sublegal")}:
            return f"{mark} encounters"
    labels = [QUANTITIES[one].label if one in QUANTITIES else one for one in quantities]
    return _listed(
        [one if one.startswith("Chinook") else one[:1].lower() + one[1:] for one in labels]
    )


def _listed(words: Sequence[str]) -> str:
    *most, last = words or ("",)
    return f"{', '.join(most)} and {last}" if most else last
