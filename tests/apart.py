"""What waits, run to its end in a thread of its own."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Coroutine


def run_apart(what: Coroutine[Any, Any, Any]) -> Any:
    """Run in a thread: a test of the browser may have left its loop running in this one."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, what).result()
