"""An answer to a set of options, ready to be given and drawn."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analytics.catch_limits import LIKELY
from analytics.rounding import last_place
from analytics.wording.bulletin_index import finite
from analytics.wording.numbers import Measurement

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    import pyarrow as pa

Line = dict[str, Any]

#: A difference of fish or trips that is none.
NOTHING = 1e-6


class Moved(Measurement):
    """A difference: its digits follow its interval alone, for its size may be near none."""

    __slots__ = ()

    @property
    def place(self) -> int:
        """Power of ten of the last digit: two digits of half the interval."""
        if self.low is None or self.high is None or self.high <= self.low:
            return Measurement(self.value).place
        return last_place((self.high - self.low) / 2, least=0)


@dataclass(frozen=True, slots=True, eq=False)
class Answered:
    """The tables of a comparison.

    `options` and `limits` are names, today's rule and the limit likeliest to be exceeded under it
    first; `figures` are season totals by option, area (None: all areas together) and quantity;
    `reach` has each (limit, option); `dominated` the options that another dominates, and which;
    `binding` the limit that is reached first under today's rule; `through` the last day of the
    data.
    """

    options: tuple[str, ...]
    figures: Mapping[tuple[str, str | None, str], Line]
    reach: Mapping[tuple[str, str], Line]
    limits: tuple[str, ...]
    dominated: Mapping[str, str]
    assumptions: Mapping[str, tuple[str, ...]]
    binding: str | None = None
    through: date | None = None

    @property
    def changed(self) -> tuple[str, ...]:
        """Names of the options beside today's rule."""
        return self.options[1:]

    def figure(self, option: str, area: str | None, quantity: str) -> Measurement:
        """Return the season total of an option."""
        return _amount(self.figures.get((option, area, quantity)), "estimate", "ci_low", "ci_high")

    def difference(self, option: str, area: str | None, quantity: str) -> Measurement:
        """Return the difference of an option from today's rule."""
        names = ("difference", "difference_low", "difference_high")
        one = _amount(self.figures.get((option, area, quantity)), *names)
        return Moved(one.value, one.low, one.high)

    def likely(self, option: str) -> tuple[int, int]:
        """Return how many limits an option likely exceeds, and of how many that is known."""
        lines = [self.reach.get((limit, option)) for limit in self.limits]
        known = [
            line["prob_exceeded_by_close"]
            for line in lines
            if line and line["prob_exceeded_by_close"] is not None
        ]
        return sum(one >= LIKELY for one in known), len(known)

    def worst(self, option: str) -> Line | None:
        """Return the limit that an option brings nearest to being exceeded; None for no limit."""
        lines = [self.reach.get((limit, option)) for limit in self.limits]
        known = [
            line for line in lines if line and line["prob_exceeded_by_close_difference"] is not None
        ]
        return max(
            known, key=lambda line: float(line["prob_exceeded_by_close_difference"]), default=None
        )

    def shared(self) -> tuple[str, ...]:
        """Return the assumptions that all options share."""
        first = self.assumptions.get(self.options[0], ())
        return tuple(
            one for one in first if all(one in self.assumptions[name] for name in self.options)
        )

    def own(self, option: str) -> tuple[str, ...]:
        """Return the assumptions of an option that not all share."""
        every = set(self.shared())
        return tuple(one for one in self.assumptions[option] if one not in every)


def read(
    answers: Mapping[str, pa.Table], *, binding: str | None = None, through: date | None = None
) -> Answered:
    """Index the tables of a comparison; a `binding` limit they lack gives way to the likeliest."""
    lines = {name: [finite(one) for one in table.to_pylist()] for name, table in answers.items()}
    options = tuple(dict.fromkeys(line["option"] for line in lines["figures"]))
    words: dict[str, list[str]] = defaultdict(list)
    for line in lines["assumptions"]:
        for name in [line["option"]] if line["option"] else options:
            words[name].append(line["assumption"])
    reach = {(line["limit_id"], line["option"]): line for line in lines["limit_exceedance"]}
    limits = _ordered(reach, options)
    return Answered(
        options=options,
        figures={
            (line["option"], line["area"], line["quantity"]): line for line in lines["figures"]
        },
        reach=reach,
        limits=limits,
        dominated={
            line["option"]: line["dominated_by"] or ""
            for line in lines["dominance"]
            if line["is_dominated"]
        },
        assumptions={name: tuple(dict.fromkeys(words[name])) for name in options},
        binding=binding if binding in limits else next(iter(limits), None),
        through=through,
    )


def total(line: Line) -> Measurement:
    """Return the total of a line of limits."""
    return _amount(line, "estimate", "ci_low", "ci_high")


def is_nothing(one: Measurement) -> bool:
    """Return whether a difference is none, and surely none."""
    return all(part is not None and abs(part) < NOTHING for part in (one.value, one.low, one.high))


def _ordered(reach: Mapping[tuple[str, str], Line], options: Sequence[str]) -> tuple[str, ...]:
    names = dict.fromkeys(limit for limit, _ in reach)
    chance = {
        name: (reach.get((name, options[0])) or {}).get("prob_exceeded_by_close") for name in names
    }
    return tuple(sorted(names, key=lambda name: -(chance[name] or 0.0)))


def _amount(line: Line | None, *names: str) -> Measurement:
    return Measurement(None) if line is None else Measurement(*(line[name] for name in names))
