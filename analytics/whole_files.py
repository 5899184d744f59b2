"""A file that is there whole or not at all."""

from __future__ import annotations

import os
import secrets
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


def replace_whole(path: Path, data: bytes) -> None:
    """Write a file under another name beside it, then rename it; of a failure nothing is left."""
    draft = path.with_name(f"{path.name}.{secrets.token_hex(4)}.tmp")
    try:
        with draft.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)
