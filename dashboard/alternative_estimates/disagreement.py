"""Where reported and sampled encounters differ by more than chance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analytics.wording import numbers
from analytics.wording.bulletin_index import finite

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.wording.bulletin_index import BulletinIndex

MET = "encounter_fish"


def ratios(index: BulletinIndex, week: str | None) -> dict[str | None, dict[str, Any]]:
    """Return sampled over reported encounters by area where the interval excludes 1.

    Of a week, None of the season so far.
    """
    lines = map(finite, index.bulletin.table("composition_ratio").to_pylist())
    return {
        line["area"]: line
        for line in lines
        if line["week"] == week
        and line["quantity"] == MET
        and None not in (line["ratio"], line["ci_low"], line["ci_high"])
        and not line["ci_low"] <= 1 <= line["ci_high"]
    }


def week_words(index: BulletinIndex, *, areas: Sequence[str | None], week: str) -> str:
    """Return a sentence that names where the two differ in a week; empty where they do not."""
    found = ratios(index, week)
    parts = [_words(index, area, found[area]) for area in areas if area in found]
    if not parts:
        return ""
    return f"Reported and sampled encounters of week {week} do not agree {'; '.join(parts)}. "


def season_words(index: BulletinIndex, *, areas: Sequence[str | None]) -> list[str]:
    """Return a sentence for each domain of the season in which the two differ."""
    found = ratios(index, None)
    return [
        f"Reported and sampled encounters do not agree {_words(index, area, found[area])}."
        for area in areas
        if area in found
    ]


def _words(index: BulletinIndex, area: str | None, line: dict[str, Any]) -> str:
    where = "over all areas" if area is None else f"in {numbers.plain(index.name(area))}"
    level = f"{100 * line['ci_level']:g} % interval"
    ends = f"{line['ci_low']:.2f} to {line['ci_high']:.2f}"
    return f"{where} (sampled ÷ reported **{line['ratio']:.2f}**, {level} {ends})"
