"""``verify`` and ``maintain``: whether a store is whole, and keeping it small."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from analytics.cli.terminal import STORE, examples, progress, say
from analytics.errors import StoreError

if TYPE_CHECKING:
    from pathlib import Path

#: Files of one harmless kind that are listed by name.
_LISTED = 20


@click.command(
    short_help="Read every file of a store against its checksum.",
    epilog=examples("blackmouth verify --store mystore"),
)
@STORE
def verify(store: Path) -> None:
    """Read every file of a store against its checksum.

    Exit status 0: every file is as it was written. What a killed import left is listed; nothing
    reads it, and `maintain` removes it. Exit status 1: each file that is damaged, missing or
    foreign is named. Files written before checksums were kept are read through, and said to have
    none; `maintain` adds them. Writers may go on meanwhile.
    """
    from itertools import groupby  # noqa: PLC0415 - keeps --help quick

    from analytics.codes import coded, sentences  # noqa: PLC0415
    from analytics.data.store import Store, fresh_copy, verify_store  # noqa: PLC0415
    from analytics.findings import number_of  # noqa: PLC0415

    target = Store(store)
    if not target.exists:
        target.batches()  # says what is there
    progress("reading every file")
    with fresh_copy(target.path) as folder:
        found = verify_store(folder)
    for _, alike in groupby(found.seen, key=lambda one: one.kind):
        files = list(alike)
        shown = files if files[0].is_fault else files[:_LISTED]
        for one in shown:
            say(sentences(coded(one.kind, file=one.file)))
        if len(files) > len(shown):
            say(f"and {len(files) - len(shown):,} more files of that kind")
    sound = number_of(found.n_sound, "file")
    if not found.is_sound:
        n_bad = number_of(sum(one.is_fault for one in found.seen), "file")
        raise StoreError(
            f"{store} is not sound: {n_bad} damaged, missing or foreign; {sound} sound"
        )
    say(f"{store} is sound: {sound} as written, version {target.version}")


@click.command(
    short_help="Put small files of a store together and clean up.",
    epilog=examples("blackmouth maintain --store mystore"),
)
@STORE
def maintain(store: Path) -> None:
    """Put small files together, make checkpoints, add missing checksums, remove leftovers.

    No row goes: every version and every kept bulletin stays as it is. Files that others took the
    place of stay until the next `maintain`, for whoever is reading; of a store on a URL, for a week
    at least. Refused where a file is damaged, missing or foreign, but for cached entries, which are
    made anew when needed.
    """
    from analytics.data.store import Store, maintain_store  # noqa: PLC0415 - keeps --help quick

    target = Store(store)
    if not target.exists:
        target.batches()  # says what is there
    done = maintain_store(target, progress=progress)
    say(
        f"maintained {store}: {done.n_before:,} files of the tables are now {done.n_after:,}; "
        f"{done.n_sums:,} checksums added; {done.n_removed:,} files removed; "
        f"version {target.version}, as before"
    )
