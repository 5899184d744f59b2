"""What has gone out, kept since no reader forgets it, and what the public can know from all of it.

A week's figure that two publications give alike is one unknown; one that was revised is two. A
figure of the season so far is one of each publication. Sums tie them: areas to all areas, weeks to
the season, in every publication.

A publication is a file whose name has its place and the hash of its content, and the content names
the files before it. The history of the store names the last: what was changed or is gone, the whole
folder included, is refused.
"""

from __future__ import annotations

import base64
import io
import json
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from filelock import FileLock, Timeout
from scipy.sparse import csr_array

from analytics import whole_files
from analytics.data.store import LAST_PUBLISHED, last_published, name_published, sent
from analytics.errors import StoreError
from analytics.whole_files import PUBLISHED, replace_whole

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from analytics.arrays import Bools, Floats, Ints


#: Area and week of a figure; None for all areas, and for the season so far.
Domain = tuple[str | None, str | None]

#: Boats that a published figure rests on at least (shared by fisheries as the rule of three; that
#: it holds for boats of anglers is our choice).
FEWEST_BOATS = 3
#: Relative difference under which a figure was not revised.
_ALIKE = 1e-9


def are_alike(one: Floats, other: Floats) -> bool:
    """Whether figures are the same but for rounding."""
    return np.allclose(one, other, rtol=_ALIKE, atol=0)


def without_rounding(sums: Floats, terms: Floats) -> Floats:
    """Return sums with 0 where next to nothing is left of the terms that went into their column."""
    largest = np.abs(terms).max(axis=0, initial=0.0)
    return np.where(np.abs(sums) < _ALIKE * largest, 0.0, sums)


@dataclass(frozen=True, slots=True, eq=False)
class CellState:
    """What the figures of a domain stand on, and how they went out.

    Parameters
    ----------
    boats : pyarrow.Table
        Of an area and week, one row a boat that counts: ``sample_id``, its numbers ``y0``, ``y1``,
        … by atom, null where it gave none, and what its site-day adds to the figure, ``c0``, ….
    rows : list of dict
        Result rows of the published quantities.
    """

    boats: pa.Table
    rows: list[dict[str, Any]]


@dataclass(frozen=True, slots=True, eq=False)
class Publication:
    """One publication of a season, with what it withheld.

    Parameters
    ----------
    season, through : str
        Season, and the last ISO week in it.
    domains : tuple of (area or None, week or None), length D
    values : ndarray of float, shape (D, K)
        Totals that add up, as `analytics.publishing.totals.ATOMS`; of partial domains too.
    boats : ndarray of int, shape (D,)
        Interviewed boats that a domain rests on, donors' boats where it is imputed.
    shown : ndarray of bool, shape (D,)
        Domains whose figures went out.
    states : mapping of (area or None, week or None) to CellState, optional
        Of domains whose figures no publication before had so; None: an older program published and
        kept none.
    """

    season: str
    through: str
    domains: tuple[Domain, ...]
    values: Floats
    boats: Ints
    shown: Bools
    states: Mapping[Domain, CellState] | None = None

    @property
    def is_sensitive(self) -> Bools:
        """Domains that rest on too few boats; none seen and nothing estimated tells of nobody."""
        few = (self.boats > 0) & (self.boats < FEWEST_BOATS)
        found: Bools = few | ((self.boats == 0) & (self.values != 0).any(axis=1))
        return found

    def is_same(self, other: Publication) -> bool:
        """Whether another publication is of the same figures on the same boats."""
        return (
            (self.season, self.through, self.domains)
            == (other.season, other.through, other.domains)
            and np.array_equal(self.boats, other.boats)
            and are_alike(self.values, other.values)
        )


