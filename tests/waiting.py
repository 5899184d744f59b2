"""Wait for what another process does."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

#: Seconds to wait for a process: no bound on what is tested.
PATIENCE = 120


def until(is_so: Callable[[], object]) -> None:
    """Wait until something is so, for at most `PATIENCE` seconds."""
    end = time.monotonic() + PATIENCE
    while not is_so():
        if time.monotonic() > end:
            raise TimeoutError("what a test waits for did not happen")
        time.sleep(0.05)
