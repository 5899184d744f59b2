"""Every table that a file can hold: the input tables, and those that a command reads alone."""

from __future__ import annotations

from analytics.data.columns import Table, flag, number, text
from analytics.data.schema import TABLES

#: Fish held after capture, one by one; no store keeps them.
HELD_FISH = Table(
    "held_fish",
    ("held_id",),
    (
        text("held_id", "Identifies the fish.", filled=True),
        text("trial_id", "Its trial."),
        text("group", "Where the hook held, or control for fish not hooked.", filled=True),
        number("total_length_mm", "Total length.", "mm", low=50, high=2000),
        number(
            "hours",
            "Hours until it died, or until it was last seen alive.",
            "h",
            filled=True,
            low=0,
            high=10_000,
        ),
        flag("died", "It died; false where it was alive when last seen.", filled=True),
    ),
    "A fish held after capture.",
)

FORMS: dict[str, Table] = TABLES | {HELD_FISH.name: HELD_FISH}
