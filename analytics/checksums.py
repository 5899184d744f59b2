"""SHA-256 of files: kept beside them, checked once a process, and refused in words where they fail.

Checksums of a folder stand in its file `SUMS` as ``sha256sum`` writes and checks them. A small file
that is written again and again, such as a draft, has its own in its first line: it is sealed.
"""

from __future__ import annotations

import hashlib
import os
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from analytics.codes import coded, sentences
from analytics.errors import StoreError
from analytics.whole_files import replace_whole

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

#: File of a folder that holds the checksums of its other files.
SUMS = "SHA256SUMS"
DAMAGED, MISSING, FOREIGN = "file_damaged", "file_missing", "file_foreign"
_SEAL = b"# sha256 "


def sha256_of(file: Path) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal digits."""
    with file.open("rb") as opened:
        return hashlib.file_digest(opened, "sha256").hexdigest()


def digits_of(data: bytes) -> str:
    """Return digits of a content's SHA-256 for a file's name, which then tells whether it holds."""
    return hashlib.sha256(data).hexdigest()[:16]


def fault_of(file: Path, expected: str | None) -> str | None:
    """Return what is wrong with a file, `DAMAGED` or `MISSING`; None where it is as it was written.

    A process reads a file once for this, and again where its size, time or inode changed.
    """
    try:
        seen = file.stat()
        found = _remembered(str(file), seen.st_size, seen.st_mtime_ns, seen.st_ino)
    except FileNotFoundError:
        return MISSING
    except OSError:
        return DAMAGED
    return None if found == expected else DAMAGED


@lru_cache(maxsize=65536)
def _remembered(file: str, size: int, mtime_ns: int, inode: int) -> str:
    return sha256_of(Path(file))


def forget() -> None:
    """Read every file again at its next use, also one that looks as it did."""
    _remembered.cache_clear()


def refusal(kind: str, file: Path | str, **given: int) -> StoreError:
    """Return the error that names a file which is not as it was written."""
    return StoreError(sentences(coded(kind, file=str(file), **given)))


def require(file: Path, expected: str | None) -> None:
    """Refuse (`StoreError`) a file that is missing or not as it was written."""
    if kind := fault_of(file, expected):
        raise refusal(kind, file)


def files_under(folder: Path) -> list[str]:
    """Return every file under a folder, by its path in there with ``/``; none where none is."""
    found = []
    for root, _, names in os.walk(folder):
        inside = Path(root).relative_to(folder)
        found += [(inside / name).as_posix() for name in names]
    return sorted(found)


def sums_text(sums: Mapping[str, str]) -> str:
    """Return checksums by file as ``sha256sum`` writes them, and as a comment that of the lines."""
    lines = "".join(f"{one}  {name}\n" for name, one in sorted(sums.items()))
    return f"{lines}# {hashlib.sha256(lines.encode()).hexdigest()}\n"


def read_sums(folder: Path) -> dict[str, str] | None:
    """Return the checksums of a folder's files; None where it keeps none.

    A file of them that was not written by `write_sums` is refused (`StoreError`).
    """
    path = folder / SUMS
    try:
        text = path.read_bytes().decode("ascii")
        pairs = [line.split("  ", 1) for line in text.splitlines()[:-1]]
        sums = {name: one for one, name in pairs}
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise refusal(DAMAGED, path) from error
    if sums_text(sums) != text:
        raise refusal(DAMAGED, path)
    return sums


def write_sums(folder: Path, names: Iterable[str], known: Mapping[str, str] | None = None) -> None:
    """Write the checksums of some files of a folder; those `known` are taken as they are."""
    sums = {name: (known or {}).get(name) or sha256_of(folder / name) for name in names}
    replace_whole(folder / SUMS, sums_text(sums).encode("ascii"))


def sealed(text: str) -> bytes:
    """Return the content of a sealed file: JSON, under a line with its SHA-256."""
    data = text.encode()
    return _SEAL + hashlib.sha256(data).hexdigest().encode() + b"\n" + data


def read_sealed(file: Path) -> str:
    """Return the text of a sealed file; of an old program, which sealed none, as it is.

    One that is damaged is refused (`StoreError`); a missing one is a `FileNotFoundError`.
    """
    try:
        data = file.read_bytes()
        text = data.partition(b"\n")[2].decode() if data.startswith(_SEAL) else data.decode()
    except FileNotFoundError:
        raise
    except (OSError, UnicodeDecodeError) as error:
        raise refusal(DAMAGED, file) from error
    # No single changed bit makes an unsealed file of a sealed one: that begins as JSON does.
    if sealed(text) != data and not data.startswith(b"{"):
        raise refusal(DAMAGED, file)
    return text
