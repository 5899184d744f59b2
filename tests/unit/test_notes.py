from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from analytics.bulletin.notes import LONGEST, add_note, notes
from analytics.errors import StoreError, UsageError
from analytics.whole_files import CARD_FILE, NOTES_FILE

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    (tmp_path / "b1").mkdir()
    (tmp_path / "b1" / CARD_FILE).write_text("{}")
    return tmp_path


def test_every_version_stays_and_the_last_stands(archive: Path) -> None:
    assert notes(archive, "b1") == []
    add_note(archive, "b1", " Storm on Saturday. ", author="R")
    add_note(archive, "b1", "Storm on Saturday and Sunday.\nRamp 3 closed.")
    kept = notes(archive, "b1")
    assert [one.text for one in kept] == [
        "Storm on Saturday.",
        "Storm on Saturday and Sunday.\nRamp 3 closed.",
    ]
    assert kept[0].author == "R"


def test_the_same_words_again_are_one_version(archive: Path) -> None:
    first = add_note(archive, "b1", "No change.")
    assert add_note(archive, "b1", "No change. ") == first
    assert len(notes(archive, "b1")) == 1


def test_foreign_text_comes_back_as_it_was(archive: Path) -> None:
    odd = "<script>alert(1)</script> \u202eright to left\u202c \N{FISH} #*_"
    add_note(archive, "b1", odd)
    assert notes(archive, "b1")[0].text == odd


def test_what_cannot_be_kept_is_refused(archive: Path) -> None:
    with pytest.raises(UsageError):
        add_note(archive, "b2", "no such bulletin")
    with pytest.raises(UsageError):
        add_note(archive, "../b1/..", "no such bulletin")
    with pytest.raises(UsageError):
        add_note(archive, "b1", "x" * (LONGEST + 1))
    assert notes(archive, "b1") == []


def test_no_changed_bit_is_read(archive: Path) -> None:
    add_note(archive, "b1", "Storm on Saturday.")
    add_note(archive, "b1", "Storm on Sunday.")
    file = archive / "b1" / NOTES_FILE
    written = file.read_bytes()
    changed = [
        written[:at] + bytes([written[at] ^ 1 << at % 8]) + written[at + 1 :]
        for at in range(len(written))
    ]
    for content in [*changed, written[: written.rindex(b"{")], b""]:
        file.write_bytes(content)
        with pytest.raises(StoreError, match="is damaged"):
            notes(archive, "b1")
        with pytest.raises(StoreError, match="is damaged"):
            add_note(archive, "b1", "another")
    assert file.read_bytes() == b""


def test_notes_of_an_old_program_are_read_and_sealed_with_the_next(archive: Path) -> None:
    old = {"text": "one", "author": "", "at_utc": "2031-02-01T08:00:00+00:00"}
    file = archive / "b1" / NOTES_FILE
    file.write_text(json.dumps(old) + "\n")
    assert [one.text for one in notes(archive, "b1")] == ["one"]
    add_note(archive, "b1", "two")
    assert [one.text for one in notes(archive, "b1")] == ["one", "two"]
    file.write_text(json.dumps(old | {"foreign": 1}) + "\n")
    with pytest.raises(StoreError, match="is damaged"):
        notes(archive, "b1")
