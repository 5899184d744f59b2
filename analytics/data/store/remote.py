"""A store on an object-store URL: a copy of its files on this machine, kept up to date.

Everything is read from the copy, which has the files byte for byte, so that figures are those of a
store in a folder. What a step of a store writes goes to the URL by the Delta library, whose commit
succeeds only where no other came first; the copy then fetches it. Names and keys are read from the
usual environment variables (``AWS_ENDPOINT_URL``, ``AWS_ACCESS_KEY_ID``, ...).
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, TypeAlias
from urllib.parse import urlsplit

import platformdirs

from analytics.errors import StoreError, UsageError
from analytics.whole_files import (
    BULLETINS,
    CARD_FILE,
    DELTA_LOG,
    DESK,
    EVENTS,
    PUBLISHED,
    replace_whole,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pyarrow as pa
    from pyarrow import fs

#: An object as a listing shows it, and a file of the copy when it was fetched: size and time.
Stamp: TypeAlias = tuple[int, int]

_URL = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:/+")
_SCHEME = "s3"
_EXAMPLE = "s3://BUCKET/NAME"
#: Beside a copy: which URL it is of, what of it was fetched, and who fetches.
_MARK, _INDEX, _LOCK, _COPY = "object-store.json", "fetched.json", "fetching.lock", "store"
#: Folders of a store that stay on this machine: work under way, and what is only kept for speed.
HERE_ALONE = (DESK, "kept")
#: Folders whose files are whole once their last is there, and are sent as they are.
WHOLE = (BULLETINS, PUBLISHED)
_AT_ONCE, _SECONDS, _ATTEMPTS = 8, 10, 3
#: Seconds for which a listing counts as new, where only reading asks (our choice, no source).
FRESH_SECONDS = 5.0
_LAST = "_last_checkpoint"
#: What the object store answers, and what it means.
_NO_BUCKET = "there is no bucket of this name; make it, or correct the name"
_ANSWERS = {
    "NO_SUCH_BUCKET": _NO_BUCKET,
    "ACCESS_DENIED": "it refuses the key; look at AWS_ACCESS_KEY_ID and the rights of the key",
    "INVALID_ACCESS_KEY_ID": "it does not know the key; look at AWS_ACCESS_KEY_ID",
    "SIGNATURE_DOES_NOT_MATCH": "it refuses the key; look at AWS_SECRET_ACCESS_KEY",
    "INVALID_SIGNATURE": "it refuses the key; look at AWS_SECRET_ACCESS_KEY",
    "NETWORK_CONNECTION": "it cannot be reached; look at the network and at AWS_ENDPOINT_URL",
}
_CODE = re.compile(r"AWS Error ([A-Z_]+)")


class MovedOnError(StoreError):
    """Another writer was first: what was checked was not the newest."""


def is_url(place: str | Path) -> bool:
    """Whether a store's place is a URL and no folder."""
    return isinstance(place, str) and _URL.match(place) is not None


def located(place: str | Path) -> Path:
    """Return the folder to read a store from; of a URL its copy here, as new as the URL now is.

    Raises
    ------
    UsageError
        If the URL cannot be that of a store, or its bucket does not exist.
    StoreError
        If the object store cannot be reached, or refuses the key.
    """
    if not isinstance(place, str) or not is_url(place):
        return Path(place).absolute()
    remote = _Remotes.at(place)
    remote.pull()
    return remote.folder


def remote_of(folder: Path) -> Remote | None:
    """Return what a folder is a copy of; None for a store that lies in the folder itself."""
    mark = folder.parent / _MARK
    if folder.name != _COPY or not mark.exists():
        return None
    return _Remotes.at(json.loads(mark.read_text("utf-8"))["url"], beside=folder.parent)


def shown(store: Path) -> str:
    """Return a store's place as people write it: the URL of a copy, else the path."""
    remote = remote_of(store)
    return str(store) if remote is None else remote.url


def in_words(text: str) -> str:
    """Return a text with URLs in the place of the paths of their copies."""
    for remote in _Remotes.met():
        text = text.replace(str(remote.folder), remote.url)
    return text


