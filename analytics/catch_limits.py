"""Limits in words: the areas and quantities that one names, and which may be summed."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

from analytics.codes import coded
from analytics.precision import chance
from analytics.quantities import QUANTITIES, uncapitalised

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

#: From this chance on a limit is more likely exceeded than not.
LIKELY = 0.5
#: From this chance on a total so far is over a limit for certain enough to say so (our choice, no
#: source).
SURE = 0.9
#: Totals of effort that are projected.
_EFFORT = ("boat_trips", "angler_trips", "angler_hours")
_KEPT = frozenset(itertools.product(["kept"], ["marked", "unmarked"], ["dead"]))


def _released(*sizes: str) -> frozenset[tuple[str, str, str]]:
    return frozenset(itertools.product(sizes, ["marked", "unmarked"], ["dead", "alive"]))


_RELEASED = _released("legal", "sublegal", "unknown")
_LEGAL, _SUBLEGAL = _KEPT | _released("legal"), _released("sublegal")
_DIED = frozenset(one for one in _RELEASED if one[2] == "dead")
_LOST = frozenset({("drop_off", "", "dead")})

#: What each total of fish counts, fish that no other counts apart.
_COUNTED: dict[str, frozenset[tuple[str, str, str]]] = {
    "kept_fish": _KEPT,
    "released_legal_fish": _released("legal"),
    "released_sublegal_fish": _SUBLEGAL,
    "released_unknown_fish": _released("unknown"),
    "released_fish": _RELEASED,
    "encounter_fish": _KEPT | _RELEASED,
    "release_deaths_fish": _DIED,
    "drop_off_deaths_fish": _LOST,
    "total_deaths_fish": _KEPT | _DIED | _LOST,
} | {
    f"encounter_{size}_{mark}_fish": frozenset(one for one in fish if one[1] == mark)
    for size, fish in (("legal", _LEGAL), ("sublegal", _SUBLEGAL))
    for mark in ("marked", "unmarked")
}

#: Totals of fish: a limit may be set on the sum of several.
FISH_TOTALS: tuple[str, ...] = tuple(name for name in QUANTITIES if name in _COUNTED)
#: Totals that are drawn and projected: a limit may be given against them. A total of the registry
#: that is not named here has result rows and no outlook.
TOTALS: tuple[str, ...] = tuple(name for name in QUANTITIES if name in (*_EFFORT, *_COUNTED))

#: Pairs of totals that count some fish twice, a total with itself among them.
COUNTED_TWICE: frozenset[tuple[str, str]] = frozenset(
    (one, other)
    for one, other in itertools.product(FISH_TOTALS, repeat=2)
    if _COUNTED[one] & _COUNTED[other]
)


def split_list(text: str | None) -> tuple[str, ...]:
    """Return the words of a list joined by semicolons, each once and without blanks around it."""
    words = (word.strip() for word in (text or "").split(";"))
    return tuple(dict.fromkeys(word for word in words if word))


def join_words(words: Sequence[str]) -> str:
    """Return words joined by commas and a last ``and``."""
    *most, last = words or ("",)
    return f"{', '.join(most)} and {last}" if most else last


def noun(quantity: str) -> str:
    """Return a quantity in the words of a sentence; Chinook keep their capital."""
    return QUANTITIES[quantity].noun if quantity in QUANTITIES else uncapitalised(quantity)


def nouns(quantities: Iterable[str]) -> str:
    """Return a sum of quantities in the words of a sentence, such as ``marked encounters``."""
    names = tuple(quantities)
    for mark in ("marked", "unmarked"):
        if set(names) == {f"encounter_{size}_{mark}_fish" for size in ("legal", "sublegal")}:
            return f"{mark} encounters"
    return join_words([noun(name) for name in names])


def why_no_sum(quantities: tuple[str, ...]) -> str:
    """Return why no total can be held against a limit on some quantities; empty where it can."""
    if not quantities:
        return coded("no_quantity_named")
    for one in quantities:
        if one not in TOTALS:
            return coded("no_total" if one in QUANTITIES else "quantity_unknown", quantity=one)
    other = next((one for one in quantities if one not in FISH_TOTALS), "")
    if other and len(quantities) > 1:
        return coded("not_in_fish", quantity=other)
    twice = (pair for pair in itertools.combinations(quantities, 2) if pair in COUNTED_TWICE)
    return next((coded("counted_twice", quantities=[one, two]) for one, two in twice), "")


def already_exceeded(passed: float | None) -> str:
    """Return that the total so far is or may be over a limit, with the chance if it is known."""
    sure = passed is not None and passed >= SURE
    words = "exceeded already" if sure else "may be exceeded already"
    return words if passed is None else f"{words} ({chance(passed)})"
