"""What has gone out: every publication of a store is kept, since no reader forgets one.

A file's name has its place and the hash of its content, and the content names the files before it.
The history of the store names the last: what was changed or is gone, the whole folder included, is
refused.
"""

from __future__ import annotations

import base64
import io
import json
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from filelock import FileLock, Timeout

from analytics import whole_files
from analytics.data.store import LAST_PUBLISHED, last_published, name_published, sent
from analytics.errors import StoreError
from analytics.publishing.knowledge import CellState, Publication
from analytics.store_layout import PUBLISHED
from analytics.whole_files import replace_whole

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from analytics.publishing.knowledge import Domain

#: Version of a file; files of version 1 say nothing of the boats behind figures.
_VERSION, _WITHOUT_BOATS = 2, 1
_LOCK, _LOCK_SECONDS = "lock", 600.0
_RESTORE = (
    "what went out earlier has to be known before more is published: restore the file from a copy "
    "of the store"
)


def publications(store: Path, season: str) -> list[Publication]:
    """Return the publications of a season in the order in which they went out.

    Raises
    ------
    StoreError
        If one of them cannot be read or is gone: without it nothing can be published safely.
    """
    folder = store / PUBLISHED
    contents = [_content(folder / name) for name in _names(folder)]
    named = {one for content in contents for one in content["before"]}
    last = last_published(store)
    if last and not contents:
        raise StoreError(
            f"{folder} is empty, and {last} went out from this store; what went out earlier has to "
            "be known before more is published: restore the folder from a copy of the store; only "
            f"where no copy is left remove {store / LAST_PUBLISHED}: nothing is then protected "
            "from what readers already have"
        )
    for name in sorted(named | {last}):
        if name and not (folder / name).exists():
            raise StoreError(f"{folder / name} is missing; {_RESTORE}")
    found = [_publication(one) for one in contents]
    return [one for one in found if one.season == season]


@contextmanager
def one_at_a_time(store: Path) -> Iterator[None]:
    """Let no other process publish: each has to know what went out before it."""
    folder = store / PUBLISHED
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

    One that went out before as it is needs no second file, unless an older program kept it.
    """
    folder = store / PUBLISHED
    names = _names(folder)
    if any(one.is_same(publication) and one.states is not None for one in before):
        if last_published(store) != names[-1]:
            name_published(store, names[-1])  # an older program wrote it
        return
    content = {
        "version": _VERSION,
        "before": names,
        "season": publication.season,
        "through": publication.through,
        "areas": [area for area, _ in publication.domains],
        "weeks": [week for _, week in publication.domains],
        "values": publication.values.tolist(),
        "boats": publication.boats.tolist(),
        "shown": publication.shown.tolist(),
        "states": _packed(publication.states),
    }
    data = json.dumps(content).encode()
    last = max((int(name[:6]) for name in names), default=0)
    name = f"{last + 1:06d}-{whole_files.digits_of(data)}.json"
    replace_whole(folder / name, data)
    sent(store, PUBLISHED)
    name_published(store, name)


def _names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.glob("[0-9]*.json"))


def _content(path: Path) -> dict[str, Any]:
    try:
        data = path.read_bytes()
        if path.stem.partition("-")[2] != whole_files.digits_of(data):
            raise ValueError("it is not as it was written")
        content: dict[str, Any] = json.loads(data)
        version = content["version"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(f"{path} cannot be read: {error}; {_RESTORE}") from error
    if version not in (_VERSION, _WITHOUT_BOATS):
        raise StoreError(
            f"{path} was kept by a newer program (version {version}; this one reads up to "
            f"{_VERSION}): update the program"
        )
    return content


def _publication(content: dict[str, Any]) -> Publication:
    domains = tuple(zip(content["areas"], content["weeks"], strict=True))
    size = len(domains)
    return Publication(
        season=content["season"],
        through=content["through"],
        domains=domains,
        values=np.array(content["values"], dtype=float).reshape(size, -1),
        boats=np.array(content["boats"], dtype=np.int64).reshape(size),
        shown=np.array(content["shown"], dtype=bool).reshape(size),
        states=_states(content.get("states")),
    )


def _packed(states: Mapping[Domain, CellState] | None) -> dict[str, Any] | None:
    """Return states as JSON holds them: their boats as one Parquet file in base 64."""
    if not states:
        return None if states is None else {"domains": [], "rows": [], "n_boats": [], "boats": ""}
    file = io.BytesIO()
    pq.write_table(pa.concat_tables([one.boats for one in states.values()]), file)
    return {
        "domains": list(states),
        "rows": [one.rows for one in states.values()],
        "n_boats": [one.boats.num_rows for one in states.values()],
        "boats": base64.b64encode(file.getvalue()).decode(),
    }


def _states(packed: dict[str, Any] | None) -> dict[Domain, CellState] | None:
    if not packed or not packed["domains"]:
        return None if packed is None else {}
    found: dict[Domain, CellState] = {}
    at, boats = 0, pq.read_table(io.BytesIO(base64.b64decode(packed["boats"])))
    for (area, week), rows, n_boats in zip(
        packed["domains"], packed["rows"], packed["n_boats"], strict=True
    ):
        found[area, week] = CellState(boats.slice(at, n_boats), rows)
        at += n_boats
    return found
