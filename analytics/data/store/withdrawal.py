"""Whether a batch may leave: what would stand in the store without it, and what hangs on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.data.checks.run import check_between
from analytics.data.store.rows import BATCH
from analytics.errors import DataRejected
from analytics.findings import Severity, number_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pyarrow as pa


def require_sound(
    leaving: str, *, now: Mapping[str, pa.Table], then: Mapping[str, pa.Table]
) -> None:
    """Refuse to take a batch out if what stays would break a rule that it keeps now.

    Parameters
    ----------
    leaving : str
        Id of the batch.
    now, then : mapping of str to pyarrow.Table
        Every table with it and without it, each row with the batch it came in with.

    Raises
    ------
    DataRejected
        With the findings; each names the batch of its row as its file.
    """
    already = set(check_between(now, {}, origin=BATCH))
    broken = [
        finding
        for finding in check_between(then, {}, origin=BATCH)
        if finding.severity is Severity.ERROR and finding not in already
    ]
    if broken:
        errors = number_of(len(broken), "error")
        hanging = ", ".join(sorted({finding.file for finding in broken}))
        raise DataRejected(
            f"batch {leaving} stays: without it {errors} would stand in rows of {hanging}; "
            "withdraw that first, or import corrected rows",
            broken,
        )
