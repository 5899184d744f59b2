"""A season against past ones by the same week, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analytics.wording import numbers
from analytics.wording.numbers import Measurement, NumberKind

if TYPE_CHECKING:
    from collections.abc import Sequence

Line = dict[str, Any]


def last_strength(lines: Sequence[Line]) -> Line | None:
    """Return the last week's comparison with past seasons, of those with a ratio if any has.

    `lines` are those of one area in the table ``run_strength``, in order of their weeks.
    """
    known = [line for line in lines if line["ratio"] is not None]
    return known[-1] if known else lines[-1] if lines else None


def strength_answer(line: Line | None) -> str:
    """Return how strong the season is, as the rest of a sentence that names an area (Markdown)."""
    if line is None or line["ratio"] is None:
        return f"the strength of this season cannot be given ({numbers.plain(why_no_ratio(line))})."
    ratio = numbers.of_line(line, "ratio", NumberKind.RATIO)
    past = numbers.count(line["n_past"] or 0, "past season")
    return (
        f"this season is **{verdict(line)}**: through week {line['week']} standardised encounters "
        f"are **{ratio.words} times** {numbers.plain(ratio.bracket(line['ci_level']))} those of "
        f"{past} by the same week{_envelope(line)}."
    )


def why_no_ratio(line: Line | None) -> str:
    """Return why a season cannot be compared with past ones."""
    return (line["reason"] if line else "") or "no week has a figure"


def verdict(line: Line) -> str:
    """Return whether a season is stronger or weaker than the past, by its interval."""
    low, high = line["ci_low"], line["ci_high"]
    if low is None or high is None:
        return "of unknown strength"
    if low > 1:
        return "stronger than past ones"
    return "weaker than past ones" if high < 1 else "not clearly different from past ones"


def _envelope(line: Line) -> str:
    low, high = line["past_low"], line["past_high"]
    if low is None or high is None:
        return ""
    ratio = line["ratio"]
    side = "above them all" if ratio > high else "below them all" if ratio < low else "among them"
    shown = Measurement(ratio, low, high, NumberKind.RATIO)
    ends = f"from {shown.shown(low)} to {shown.shown(high)} of their mean"
    return f"; past ones ranged {ends}: it is {side}"