def sent(store: Path, room: str) -> None:
    """Send the files of a room, such as the bulletins, to the URL that a store is a copy of."""
    remote = remote_of(store)
    if remote is not None:
        remote.push(room)


@dataclass(eq=False)
class Remote:
    """A store's URL with its copy on this machine.

    `beside` is the folder around the copy.
    """

    url: str
    beside: Path
    #: Version of a table of which the next commit must be the first.
    held: dict[str, int] = field(default_factory=dict)
    _looked: float = field(default=float("-inf"))

    @property
    def folder(self) -> Path:
        """The copy."""
        return self.beside / _COPY

    def pull(self, *, within: float = 0.0) -> None:
        """Fetch what is new, in an order in which no reader sees half a step.

        `within`: seconds for which an earlier look is new enough.
        """
        if time.monotonic() - self._looked < within:
            return
        with self._alone(), _faults_in_words(self.url):
            listed = self._listed()
            known = self._index()
            wanted = {name: one for name, one in listed.items() if self._lacks(name, one, known)}
            for rank in sorted({_rank(name) for name in wanted}):
                self._fetch([name for name in wanted if _rank(name) == rank])
                known |= {name: one for name, one in wanted.items() if _rank(name) == rank}
                self._keep_index(known)
            for name in [one for one in known if one not in listed]:
                (self.folder / name).unlink(missing_ok=True)
                del known[name]
            self._keep_index(known)
        self._looked = time.monotonic()

    def push(self, *rooms: str) -> None:
        """Send files of the copy that the URL lacks or has otherwise, a room's last file last."""
        with self._alone(), _faults_in_words(self.url):
            listed, known = self._listed(), self._index()
            system, root = _system(self.url)
            mine = [
                file.relative_to(self.folder).as_posix()
                for room in rooms
                for file in [self.folder / room, *sorted((self.folder / room).rglob("*"))]
                if file.is_file() and not any(one.startswith(".") for one in file.parts[-2:])
            ]
            for name in sorted(mine, key=lambda one: (_rank(one), one)):
                if name in listed and name in known and self._is_as_fetched(name):
                    continue
                with system.open_output_stream(f"{root}/{name}") as sink:
                    sink.write((self.folder / name).read_bytes())
                self._stamp_fetched(name)
            after = self._listed()
            self._keep_index(known | {name: after[name] for name in mine if name in after})

    def remove(self, names: list[str]) -> None:
        """Remove files from the URL and from the copy."""
        with _faults_in_words(self.url):
            system, root = _system(self.url)
            for name in names:
                with contextlib.suppress(FileNotFoundError):
                    system.delete_file(f"{root}/{name}")
                (self.folder / name).unlink(missing_ok=True)

    def append(self, table: str, data: pa.Table | pa.RecordBatchReader, *, only_next: bool) -> None:
        """Commit rows to a table of the URL, then fetch them.

        `only_next`: only as the version after the one that is `held`; `MovedOnError` if another
        writer was first.
        """
        self._commit(table, data, {"mode": "append", "schema_mode": "merge"}, only_next=only_next)
        self.pull()

    def replace(self, table: str, data: pa.Table | pa.RecordBatchReader) -> None:
        """Commit rows in the place of all, as the version after the one `held`, and fetch them.

        Of an input table, the log gets a checkpoint. That of the events stays as it is: another
        writer's checksums, which may be a moment old, would not know the file.
        """
        how = {"mode": "overwrite", "schema_mode": "overwrite"}
        self._commit(table, data, how, only_next=True)
        if table != EVENTS:
            from deltalake import DeltaTable  # noqa: PLC0415

            with _faults_in_words(self.url):
                DeltaTable(f"{self.url}/{table}").create_checkpoint()
            # A hint that the library writes over in place; without it, it lists the log.
            self.remove([f"{table}/{DELTA_LOG}/{_LAST}"])
        self.pull()

    def older(self, seconds: float) -> set[str]:
        """Return the files of the URL that came there more than some seconds ago."""
        with self._alone(), _faults_in_words(self.url):
            listed = self._listed()
        return {name for name, (_, at) in listed.items() if at < (time.time() - seconds) * 1e9}

    def _commit(
        self,
        table: str,
        data: pa.Table | pa.RecordBatchReader,
        how: dict[str, Any],
        *,
        only_next: bool,
    ) -> None:
        from deltalake import (  # noqa: PLC0415 - a second load costs nothing
            CommitProperties,
            DeltaTable,
            PostCommitHookProperties,
            write_deltalake,
        )
        from deltalake.exceptions import CommitFailedError  # noqa: PLC0415

        if only_next:
            how["commit_properties"] = CommitProperties(max_commit_retries=0)
        target: DeltaTable | str = f"{self.url}/{table}"
        with _faults_in_words(self.url):
            try:
                if only_next:
                    target = DeltaTable(str(target), version=self.held[table])
                write_deltalake(
                    target,
                    data,
                    **how,
                    post_commithook_properties=PostCommitHookProperties(
                        create_checkpoint=False, cleanup_expired_logs=False
                    ),
                )
            except CommitFailedError as error:
                self._looked = float("-inf")
                raise MovedOnError(
                    f"another writer was first at {self.url}; run the command again"
                ) from error

    def _listed(self) -> dict[str, Stamp]:
        from pyarrow import fs  # noqa: PLC0415

        system, root = _system(self.url)
        selector = fs.FileSelector(root, recursive=True, allow_not_found=True)
        found: dict[str, Stamp] = {}
        for one in system.get_file_info(selector):
            name = one.path.removeprefix(f"{root}/")
            parts = PurePosixPath(name).parts
            if one.type != fs.FileType.File or parts[0] in HERE_ALONE:
                continue
            if ".." in parts or PurePosixPath(name).is_absolute() or "\\" in name:
                raise StoreError(f"{self.url} holds {name!r}, which is no name of a store's file")
            found[name] = (one.size, one.mtime_ns or 0)
        bucket = root.partition("/")[0]
        if not found and system.get_file_info(bucket).type == fs.FileType.NotFound:
            raise UsageError(f"the object store at {self.url} cannot be used: {_NO_BUCKET}")
        return found

    def _lacks(self, name: str, stamp: Stamp, known: dict[str, Stamp]) -> bool:
        return known.get(name) != stamp or not (self.folder / name).exists()

    def _fetch(self, names: list[str]) -> None:
        system, root = _system(self.url)

        def fetch(name: str) -> None:
            target = self.folder / name
            target.parent.mkdir(parents=True, exist_ok=True)
            with system.open_input_stream(f"{root}/{name}") as source:
                replace_whole(target, source.readall())
            self._stamp_fetched(name)

        with ThreadPoolExecutor(_AT_ONCE) as pool:
            list(pool.map(fetch, sorted(names)))

    # A file that was fetched or sent has the time 0: one written here since has another.

    def _stamp_fetched(self, name: str) -> None:
        os.utime(self.folder / name, ns=(0, 0))

    def _is_as_fetched(self, name: str) -> bool:
        return (self.folder / name).stat().st_mtime_ns == 0

    def _index(self) -> dict[str, Stamp]:
        try:
            held = json.loads((self.beside / _INDEX).read_text("utf-8"))
            return {name: (int(size), int(at)) for name, (size, at) in held.items()}
        except (OSError, ValueError):
            return {}

    def _keep_index(self, known: dict[str, Stamp]) -> None:
        replace_whole(self.beside / _INDEX, json.dumps(known).encode())

    @contextlib.contextmanager
    def _alone(self) -> Iterator[None]:
        from filelock import FileLock  # noqa: PLC0415 - as for the lock of a folder

        with FileLock(self.beside / _LOCK):
            yield


