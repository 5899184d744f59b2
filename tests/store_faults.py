"""A small store with something in every part, and faults put into copies of it."""

from __future__ import annotations

import random
import shutil
from datetime import date
from pathlib import Path

import pyarrow as pa

from analytics import whole_files
from analytics.bulletin import archive
from analytics.bulletin.archive import Bulletin, BulletinMetadata
from analytics.data.kept import Kept
from analytics.data.schema import TABLES
from analytics.data.store import Store, verify_store
from analytics.errors import StoreError

CARD = BulletinMetadata("one", "2030-31", "2031-W05", 2, "key", 0.95, "2031-02-10", "0", False)


def write_card(path: Path, text: str) -> None:
    """Write another card for a kept bulletin, and the checksums of what is there then."""
    path.write_text(text)
    names = set(whole_files.files_under(path.parent)) - {whole_files.SUMS}
    whole_files.write_sums(path.parent, names)


def filled_store(path: Path) -> Path:
    """Make a store with several batches, a withdrawal, a kept bulletin and a kept entry."""
    store = Store(path)
    for step in range(4):
        store.add(
            {
                "areas": pa.table({"area": ["a", f"b{step}"], "area_name": [f"A{step}", "B"]}),
                "holidays": pa.table({"date": [date(2031, 1, 1 + step)], "holiday": ["x"]}),
                "interviews": pa.table(
                    {"interview_id": [f"{step}-{k}" for k in range(40)], "kept": list(range(40))}
                ),
            },
            sources=["areas.csv"],
            who="ada",
        )
    store.withdraw("b0003", who="ben", reason="twice")
    tables = {name: archive.TABLE_SCHEMAS[name].empty_table() for name in archive.FIRST_TABLES}
    archive.save(archive.archive_of(path), Bulletin(CARD, **tables))
    Kept(path).table("one", "key", lambda: pa.table({"a": [1.0, 2.0]}))
    return path


def state_of(path: Path) -> list[object]:
    """Return what commands would read of a store: every table at every version, and a bulletin."""
    store = Store(path)
    found: list[object] = [
        store.read(name, version).to_pylist()
        for version in range(store.version + 1)
        for name in TABLES
    ]
    bulletin = archive.load(archive.archive_of(path), "one")
    return [*found, store.batches(), bulletin.card, bulletin.rows.to_pylist()]


def flipped(whole: Path, scratch: Path, *, n: int, seed: int) -> list[str]:
    """Flip single bits all over copies of a store; return those that were silent or not named.

    Every file is met as often as any other, at a byte drawn at random. A flip is named where
    `verify` names its file; it is silent where what is read differs and nothing was refused.
    """
    rng = random.Random(seed)
    before = state_of(whole)
    files = [one for one in whole_files.files_under(whole) if (whole / one).stat().st_size]
    chosen = [rng.choice(files) for _ in range(n)]
    wrong = []
    copy = Path(shutil.copytree(whole, scratch / "flipped"))
    for name in chosen:
        content = (copy / name).read_bytes()
        at, bit = rng.randrange(len(content)), 1 << rng.randrange(8)
        (copy / name).write_bytes(content[:at] + bytes([content[at] ^ bit]) + content[at + 1 :])
        try:
            faults = {one.file for one in verify_store(copy).seen if one.is_fault}
        except StoreError as error:
            faults = {name} if name in str(error) else set()
        if name not in faults:
            wrong.append(f"{name} at {at}, bit {bit}: verify named {sorted(faults)}")
        try:
            if state_of(copy) != before:
                wrong.append(f"{name} at {at}, bit {bit}: read in silence")
        except StoreError:
            pass
        (copy / name).write_bytes(content)
    return wrong
