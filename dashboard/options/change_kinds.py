"""The kinds of changes that the form offers, and what each starts from."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.options.option import AtLimit, Change
from dashboard.options import option_sets

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analytics.options.baseline import Baseline
    from analytics.wording.bulletin_index import BulletinIndex


class ChangeKind(StrEnum):
    """What a change may be about, in the order of the form."""

    DATES = "dates"
    WEEKDAYS = "weekdays"
    DAILY = "daily"
    LENGTH = "length"
    MARKED = "marked"
    METHODS = "methods"
    DEATHS = "deaths"
    EFFORT = "effort"
    SPAN = "span"


LABELS = {
    ChangeKind.DATES: "Opening and closing",
    ChangeKind.WEEKDAYS: "Days of the week",
    ChangeKind.DAILY: "Daily limit",
    ChangeKind.LENGTH: "Minimum length",
    ChangeKind.MARKED: "Marked fish only",
    ChangeKind.METHODS: "Fishing methods",
    ChangeKind.DEATHS: "Deaths of released fish",
    ChangeKind.EFFORT: "Effort",
    ChangeKind.SPAN: "Date window",
}
#: Fields of a change that belong to each kind.
FIELDS = {
    ChangeKind.DATES: ("close_from", "reopen_from", "open_through"),
    ChangeKind.WEEKDAYS: ("open_weekdays",),
    ChangeKind.DAILY: ("daily_limit_fish", "at_limit"),
    ChangeKind.LENGTH: ("min_length_mm",),
    ChangeKind.MARKED: ("mark_selective",),
    ChangeKind.METHODS: ("method_mix",),
    ChangeKind.DEATHS: ("release_rates",),
    ChangeKind.EFFORT: ("effort_factor",),
    ChangeKind.SPAN: ("first_day", "last_day"),
}
_NONE = Change()


@dataclass(frozen=True, slots=True)
class Today:
    """Today's rules where a change would start from them, over the areas that it names.

    `mix` has the share of trips of each method among those whose method was recorded.
    """

    daily_limit_fish: int
    min_length_mm: float
    mix: Mapping[str, float]


def kinds_of(change: Change) -> list[ChangeKind]:
    """Return what a change is about."""
    return [
        kind
        for kind, names in FIELDS.items()
        if any(getattr(change, name) != getattr(_NONE, name) for name in names)
    ]


def without(change: Change, kind: ChangeKind) -> Change:
    """Return a change with today's rule for a kind."""
    return replace(change, **{name: getattr(_NONE, name) for name in FIELDS[kind]})


def begun(change: Change, kind: ChangeKind, baseline: Baseline) -> Change:
    """Return a change that is about a kind, with a value to start from where it has none."""
    if kind in kinds_of(change):
        return change
    return replace(change, **_STARTS[kind](baseline, today(baseline, change)))


def today(baseline: Baseline, change: Change) -> Today:
    """Return today's rules of the areas of a change on the first day that one of them is open."""
    rules = baseline.rules
    mine = [at for at, area in enumerate(baseline.areas) if area in change.areas]
    rows = mine or list(range(len(baseline.areas)))
    limits, lengths = rules.daily_limit_fish[rows], rules.min_length_mm[rows]
    trips = baseline.by_method[:, rows, :, 0].mean(axis=0, dtype=float).sum(axis=0)
    known = {name: float(part) for name, part in zip(baseline.methods, trips, strict=True) if name}
    total = sum(known.values())
    return Today(
        daily_limit_fish=round(_least(limits, 2.0)),
        min_length_mm=_least(lengths, 560.0),
        mix={name: part / total if total > 0 else 1 / len(known) for name, part in known.items()},
    )


def _least(values: Any, other: float) -> float:
    known = values[np.isfinite(values)]
    return float(known.min()) if known.size else other


def _dates(baseline: Baseline, _: Today) -> dict[str, Any]:
    return {
        "close_from": max(
            option_sets.last_open(baseline) - option_sets.EARLY, option_sets.first_day(baseline)
        )
    }


def _deaths(baseline: Baseline, _: Today) -> dict[str, Any]:
    rows = [dict(row) for row in baseline.rates if row.get("size_class") == "sublegal"]
    row = rows[0] if rows else {"size_class": "sublegal", "rate_prop": 0.2, "rate_se": 0.0}
    words = {"method": "any", "wound_class": "any", "source": "stated for this option"}
    return {"release_rates": (row | words,)}


_STARTS: dict[ChangeKind, Any] = {
    ChangeKind.DATES: _dates,
    ChangeKind.WEEKDAYS: lambda *_: {"open_weekdays": "67"},
    ChangeKind.DAILY: lambda _, now: {
        "daily_limit_fish": max(now.daily_limit_fish - 1, 1),
        "at_limit": AtLimit.GO_ON,
    },
    ChangeKind.LENGTH: lambda _, now: {"min_length_mm": now.min_length_mm + 20},
    ChangeKind.MARKED: lambda *_: {"mark_selective": True},
    ChangeKind.METHODS: lambda _, now: {"method_mix": dict(now.mix)},
    ChangeKind.DEATHS: _deaths,
    ChangeKind.EFFORT: lambda *_: {"effort_factor": 0.9},
    ChangeKind.SPAN: lambda baseline, _: {"first_day": option_sets.first_day(baseline)},
}


@dataclass(frozen=True, slots=True, eq=False)
class FormContext:
    """What the widgets of a form offer."""

    index: BulletinIndex
    baseline: Baseline