class _Remotes:
    """The URLs that this process has met."""

    _of: dict[tuple[str, str], Remote] = {}  # noqa: RUF012 - one for the process

    @classmethod
    def met(cls) -> list[Remote]:
        return list(cls._of.values())

    @classmethod
    def at(cls, url: str, *, beside: Path | None = None) -> Remote:
        url = _checked(url)
        if beside is None:
            endpoint = os.environ.get("AWS_ENDPOINT_URL", "")
            digest = hashlib.sha256(f"{endpoint}\n{url}".encode()).hexdigest()[:20]
            beside = platformdirs.user_cache_path("blackmouth") / "object-stores" / digest
        key = (url, str(beside))
        if key not in cls._of:
            (beside / _COPY).mkdir(mode=0o700, parents=True, exist_ok=True)
            if not (beside / _MARK).exists():
                replace_whole(beside / _MARK, json.dumps({"url": url}).encode())
            cls._of[key] = Remote(url, beside)
        return cls._of[key]


@contextlib.contextmanager
def fresh_copy(store: Path) -> Iterator[Path]:
    """Give a copy of a store's URL that is fetched anew and removed after; a folder as it is."""
    import tempfile  # noqa: PLC0415

    remote = remote_of(store)
    if remote is None:
        yield store
        return
    with tempfile.TemporaryDirectory(prefix="blackmouth-copy-") as folder:
        copy = _Remotes.at(remote.url, beside=Path(folder))
        copy.pull()
        yield copy.folder


