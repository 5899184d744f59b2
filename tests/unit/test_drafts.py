"""Drafts: kept whole, never over what another tab wrote, never lost with a damaged file."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import pytest

from analytics.errors import StoreError
from dashboard.forms import drafts

if TYPE_CHECKING:
    from pathlib import Path

NAME = "0123456789ab"


def test_a_draft_comes_back_as_it_was(tmp_path: Path):
    content = {"first": {"site_day": [{"site": "<b> \u202e \U0001f41f"}]}}
    saved = drafts.save(tmp_path, NAME, content, revision=0)
    assert drafts.load(tmp_path, NAME) == saved
    assert drafts.listed(tmp_path) == ([saved], [])
    assert [path.name for path in tmp_path.glob("*.tmp")] == []


def test_the_later_of_two_tabs_is_told(tmp_path: Path):
    first = drafts.save(tmp_path, NAME, {"n": 1}, revision=0)
    drafts.save(tmp_path, NAME, {"n": 2}, revision=first.revision)
    with pytest.raises(drafts.DraftChanged) as told:
        drafts.save(tmp_path, NAME, {"n": 3}, revision=first.revision)
    assert told.value.current is not None
    assert told.value.current.content == {"n": 2}
    assert drafts.load(tmp_path, NAME).content == {"n": 2}
    with pytest.raises(drafts.DraftChanged):
        drafts.remove(tmp_path, NAME, revision=first.revision)
    drafts.remove(tmp_path, NAME, revision=2)
    with pytest.raises(drafts.DraftChanged) as gone:
        drafts.save(tmp_path, NAME, {"n": 3}, revision=2)
    assert gone.value.current is None
    drafts.remove(tmp_path, NAME, revision=2)  # gone already


def test_of_many_writers_at_once_one_wins(tmp_path: Path):
    def write(n: int) -> bool:
        try:
            drafts.save(tmp_path, NAME, {"n": n}, revision=0)
        except drafts.DraftChanged:
            return False
        return True

    with ThreadPoolExecutor(8) as pool:
        won = list(pool.map(write, range(16)))
    assert won.count(True) == 1
    assert drafts.load(tmp_path, NAME).content == {"n": won.index(True)}


@pytest.mark.parametrize("name", ["../../x", "a" * 12 + ".", "", "0123456789AB", "x" * 300])
def test_a_link_leads_to_no_other_file(tmp_path: Path, name: str):
    with pytest.raises(StoreError, match="names no draft"):
        drafts.load(tmp_path, name)
    with pytest.raises(StoreError, match="names no draft"):
        drafts.save(tmp_path, name, {}, revision=0)


@pytest.mark.parametrize("text", ["", "{", "[]", '{"revision": "x"}', '{"revision": 1}'])
def test_a_damaged_draft_is_named_and_left(tmp_path: Path, text: str):
    path = tmp_path / f"{NAME}.json"
    path.write_text(text)
    assert drafts.listed(tmp_path) == ([], [path.name])
    with pytest.raises(StoreError, match="is damaged"):
        drafts.save(tmp_path, NAME, {}, revision=1)
    assert path.read_text() == text


def test_no_changed_bit_of_a_draft_is_read(tmp_path: Path):
    drafts.save(tmp_path, NAME, {"site_day": [{"boats": "12"}]}, revision=0)
    path = tmp_path / f"{NAME}.json"
    written = path.read_bytes()
    for at in range(len(written)):
        path.write_bytes(written[:at] + bytes([written[at] ^ 1 << at % 8]) + written[at + 1 :])
        assert drafts.listed(tmp_path) == ([], [path.name]), at
    path.write_bytes(written[: written.index(b"\n") + 1])
    assert drafts.listed(tmp_path) == ([], [path.name])


def test_a_draft_of_an_old_program_is_read(tmp_path: Path):
    old = '{"name": "x", "revision": 3, "saved_utc": "2031-02-01", "content": {"n": 1}}'
    (tmp_path / f"{NAME}.json").write_text(old)
    assert drafts.load(tmp_path, NAME).content == {"n": 1}
    drafts.save(tmp_path, NAME, {"n": 2}, revision=3)
    assert drafts.load(tmp_path, NAME).revision == 4


def test_a_full_disk_leaves_the_draft_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    drafts.save(tmp_path, NAME, {"n": 1}, revision=0)

    def full(_: int) -> None:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StoreError, match="No space left"):
        drafts.save(tmp_path, NAME, {"n": 2}, revision=1)
    assert drafts.load(tmp_path, NAME).content == {"n": 1}
    assert list(tmp_path.glob("*.tmp")) == []
