"""The record of what went out: each publication in its order, and none read that was changed."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.data.store import Store, verify_store
from analytics.errors import StoreError
from analytics.publishing import record
from analytics.publishing.knowledge import Publication
from tests.store_faults import filled_store


def publication(value: float) -> Publication:
    return Publication(
        season="2030-31",
        through="2031-W05",
        domains=(("A", None), (None, None)),
        values=np.full((2, 6), value),
        boats=np.array([4, 4]),
        shown=np.array([True, False]),
    )


@pytest.fixture
def store(tmp_path):
    path = filled_store(tmp_path / "s")
    with record.one_at_a_time(path):
        for value in (1.0, 2.0, 2.0, 3.0):
            record.keep(path, publication(value), record.publications(path, "2030-31"))
    return path


def files_of(store):
    return sorted((store / record.FOLDER).glob("*.json"))


def test_publications_are_kept_in_their_order_and_alike_ones_once(store):
    found = record.publications(store, "2030-31")
    assert [one.values[0, 0] for one in found] == [1.0, 2.0, 3.0]
    assert record.publications(store, "2031-32") == []
    assert not verify_store(store).seen


@pytest.mark.parametrize("at", [0, 1, 2])
def test_a_changed_publication_is_named_and_refused(store, at):
    file = files_of(store)[at]
    data = bytearray(file.read_bytes())
    data[-30] ^= 1
    file.write_bytes(bytes(data))
    assert f"published/{file.name}" in {
        one.file for one in verify_store(store).seen if one.is_fault
    }
    with pytest.raises(StoreError, match=file.name):
        record.publications(store, "2030-31")


@pytest.mark.parametrize("at", [0, 1])
def test_a_missing_publication_is_named_and_refused(store, at):
    file = files_of(store)[at]
    file.unlink()
    assert f"published/{file.name}" in {
        one.file for one in verify_store(store).seen if one.is_fault
    }
    with pytest.raises(StoreError, match=file.name):
        record.publications(store, "2030-31")


def test_a_foreign_file_is_named(store):
    (store / record.FOLDER / "other.json").write_text("{}")
    assert [one.file for one in verify_store(store).seen] == ["published/other.json"]
    assert Store(store).version