def _checked(url: str) -> str:
    """Return a URL without its end, or refuse it (`UsageError`) without saying what it holds."""
    parts = urlsplit(url)
    if "@" in parts.netloc or parts.query or parts.fragment:
        raise UsageError(
            f"the store's URL holds more than a bucket and a name; allowed: {_EXAMPLE} - keys "
            "belong into the environment (AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY)"
        )
    names = PurePosixPath(parts.path).parts[1:]
    is_named = bool(parts.netloc and names) and ".." not in names
    if parts.scheme.lower() != _SCHEME or not is_named:
        raise UsageError(f"the store's URL is {url}; allowed: {_EXAMPLE}, or a folder")
    return f"{_SCHEME}://{parts.netloc}/{'/'.join(names)}"


def _rank(name: str) -> int:
    """Return the place of a file in the order of fetching and sending."""
    path = PurePosixPath(name)
    if path.parts[0] in WHOLE:
        return 4 if path.name == CARD_FILE else 0
    if DELTA_LOG not in path.parts:
        return 3 if path.parts[0] == EVENTS and path.suffix != ".parquet" else 0
    return 3 if path.parts[0] == EVENTS else 2 if path.name == _LAST else 1


def _system(url: str) -> tuple[fs.S3FileSystem, str]:
    endpoint = os.environ.get("AWS_ENDPOINT_URL", "")
    region = os.environ.get("AWS_REGION") or os.environ.get("AWS_DEFAULT_REGION") or ""
    return _opened(endpoint, region), url.removeprefix(f"{_SCHEME}://")


@lru_cache(maxsize=8)
def _opened(endpoint: str, region: str) -> fs.S3FileSystem:
    from pyarrow import fs  # noqa: PLC0415 - only who has a URL waits for it

    parts = urlsplit(endpoint)
    at = {"endpoint_override": parts.netloc, "scheme": parts.scheme} if endpoint else {}
    return fs.S3FileSystem(
        **at,
        region=region or "us-east-1",
        connect_timeout=_SECONDS,
        request_timeout=6 * _SECONDS,
        retry_strategy=fs.AwsStandardS3RetryStrategy(max_attempts=_ATTEMPTS),
    )


@contextlib.contextmanager
def _faults_in_words(url: str) -> Iterator[None]:
    """Raise what an object store answers as a `StoreError`, in words without a key or a token."""
    try:
        yield
    except (StoreError, UsageError):
        raise
    except BaseException as error:
        module = type(error).__module__
        known = isinstance(error, (OSError, ValueError)) or module.startswith(
            ("pyarrow", "deltalake", "_internal", "pyo3_runtime")
        )
        if not known:
            raise
        code = _CODE.search(str(error))
        answer = code[1] if code else type(error).__name__
        words = _ANSWERS.get(answer, f"the answer was {answer}; try again")
        kind = UsageError if answer == "NO_SUCH_BUCKET" else StoreError
        raise kind(f"the object store at {url} cannot be used: {words}") from None
