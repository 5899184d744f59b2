"""The store behind the pages: where data go in and bulletins are made; none for the public."""

from __future__ import annotations

import os
from pathlib import Path

from analytics.data.store import Store
from analytics.errors import StoreError
from analytics.people import Action
from analytics.whole_files import DESK, writing_allowed
from dashboard import people

STORE_VARIABLE = "BLACKMOUTH_STORE"


def store_path() -> Path | None:
    """Return the path of the store that the environment names; None where none is named."""
    named = os.environ.get(STORE_VARIABLE, "").strip()
    return Path(named) if named else None


def store() -> Store | None:
    """Return the store that pages may write, which need not exist yet; None where none is named.

    It asks for a person who may see it; each step with it asks for what it does.

    Raises
    ------
    NotAStoreError
        If the path named is not that of a store.
    """
    people.require(Action.SEE_STORE)
    path = store_path()
    return Store(path) if path else None


def desk(part: str) -> Path:
    """Return a folder of the store for one kind of work under way, made where it is not there.

    It asks for a person who may see the store.

    Raises
    ------
    StoreError
        If no store is named or the folder cannot be made.
    """
    people.require(Action.SEE_STORE)
    return desk_folder(part)


def desk_folder(part: str) -> Path:
    """Return the same folder without asking who is there; for what keeps the typing of a login."""
    path = store_path()
    if path is None:
        raise StoreError("no store is open; start the dashboard with `blackmouth open --store DIR`")
    folder = path / DESK / part
    try:
        with writing_allowed(path):
            folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(f"the folder {folder} cannot be made: {error.strerror}") from error
    return folder
