"""What the commands share: options, messages, progress, writing a file whole."""

from __future__ import annotations

import os
import shlex
import sys
import tempfile
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from analytics.errors import UsageError
from analytics.whole_files import DELTA_LOG, DESK, EVENTS, FULL

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    import pyarrow as pa

    from analytics.data.store import Store
    from analytics.findings import Finding


#: What a decorator of a command takes and gives.
Command = TypeVar("Command", bound="Callable[..., Any]")


class StorePlace(click.Path):
    """A store's directory, or the URL of one, which gives its copy on this machine."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path to read the store from."""
        if isinstance(value, str) and ":/" in value:
            from analytics.data.store import is_url, located  # noqa: PLC0415 - keeps --help quick

            if is_url(value):
                return located(value)
        return super().convert(value, param, ctx)


STORE = click.option(
    "--store",
    type=StorePlace(path_type=Path),
    required=True,
    metavar="DIR",
    help="Directory of the store, or its URL (s3://BUCKET/NAME).",
)


def out_folder(words: str, *, required: bool = True) -> Callable[[Command], Command]:
    """Return the option ``--out`` of a command that writes files into a folder."""
    kind = click.Path(path_type=Path, file_okay=False)
    return click.option("--out", type=kind, required=required, metavar="DIR", help=words)


def out_table(what: str) -> Callable[[Command], Command]:
    """Return the option ``--out`` of a command that writes one table, as `out_path` reads it."""
    words = f"{what}: a .csv or .parquet file, or - for CSV on standard output."
    return click.option("--out", required=True, metavar="FILE", help=words)


class Interrupted(click.Abort):
    """The user interrupted; the words say what became of the store."""


def examples(*lines: str) -> str:
    """Return command lines as the end of a help text, each on its own line."""
    return "\b\nExamples:\n" + "\n".join(f"  {line}" for line in lines)


def say(words: str) -> None:
    """Write a message for people, on stderr."""
    click.echo(in_places(words), err=True)


def in_places(words: str) -> str:
    """Return words with the URL of a store in the place of its copy's path."""
    remote = sys.modules.get("analytics.data.store.remote")
    return words if remote is None else str(remote.in_words(words))


def progress(words: str) -> None:
    """Say what is being done, on a terminal only."""
    if sys.stderr.isatty():
        click.echo(f"  {words} ...", err=True)


def in_words(finding: Finding) -> Finding:
    """Return a finding of an estimate with its codes as sentences."""
    from analytics.codes import sentences  # noqa: PLC0415

    seen, allowed, advice = map(sentences, (finding.seen, finding.allowed, finding.advice))
    return replace(finding, seen=seen, allowed=allowed, advice=advice)


def show_findings(findings: Iterable[Finding]) -> None:
    """Write findings on stderr, alike ones grouped, and how many there are."""
    from analytics.data.importing import counted, grouped  # noqa: PLC0415 - keeps --help quick

    listed = list(findings)
    for line in grouped(listed):
        say(line)
    if listed:
        say(counted(listed))


def require_folder_of(path: Path) -> None:
    """Refuse a file (`UsageError`) whose folder does not exist, or that is a folder itself."""
    if path.is_dir():
        raise UsageError(f"{path} is a folder; name a file in it")
    folder = path.absolute().parent
    if not folder.is_dir():
        raise UsageError(f"the folder {folder} does not exist; make it first")
    if not os.access(folder, os.W_OK | os.X_OK):
        raise UsageError(f"nothing can be written in the folder {folder}; name another")
    _require_no_store(folder)


def require_room_for(folder: Path, *, is_public: bool = False) -> None:
    """Refuse a folder (`UsageError`) that could not be made or written, before long work starts.

    `is_public`: for everybody to read, and thus not even in the desk of a store.
    """
    path = folder.absolute()
    there = next(one for one in (path, *path.parents) if one.exists())
    if not there.is_dir() or not os.access(there, os.W_OK | os.X_OK):
        raise UsageError(f"the folder {folder} cannot be written; name another")
    _require_no_store(path, has_desk=not is_public)


