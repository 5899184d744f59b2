"""The quantities a result row can carry: names, units, kinds, and the words people read.

One registry, from which the estimators, the result table, the documentation and the dashboard
take their names. The names are stable (`analytics/docs/interface.md`).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class QuantityKind(StrEnum):
    """What sort of number a quantity is; the kind decides its interval."""

    TOTAL = "total"
    RATE = "rate"
    SHARE = "share"
    DEATHS = "deaths"


@dataclass(frozen=True, slots=True)
class Quantity:
    """A quantity of the result table.

    Parameters
    ----------
    name : str
        The stable name in result rows.
    unit : str
        The unit as written in result rows.
    kind : QuantityKind
        Total, rate, share, or a total that also carries the error of a rate.
    label : str
        The words for people.
    meaning : str
        One sentence that defines it.
    """

    name: str
    unit: str
    kind: QuantityKind
    label: str
    meaning: str


def _mark(size: str, mark: str) -> Quantity:
    """Return one of the four size-by-mark encounter classes."""
    return Quantity(
        f"encounter_{size}_{mark}_fish",
        "fish",
        QuantityKind.TOTAL,
        f"{size.capitalize()} {mark} encounters",
        f"Chinook met that were {size} in length and {mark} (adipose fin "
        f"{'clipped' if mark == 'marked' else 'intact'}).",
    )


_ALL = (
    Quantity(
        "boat_trips",
        "boat_trip",
        QuantityKind.TOTAL,
        "Boat trips",
        "Boat trips that ended at a listed site.",
    ),
    Quantity(
        "angler_trips",
        "angler_trip",
        QuantityKind.TOTAL,
        "Angler trips",
        "Anglers summed over boat trips.",
    ),
    Quantity(
        "angler_hours",
        "angler_hour",
        QuantityKind.TOTAL,
        "Angler-hours",
        "Anglers times the hours their boat fished.",
    ),
    Quantity("kept_fish", "fish", QuantityKind.TOTAL, "Chinook kept", "Chinook kept."),
    Quantity(
        "released_legal_fish",
        "fish",
        QuantityKind.TOTAL,
        "Legal-size releases",
        "Chinook of legal length reported released.",
    ),
    Quantity(
        "released_sublegal_fish",
        "fish",
        QuantityKind.TOTAL,
        "Sublegal releases",
        "Chinook under the legal length reported released.",
    ),
    Quantity(
        "released_unknown_fish",
        "fish",
        QuantityKind.TOTAL,
        "Releases of unknown size",
        "Chinook reported released whose size is not known.",
    ),
    Quantity(
        "released_fish",
        "fish",
        QuantityKind.TOTAL,
        "Chinook released",
        "All Chinook reported released: legal, sublegal and of unknown size.",
    ),
    Quantity(
        "encounter_fish",
        "fish",
        QuantityKind.TOTAL,
        "Chinook encounters",
        "Chinook kept plus Chinook released.",
    ),
    Quantity(
        "kept_per_angler_trip",
        "fish per angler_trip",
        QuantityKind.RATE,
        "Kept per angler trip",
        "Chinook kept divided by angler trips.",
    ),
    Quantity(
        "encounters_per_angler_hour",
        "fish per angler_hour",
        QuantityKind.RATE,
        "Encounters per angler-hour",
        "Chinook encounters divided by angler-hours.",
    ),
    Quantity(
        "encounters_per_angler_trip",
        "fish per angler_trip",
        QuantityKind.RATE,
        "Encounters per angler trip",
        "Chinook encounters divided by angler trips.",
    ),
    Quantity(
        "sublegal_prop",
        "1",
        QuantityKind.SHARE,
        "Sublegal share",
        "Sublegal releases divided by encounters.",
    ),
    Quantity(
        "sublegal_per_kept",
        "1",
        QuantityKind.RATE,
        "Sublegals per fish kept",
        "Sublegal releases divided by fish kept.",
    ),
    Quantity(
        "marked_prop",
        "1",
        QuantityKind.SHARE,
        "Marked share",
        "Marked encounters divided by encounters of known size, from the fish whose mark was read.",
    ),
    _mark("legal", "marked"),
    _mark("legal", "unmarked"),
    _mark("sublegal", "marked"),
    _mark("sublegal", "unmarked"),
    Quantity(
        "release_deaths_fish",
        "fish",
        QuantityKind.DEATHS,
        "Release deaths",
        "Released Chinook that are expected to die of it: releases times release rates.",
    ),
    Quantity(
        "drop_off_deaths_fish",
        "fish",
        QuantityKind.DEATHS,
        "Drop-off deaths",
        "Chinook hooked, lost before the boat and expected to die: the stated base times the rate.",
    ),
    Quantity(
        "total_deaths_fish",
        "fish",
        QuantityKind.DEATHS,
        "Total deaths",
        "Fish kept plus release deaths plus drop-off deaths.",
    ),
)

#: Every quantity by its name, in the order of the result rows.
QUANTITIES: dict[str, Quantity] = {quantity.name: quantity for quantity in _ALL}

#: Ratios of two totals: the total above and the total below.
RATIOS: dict[str, tuple[str, str]] = {
    "kept_per_angler_trip": ("kept_fish", "angler_trips"),
    "encounters_per_angler_hour": ("encounter_fish", "angler_hours"),
    "encounters_per_angler_trip": ("encounter_fish", "angler_trips"),
    "sublegal_prop": ("released_sublegal_fish", "encounter_fish"),
    "sublegal_per_kept": ("released_sublegal_fish", "kept_fish"),
}


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


class CiMethod(StrEnum):
    """How an interval was made."""

    LOG_T = "log_t"
    LOGIT_T = "logit_t"
    DRAWS = "draws"
    NONE = "none"
