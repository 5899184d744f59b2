"""Limits as a bulletin keeps them in its table of standing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.limits import listed
from analytics.season.baseline import Limit

if TYPE_CHECKING:
    import pyarrow as pa


def limits_of(standing: pa.Table) -> tuple[tuple[Limit, ...], tuple[str, ...]]:
    """Return the limits that can be weighed, and in words which cannot and why.

    Parameters
    ----------
    standing : pyarrow.Table
        The bulletin's table of that name.

    Returns
    -------
    tuple of tuple of Limit and tuple of str
    """
    limits, left_out = [], []
    for row in standing.to_pylist():
        if row["estimate"] is None or row["limit_fish"] is None:
            reason = row["reason"] or "it has no estimate"
            left_out.append(f"limit {row['limit_id']} is not weighed: {reason}")
            continue
        limits.append(
            Limit(row["limit_id"], listed(row["areas"]), listed(row["quantity"]), row["limit_fish"])
        )
    return tuple(limits), tuple(left_out)


def passed_already(standing: pa.Table) -> dict[str, float | None]:
    """Return the chance that the total so far is over each limit.

    Parameters
    ----------
    standing : pyarrow.Table
        The bulletin's table of that name.

    Returns
    -------
    dict of str to float or None
    """
    return {row["limit_id"]: row["passed_prob"] for row in standing.to_pylist()}
