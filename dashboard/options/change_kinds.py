"""The kinds of changes that the form offers; a field left as it is changes nothing."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

from analytics.documents.rules_in_words import TodaysRules
from analytics.options.option import Change
from dashboard.catalogue import phrase

if TYPE_CHECKING:
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
    ChangeKind.DATES: phrase("Opening and closing"),
    ChangeKind.WEEKDAYS: phrase("Days of the week"),
    ChangeKind.DAILY: phrase("Daily limit"),
    ChangeKind.LENGTH: phrase("Minimum length"),
    ChangeKind.MARKED: phrase("Marked fish only"),
    ChangeKind.METHODS: phrase("Fishing methods"),
    ChangeKind.DEATHS: phrase("Deaths of released fish"),
    ChangeKind.EFFORT: phrase("Effort"),
    ChangeKind.SPAN: phrase("Date window"),
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


def only(change: Change, kind: ChangeKind) -> Change:
    """Return a change in its areas and days that is about one kind alone."""
    for other in (one for one in ChangeKind if one not in (kind, ChangeKind.SPAN)):
        change = without(change, other)
    return change


@dataclass(frozen=True, slots=True, eq=False)
class FormContext:
    """What the widgets of a form offer."""

    index: BulletinIndex
    baseline: Baseline

    def today(self, change: Change) -> TodaysRules:
        """Return today's rules over the areas of a change."""
        return TodaysRules(self.baseline, change.areas, self.index.name)
