"""The record of what went out: each publication in its order, and none read that was changed."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest
from click.testing import CliRunner

from analytics import whole_files
from analytics.cli.store_commands import publish
from analytics.data.store import LAST_PUBLISHED, Store, last_published, name_published, verify_store
from analytics.errors import StoreError, UsageError
from analytics.publishing import publications
from analytics.publishing.publications import Publication
from analytics.whole_files import PUBLISHED
from tests.store_faults import filled_store


def publication(value: float) -> Publication:
    return Publication(
        season="2030-31",
        through="2031-W05",
        domains=(("A", None), (None, None)),
        values=np.full((2, 6), value),
        boats=np.array([4, 4]),
        shown=np.array([True, False]),
        states={},
    )


@pytest.fixture
def store(tmp_path):
    path = filled_store(tmp_path / "s")
    with publications.one_at_a_time(path):
        for value in (1.0, 2.0, 2.0, 3.0):
            publications.keep(path, publication(value), publications.publications(path, "2030-31"))
    return path


def files_of(store):
    return sorted((store / PUBLISHED).glob("*.json"))


def test_publications_are_kept_in_their_order_and_alike_ones_once(store):
    found = publications.publications(store, "2030-31")
    assert [one.values[0, 0] for one in found] == [1.0, 2.0, 3.0]
    assert publications.publications(store, "2031-32") == []
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
        publications.publications(store, "2030-31")


@pytest.mark.parametrize("at", [0, 1, 2])
def test_a_missing_publication_is_named_and_refused(store, at):
    file = files_of(store)[at]
    file.unlink()
    assert f"published/{file.name}" in {
        one.file for one in verify_store(store).seen if one.is_fault
    }
    with pytest.raises(StoreError, match=file.name):
        publications.publications(store, "2030-31")


def test_a_foreign_file_is_named(store):
    (store / PUBLISHED / "other.json").write_text("{}")
    assert [one.file for one in verify_store(store).seen] == ["published/other.json"]
    assert Store(store).version


def test_the_loss_of_all_publications_is_noticed(store):
    shutil.rmtree(store / PUBLISHED)
    with publications.one_at_a_time(store), pytest.raises(StoreError, match="restore"):
        publications.publications(store, "2030-31")
    assert [one.is_fault for one in verify_store(store).seen] == [True]
    (store / LAST_PUBLISHED).unlink()  # what the refusal says where no copy is left
    assert publications.publications(store, "2030-31") == []
    assert not verify_store(store).seen


def test_what_names_the_newest_publication_is_checked(store):
    (store / LAST_PUBLISHED).write_text("000001")
    assert LAST_PUBLISHED in {one.file for one in verify_store(store).seen if one.is_fault}
    with pytest.raises(StoreError, match="PUBLISHED"):
        publications.publications(store, "2030-31")


def test_a_store_of_an_older_program_names_its_newest_publication_when_it_publishes(store):
    (store / LAST_PUBLISHED).unlink()
    before = publications.publications(store, "2030-31")
    publications.keep(store, publication(3.0), before)
    assert last_published(store) == files_of(store)[-1].name


def test_nothing_is_published_into_the_store(store, monkeypatch):
    (store.parent / "other").mkdir()
    (store.parent / "link").symlink_to(store)
    monkeypatch.chdir(store)
    for inside in ("public", "desk/public", "../other/../s/public", "."):
        for place in (store / inside, store.parent / "link" / inside, inside):
            done = CliRunner().invoke(publish, ["--store", str(store), "--out", str(place)])
            assert isinstance(done.exception, UsageError)
    assert not list(store.rglob("figures.csv"))


def test_what_an_older_program_published_is_read_and_says_nothing_of_boats(store):
    file = files_of(store)[-1]
    content = json.loads(file.read_bytes())
    del content["states"]
    data = json.dumps(content | {"version": 1}).encode()
    file.unlink()
    name = f"{file.name[:6]}-{whole_files.digits_of(data)}.json"
    (store / PUBLISHED / name).write_bytes(data)
    name_published(store, name)
    found = publications.publications(store, "2030-31")
    assert [one.states for one in found] == [{}, {}, None]
    assert found[-1].is_same(publication(3.0))
    publications.keep(store, publication(3.0), found)  # now with the boats behind it
    assert [one.states for one in publications.publications(store, "2030-31")] == [{}, {}, None, {}]
