"""Test fishing written out by hand, and surveys to go with it."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

from tests.tables import MONDAY, SiteDay, interview, survey

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.data.snapshot import Snapshot

MINIMUM_MM = 559.0
#: Lengths and marks of legal marked, legal unmarked, sublegal marked and sublegal unmarked fish.
KINDS = ((600.0, True), (600.0, False), (500.0, True), (500.0, False))


def fish_of(
    counts: Sequence[int], *, area: str = "A", week: int = 0, **given: Any
) -> list[dict[str, Any]]:
    """Return rows of `fish` with so many of each class, met on the first day of a week."""
    day = MONDAY + dt.timedelta(weeks=week)
    plain = {"source": "test_fishing", "area": area, "date": day, "kept": False}
    return [
        plain
        | {
            "fish_id": f"{area}-{week}-{kind}-{number}-{len(given)}",
            "total_length_mm": length,
            "marked": marked,
        }
        | given
        for kind, ((length, marked), many) in enumerate(zip(KINDS, counts, strict=True))
        for number in range(many)
    ]


def seasons(*areas: str, weeks: int = 10, **given: Any) -> list[dict[str, Any]]:
    """Return one opening an area, with the usual minimum length."""
    return [
        {
            "season": "2030-31",
            "area": area,
            "open_date": MONDAY,
            "close_date": MONDAY + dt.timedelta(days=7 * weeks - 1),
            "min_length_mm": MINIMUM_MM,
        }
        | given
        for area in areas
    ]


def boat(kept: int = 0, marked: int | None = None, **given: Any) -> dict[str, Any]:
    """Return an interview with kept fish of which some are marked; other marks are read as none."""
    read = {"released_legal_marked": 0, "released_sublegal_marked": 0}
    return interview(kept=kept, kept_marked=kept if marked is None else marked, **read | given)


def drawn(*boats: dict[str, Any], frame: int = 10) -> list[SiteDay]:
    """Return site-days of one boat each in one stratum of the first week."""
    return [SiteDay(1, [one], stratum="all", frame=frame) for one in boats]


def sampled_survey(
    days: Sequence[SiteDay], fish: Sequence[dict[str, Any]], **tables: Any
) -> Snapshot:
    """Return a survey in area A with test fishing."""
    tables.setdefault("seasons", seasons("A", weeks=1))
    return survey(days, fish=fish, **tables)
