"""What a standing was in the bulletin before: estimates are revised, and a reader should see it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyarrow as pa

from analytics.bulletin.standing.tables import STANDING_SCHEMA

if TYPE_CHECKING:
    from collections.abc import Mapping


def with_previous(
    tables: Mapping[str, pa.Table], earlier: Mapping[str, pa.Table]
) -> dict[str, pa.Table]:
    """Return the tables of standing with each limit's estimate and last day of the bulletin before.

    Parameters
    ----------
    tables, earlier : mapping of str to pyarrow.Table
        In `STANDING_SCHEMAS`; of the bulletin before, empty where it kept none.

    Returns
    -------
    dict of str to pyarrow.Table
        The same tables; a limit that is new, or whose areas or quantity were others, has null.
    """
    if "standing" not in tables or "standing" not in earlier:
        return dict(tables)
    names = ("limit_id", "areas", "quantity")
    known = {tuple(row[name] for name in names): row for row in earlier["standing"].to_pylist()}
    rows = []
    for row in tables["standing"].to_pylist():
        before = known.get(tuple(row[name] for name in names), {})
        row["previous_estimate"] = before.get("estimate")
        row["previous_through"] = before.get("through")
        rows.append(row)
    return dict(tables) | {"standing": pa.Table.from_pylist(rows, schema=STANDING_SCHEMA)}
