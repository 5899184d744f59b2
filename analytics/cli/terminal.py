"""What the commands share: options, messages, progress, writing a file whole."""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import click

from analytics.errors import WrongUse

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from analytics.data.findings import Finding

STORE = click.option(
    "--store",
    type=click.Path(path_type=Path),
    required=True,
    metavar="DIR",
    help="Directory of the store.",
)


def examples(*lines: str) -> str:
    """Return command lines as the end of a help text, each on its own line."""
    return "\b\nExamples:\n" + "\n".join(f"  {line}" for line in lines)


def say(words: str) -> None:
    """Write a message for people, on stderr."""
    click.echo(words, err=True)


def progress(words: str) -> None:
    """Say what is being done, on a terminal only."""
    if sys.stderr.isatty():
        click.echo(f"  {words} ...", err=True)


def show_findings(findings: Iterable[Finding]) -> None:
    """Write findings on stderr, alike ones grouped, and how many there are."""
    from analytics.data.intake.digest import counted, grouped  # noqa: PLC0415 - keeps --help quick

    told = list(findings)
    for line in grouped(told):
        say(line)
    if told:
        say(counted(told))


def require_folder_of(path: Path) -> None:
    """Refuse a file whose folder does not exist.

    Raises
    ------
    WrongUse
        If it does not, or if the path is a folder itself.
    """
    if path.is_dir():
        raise WrongUse(f"{path} is a folder; name a file in it")
    if not path.absolute().parent.is_dir():
        raise WrongUse(f"the folder {path.absolute().parent} does not exist; make it first")


def write_whole(path: Path, write: Callable[[Path], None]) -> None:
    """Write a file whole or not at all: under another name first, then renamed.

    Parameters
    ----------
    path : pathlib.Path
        The file; one that is there is replaced.
    write : callable
        Writes the file at the path it is given.
    """
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


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