@dataclass(frozen=True, slots=True, eq=False)
class Knowledge:
    """V unknowns with K values each, what ties them, and what earlier publications gave away.

    `variable` (D,): the unknown of each domain of the publication in hand. `known` (V,): given in
    an earlier publication. `is_sensitive` (V,): on too few boats. `sums`: one (R, V) for each of
    the K values, whose rows come to 0: a margin less what it is the sum of, and a figure less the
    same figure of another publication, where only other values of the domain were revised.
    """

    variable: Ints
    values: Floats
    known: Bools
    is_sensitive: Bools
    sums: tuple[csr_array, ...]


def knowledge(now: Publication, before: Sequence[Publication]) -> Knowledge:
    """Return what the public can know of a publication and of those before it."""
    found: dict[Domain, list[int]] = {}
    values: list[Floats] = []
    known: set[int] = set()
    sensitive: set[int] = set()
    lines: dict[tuple[tuple[int, float], ...], None] = {}
    variable: dict[Domain, int] = {}
    for one in (*before, now):
        variable = {}
        for domain, row in zip(one.domains, one.values, strict=True):
            # That the season so far did not change would tell that a withheld week holds nothing.
            if domain[1] is None:
                found.pop(domain, None)
            variable[domain] = _unknown(domain, row, found, values)
        place = np.array([variable[domain] for domain in one.domains], dtype=np.int64)
        sensitive |= set(place[one.is_sensitive].tolist())
        if one is not now:
            known |= set(place[one.shown].tolist())
        lines |= dict.fromkeys(_lines(variable))
    size, n_values = len(values), now.values.shape[1]
    every = np.array(values, dtype=float).reshape(size, n_values)
    return Knowledge(
        variable=np.array([variable[domain] for domain in now.domains], dtype=np.int64),
        values=every,
        known=np.isin(np.arange(size), list(known)),
        is_sensitive=np.isin(np.arange(size), list(sensitive)),
        sums=tuple(
            sparse_rows([*lines, *_alike(found, every[:, value])], size)
            for value in range(n_values)
        ),
    )


def _unknown(
    domain: Domain, row: Floats, found: dict[Domain, list[int]], values: list[Floats]
) -> int:
    """Return the unknown of a domain's figures, a new one where they were revised."""
    mine = found.setdefault(domain, [])
    for one in mine:
        if are_alike(values[one], row):
            return one
    mine.append(len(values))
    values.append(np.asarray(row, dtype=float))
    return mine[-1]


def _alike(found: dict[Domain, list[int]], value: Floats) -> list[tuple[tuple[int, float], ...]]:
    """Return each unknown less the one before it of its domain that has the same value."""
    lines: list[tuple[tuple[int, float], ...]] = []
    for mine in found.values():
        for at, one in enumerate(mine):
            same = (
                other
                for other in reversed(mine[:at])
                if np.isclose(value[other], value[one], rtol=_ALIKE, atol=0)
            )
            other = next(same, None)
            if other is not None:
                lines.append(((one, 1.0), (other, -1.0)))
    return lines


def _lines(variable: dict[Domain, int]) -> list[tuple[tuple[int, float], ...]]:
    """Return every sum of a publication, the margin first."""
    parts: dict[Domain, list[list[int]]] = {}
    by_area: dict[Domain, list[int]] = {}
    by_week: dict[Domain, list[int]] = {}
    for (area, week), place in variable.items():
        if area is not None:
            by_area.setdefault((None, week), []).append(place)
        if week is not None:
            by_week.setdefault((area, None), []).append(place)
    for group in (by_area, by_week):
        for margin, cells in group.items():
            parts.setdefault(margin, []).append(sorted(cells))
    return [
        ((variable[margin], 1.0), *((cell, -1.0) for cell in cells))
        for margin, groups in parts.items()
        if margin in variable
        for cells in groups
    ]


def sparse_rows(lines: Sequence[Collection[tuple[int, float]]], size: int) -> csr_array:
    """Return the matrix (lines, `size`) of lines that each give places and their numbers."""
    row = [at for at, line in enumerate(lines) for _ in line]
    column = [place for line in lines for place, _ in line]
    sign = [one for line in lines for _, one in line]
    return csr_array((sign, (row, column)), shape=(len(lines), size))


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
