"""The quantities a result row can carry: names, units, kinds, and the words people read.

One registry, ``quantities.toml``, from which the estimators, the result table, the documentation
and the dashboard take their names. The names are stable (`analytics/docs/interface.md`).
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from enum import StrEnum
from importlib.resources import files


class QuantityKind(StrEnum):
    """What sort of number a quantity is; the kind decides its interval."""

    TOTAL = "total"
    RATE = "rate"
    SHARE = "share"
    DEATHS = "deaths"


@dataclass(frozen=True, slots=True)
class Quantity:
    """A quantity of the result table.

    `name`, `unit`: as in result rows, stable; `label`: the words for people; `meaning`: one
    sentence that defines it.
    """

    name: str
    unit: str
    kind: QuantityKind
    label: str
    meaning: str

    @property
    def noun(self) -> str:
        """The label within a sentence; Chinook keep their capital."""
        return self.label if self.label.startswith("Chinook") else uncapitalised(self.label)


def capitalised(words: str) -> str:
    """Return words with a capital first, the rest as it is."""
    return words[:1].upper() + words[1:]


def uncapitalised(words: str) -> str:
    """Return words with a small letter first, the rest as it is."""
    return words[:1].lower() + words[1:]


def _registry() -> dict[str, Quantity]:
    content = tomllib.loads((files("analytics") / "quantities.toml").read_text(encoding="utf-8"))
    return {
        name: Quantity(name, **one | {"kind": QuantityKind(one["kind"])})
        for name, one in content.items()
    }


#: Every quantity by its name, in the order of the result rows.
QUANTITIES: dict[str, Quantity] = _registry()

#: Ratios of two totals: the total above and the total below.
RATIOS: dict[str, tuple[str, str]] = {
    "kept_per_angler_trip": ("kept_fish", "angler_trips"),
    "encounters_per_angler_hour": ("encounter_fish", "angler_hours"),
    "encounters_per_angler_trip": ("encounter_fish", "angler_trips"),
    "sublegal_prop": ("released_sublegal_fish", "encounter_fish"),
    "sublegal_per_kept": ("released_sublegal_fish", "kept_fish"),
}

#: Ratios that stand beside modelled rates and are in no result table, and their two totals.
BESIDE_MODELS: dict[str, Quantity] = {
    "kept_per_angler_hour": Quantity(
        "kept_per_angler_hour",
        "fish per angler_hour",
        QuantityKind.RATE,
        "Fish kept per angler-hour",
        "Chinook kept divided by angler-hours.",
    )
}
RATIOS_BESIDE_MODELS: dict[str, tuple[str, str]] = {
    "kept_per_angler_hour": ("kept_fish", "angler_hours")
}


def quantity_of(name: str) -> Quantity:
    """Return a quantity of the result table, or one that stands beside modelled rates."""
    return QUANTITIES[name] if name in QUANTITIES else BESIDE_MODELS[name]


def label_of(name: str) -> str:
    """Return what people call a quantity of the result table; one not known as it stands."""
    return QUANTITIES[name].label if name in QUANTITIES else name


class Status(StrEnum):
    """What stands behind an estimate; the strongest reservation wins."""

    OK = "ok"
    CENSUS = "census"
    ZERO_TOTAL = "zero_total"
    COLLAPSED = "collapsed"
    IMPUTED = "imputed"
    NO_SAMPLE = "no_sample"
    NO_DESIGN = "no_design"
    MODELLED = "modelled"
    #: In what is published alone: too few boats, and too large an error.
    SUPPRESSED = "suppressed"
    NOT_PUBLISHED = "not_published"


class CiMethod(StrEnum):
    """How an interval was made."""

    QUASI_T = "quasi_t"
    LOG_T = "log_t"
    LOGIT_T = "logit_t"
    DRAWS = "draws"
    NONE = "none"