def _require_no_store(folder: Path, *, has_desk: bool = True) -> None:
    """Refuse a folder in a store: `verify` would find foreign files there, and fail.

    The desk of a store is allowed: it holds work under way, such as the steps of a bulletin.
    """
    path = folder.resolve()
    for one in (path, *path.parents):
        is_desk = has_desk and path.is_relative_to(one / DESK)
        if (one / EVENTS / DELTA_LOG).is_dir() and not is_desk:
            raise UsageError(f"{one} is a store, which holds its own files; name another folder")


@contextmanager
def written_at(path: Path) -> Iterator[None]:
    """Report a path that cannot be written as wrong use (`UsageError`), unless the disk is full."""
    try:
        yield
    except OSError as error:
        if error.errno in FULL:  # which is no wrong use of a command
            raise
        raise UsageError(
            f"{path} cannot be written: {error.strerror or error}; name another"
        ) from error


@contextmanager
def watched(store: Store) -> Iterator[None]:
    """Say at which version the store stands where the user interrupts (`Interrupted`)."""
    before = store.version
    try:
        yield
    except KeyboardInterrupt as error:
        now = store.version
        if now == before:
            raise Interrupted(f"interrupted; the store is as it was, at version {now}") from error
        raise Interrupted(
            f"interrupted once the store had gone from version {before} to {now}: "
            f"`blackmouth batches --store {store_words(store.path)}` lists what came in"
        ) from error


def store_words(store: Path) -> str:
    """Return a store's path or URL as it is typed in a shell."""
    from analytics.data.store import shown  # noqa: PLC0415 - keeps --help quick

    return shlex.quote(shown(store))


def write_whole(path: Path, write: Callable[[Path], object]) -> None:
    """Write a file whole or not at all: `write` gets another path first, which is then renamed."""
    with written_at(path):
        handle, name = tempfile.mkstemp(
            prefix=".draft-", suffix=path.suffix, dir=path.absolute().parent
        )
    os.close(handle)
    draft = Path(name)
    try:
        write(draft)
        draft.chmod(0o666 & ~_umask())
        draft.replace(path)
    except BaseException:
        draft.unlink(missing_ok=True)
        raise


def write_files(files: Mapping[str, bytes], folder: Path) -> None:
    """Write files by name into a folder, each whole or not at all."""
    for name, content in files.items():
        if (folder / name).is_dir():
            raise UsageError(f"{folder / name} is a folder, and a file of that name is written")
        write_whole(folder / name, partial(Path.write_bytes, data=content))


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


# Tables out of a command: the file requested, and a table written as its ending says.


def out_path(out: str) -> Path | None:
    """Return the file that ``--out`` names, None for standard output.

    An ending that is not known, or a folder that is not there, is a `UsageError`.
    """
    if out == "-":
        return None
    path = Path(out)
    if path.suffix.lower() not in (".csv", ".parquet"):
        raise UsageError(f"--out {out}; allowed: a file ending in .csv or .parquet, or -")
    require_folder_of(path)
    return path


def domains(by: str) -> tuple[str, ...]:
    """Return the columns that ``--by`` names; no level of the estimates is a `UsageError`."""
    words = tuple(word.strip() for word in by.split(","))
    if sorted(words) == ["area", "week"]:
        return "area", "week"
    if words in {("area",), ("week",), ("season",)}:
        return words
    raise UsageError(f"--by {by}; allowed: area, week, area,week or season")


def write_table(table: pa.Table, target: Path | None) -> None:
    """Write a table whole or not at all; to standard output as CSV where no file is named."""
    from analytics.csv_text import table_csv  # noqa: PLC0415 - keeps --help quick

    if target is None:
        sys.stdout.write(table_csv(table))
        return
    write_whole(target, lambda draft: _write(table, draft))


def _write(table: pa.Table, path: Path) -> None:
    import pyarrow.parquet as pq  # noqa: PLC0415 - keeps --help quick

    from analytics.csv_text import table_csv  # noqa: PLC0415

    if path.suffix.lower() == ".parquet":
        pq.write_table(table, path)
    else:
        path.write_text(table_csv(table), "utf-8", newline="")
