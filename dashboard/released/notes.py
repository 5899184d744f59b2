"""Notes of the lines of a table: those that several lines share are said once, below it."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.released.index import Line

#: What the rate of fish lost at the hook is of: the table says it with the fish.
_BASES = ("of encounters", "of kept fish")
#: Said in the place of a figure whose reason stands below the table.
BELOW = "no figure: see below the table"


def of(line: Line) -> list[str]:
    """Return the notes of a line; its reason has them apart by semicolons."""
    found = (line["reason"] or "").split("; ")
    return [part for part in found if part and part not in _BASES]


def shared(lines: Sequence[Line]) -> list[str]:
    """Return the notes that stand on two lines or more, in the order in which they occur."""
    times = Counter(note for line in lines for note in dict.fromkeys(of(line)))
    return [note for note, count in times.items() if count > 1]


def own(line: Line, *, shared: Sequence[str]) -> str:
    """Return the notes of a line that are not shared; a line without a figure points to those."""
    mine = [note for note in of(line) if note not in shared]
    lacks = line.get("deaths", 0.0) is None and len(mine) < len(of(line))
    return "; ".join([BELOW, *mine] if lacks and not mine else mine)


def sentence(found: Sequence[str]) -> str:
    """Return notes as a sentence; empty where there are none."""
    return f"Notes: {'; '.join(found)}." if found else ""
