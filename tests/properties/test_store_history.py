"""The store against a plain model of it: any run of imports and withdrawals, at every version."""

from __future__ import annotations

import math
import tempfile
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.data import query
from analytics.data.schema import TABLES
from analytics.data.store import Store
from analytics.data.store import store as store_module
from tests.sizes import n_sized

NAME = "holding_trials"
Row = tuple[int, float | None, str | None]
CELL = st.tuples(
    st.integers(0, 2**62),
    st.none() | st.floats(allow_nan=False, allow_infinity=False),
    st.none() | st.text(max_size=5),
)
BATCH = st.dictionaries(st.sampled_from("abcd"), CELL, max_size=4)
STEPS = st.lists(st.one_of(BATCH, st.integers(0, 5)), min_size=1, max_size=6)


def as_table(batch: dict[str, Row]) -> pa.Table:
    """Return a batch as rows of holding trials with one extra column."""
    cells = list(batch.values())
    return pa.table(
        {
            "trial_id": pa.array(list(batch), pa.string()),
            "group": pa.array(["g"] * len(cells), pa.string()),
            "held": pa.array([c[0] for c in cells], pa.int64()),
            "died": pa.array([0] * len(cells), pa.int64()),
            "hours": pa.array([c[1] for c in cells], pa.float64()),
            "remark": pa.array([c[2] for c in cells], pa.string()),
        }
    )


def shown(layers: list[tuple[int, dict[str, Row]]]) -> dict[str, Row]:
    """Return the newest row of every key."""
    rows: dict[str, Row] = {}
    for _, layer in layers:
        rows |= layer
    return dict(sorted(rows.items()))


def read(store: Store, as_of: int) -> dict[str, Row]:
    """Return what the store shows at a version."""
    back = store.read(NAME, as_of=as_of)
    remarks: list[Any] = [None] * back.num_rows
    if "remark" in back.column_names:
        remarks = back["remark"].to_pylist()
    held, hours = back["held"].to_pylist(), back["hours"].to_pylist()
    return dict(
        zip(back["trial_id"].to_pylist(), zip(held, hours, remarks, strict=True), strict=True)
    )


def queried(store: Store, as_of: int) -> dict[str, Row]:
    """Return what a query over the files of the table finds at a version."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(store_module, "LARGE", (NAME,))
        snapshot = Store(store.path).snapshot(as_of)
        source = snapshot.files.get(NAME) or snapshot[NAME]
    is_there = bool(read(store, as_of))
    assert isinstance(source, query.ParquetRows) or not is_there
    found = query.run("SELECT * FROM t ORDER BY trial_id", {"t": source})
    assert found.schema == TABLES[NAME].arrow_schema
    for name in set(found.column_names) - query.gaps(source):
        assert found[name].null_count == 0
    columns = (found[name].to_pylist() for name in ("trial_id", "held", "hours"))
    return {key: (held, hours, None) for key, held, hours in zip(*columns, strict=True)}


def shown_of_contract(rows: dict[str, Row]) -> dict[str, Row]:
    """Return rows without their extra column."""
    return {key: (held, hours, None) for key, (held, hours, _) in rows.items()}


def bits(rows: dict[str, Row]) -> list[Any]:
    """Return rows so that equality means equal to the last bit, but for the sign of zero."""
    return [
        (key, held, None if hours is None else math.frexp(hours), remark)
        for key, (held, hours, remark) in rows.items()
    ]


@settings(max_examples=n_sized(10, 25))
@given(steps=STEPS)
def test_every_version_shows_what_the_model_shows(steps: list[dict[str, Row] | int]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        store = Store(Path(folder) / "s")
        store.add({NAME: TABLES[NAME].arrow_schema.empty_table()})
        layers: list[tuple[int, dict[str, Row]]] = []
        versions: list[dict[str, Row]] = [{}]
        for step in steps:
            if isinstance(step, int):
                if not layers:
                    continue
                number, _ = layers.pop(step % len(layers))
                store.withdraw(f"b{number:04d}")
            else:
                before = shown(layers)
                fresh = {k: row for k, row in step.items() if before.get(k) != row}
                receipt = store.add({NAME: as_table(step)})
                assert (receipt.batch is None) == (not fresh)
                if not fresh:
                    continue
                layers.append((receipt.version, fresh))
            versions.append(shown(layers))
        assert store.version == len(versions) - 1
        for version, expected in enumerate(versions):
            assert bits(read(store, version)) == bits(expected)
            assert bits(queried(store, version)) == bits(shown_of_contract(expected))


@settings(max_examples=n_sized(8, 15))
@given(batch=BATCH, cut=st.integers(0, 4))
def test_the_same_content_has_the_same_key_whatever_its_history(
    batch: dict[str, Row], cut: int
) -> None:
    names = list(batch)
    with tempfile.TemporaryDirectory() as folder:
        one, two = Store(Path(folder) / "one"), Store(Path(folder) / "two")
        one.add({NAME: as_table(batch)})
        for part in (names[cut:], names[:cut]):
            two.add({NAME: as_table({k: batch[k] for k in reversed(part)})})
        if names:
            two.add({NAME: as_table({names[0]: (7, None, "slip")})})
            two.add({NAME: as_table(batch)})
        assert one.snapshot().key == two.snapshot().key
