"""Whether a batch may leave the store or come back: what would stand in the store then."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.data.checks import check_between
from analytics.data.store.rows import BATCH
from analytics.errors import DataRejected
from analytics.findings import Severity, how_many, number_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analytics.data.query import Source


def require_sound(
    now: Mapping[str, Source], then: Mapping[str, Source], *, refused: str, advice: str
) -> None:
    """Refuse (`DataRejected`) what would break a rule that the rows of a store keep now.

    `now` and `then` are every table before and after, each row with the batch it came in with,
    which findings name as its file. The message has how many errors and which batches between
    `refused` and `advice`.
    """
    already = set(check_between(now, {}, origin=BATCH))
    broken = [
        finding
        for finding in check_between(then, {}, origin=BATCH)
        if finding.severity is Severity.ERROR and finding not in already
    ]
    if broken:
        errors = number_of(how_many(broken), "error")
        batches = ", ".join(sorted({finding.file for finding in broken}))
        raise DataRejected(f"{refused} {errors} would stand in rows of {batches}; {advice}", broken)


def refusal_words(batch: str, *, undo: bool) -> dict[str, str]:
    """Return the words around what forbids taking a batch out, or putting it back."""
    if undo:
        return {
            "refused": f"batch {batch} stays out: with it",
            "advice": "import corrected rows instead",
        }
    return {
        "refused": f"batch {batch} stays: without it",
        "advice": "withdraw that first, or import corrected rows",
    }
