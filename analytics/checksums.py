"""SHA-256 of files."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


def sha256_of(file: Path) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal digits."""
    with file.open("rb") as opened:
        return hashlib.file_digest(opened, "sha256").hexdigest()
