"""What has gone out: every publication of a store is kept, since no reader forgets one."""

from __future__ import annotations

import json
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np
from filelock import FileLock, Timeout

from analytics.data.store import sent
from analytics.errors import StoreError
from analytics.publishing.knowledge import Publication
from analytics.whole_files import replace_whole

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

#: Folder of a store that holds them; a store that is copied or restored without it forgets.
FOLDER = "published"
_VERSION = 1
_LOCK, _LOCK_SECONDS = "lock", 600.0


def publications(store: Path, season: str) -> list[Publication]:
    """Return the publications of a season in the order in which they went out.

    Raises
    ------
    StoreError
        If one of them cannot be read: without it nothing can be published safely.
    """
    found = [_read(path) for path in sorted((store / FOLDER).glob("[0-9]*.json"))]
    return [one for one in found if one.season == season]


@contextmanager
def one_at_a_time(store: Path) -> Iterator[None]:
    """Let no other process publish: each has to know what went out before it."""
    folder = store / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    try:
        with FileLock(folder / _LOCK, timeout=_LOCK_SECONDS):
            yield
    except Timeout as error:
        raise StoreError(
            f"another process is publishing from the store at {store}; wait for it and try again"
        ) from error


def keep(store: Path, publication: Publication, before: Iterable[Publication]) -> None:
    """Add a publication to those `before` it; its file is there whole or not at all.

    One that went out before as it is needs no second file.
    """
    if any(one.is_same(publication) for one in before):
        return
    folder = store / FOLDER
    last = max((int(path.stem) for path in folder.glob("[0-9]*.json")), default=0)
    content = {
        "version": _VERSION,
        "season": publication.season,
        "through": publication.through,
        "areas": [area for area, _ in publication.domains],
        "weeks": [week for _, week in publication.domains],
        "values": publication.values.tolist(),
        "boats": publication.boats.tolist(),
        "shown": publication.shown.tolist(),
    }
    replace_whole(folder / f"{last + 1:06d}.json", json.dumps(content).encode())
    sent(store, FOLDER)


def _read(path: Path) -> Publication:
    try:
        content: dict[str, Any] = json.loads(path.read_bytes())
        if content["version"] != _VERSION:
            raise StoreError(
                f"{path} was kept by a newer program (version {content['version']}; this one reads "
                f"{_VERSION}): update the program"
            )
        domains = tuple(zip(content["areas"], content["weeks"], strict=True))
        size = len(domains)
        return Publication(
            season=content["season"],
            through=content["through"],
            domains=domains,
            values=np.array(content["values"], dtype=float).reshape(size, -1),
            boats=np.array(content["boats"], dtype=np.int64).reshape(size),
            shown=np.array(content["shown"], dtype=bool).reshape(size),
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(
            f"{path} cannot be read: {error}; what went out earlier has to be known before more "
            "is published: restore the file from a copy of the store"
        ) from error
