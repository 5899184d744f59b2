"""A real scheduler and its workers, started as the documents say, as processes of their own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analytics.survey.reduction import cells_of
from tests.waiting import until

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import pyarrow as pa

    from analytics.data.query import ParquetRows

ROOT = Path(__file__).parents[1]


class Processes:
    """A scheduler and workers in a folder; each worker has one thread and no guard that revives it.

    - `address`: of the scheduler.
    """

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self._folder, self._stack = folder, stack
        file = folder / "scheduler.json"
        words = ("scheduler", "--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(file))
        words += ("--dashboard-address", "127.0.0.1:0")
        self.scheduler = self._started(words)
        until(lambda: file.exists() and file.read_text().rstrip().endswith("}"))
        self.address: str = json.loads(file.read_text())["address"]

    def worker(self, *paths: Path, cwd: Path | None = None) -> subprocess.Popen[bytes]:
        """Start a worker, which looks for modules in some paths first; return its process."""
        words = ("worker", self.address, "--nthreads", "1", "--no-nanny", "--memory-limit", "0")
        return self._started(words, paths, cwd)

    def _started(
        self, words: Sequence[str], paths: Sequence[Path] = (), cwd: Path | None = None
    ) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "dask", *words, "--no-dashboard"]
        path = os.pathsep.join(map(str, [*paths, ROOT]))
        log = self._stack.enter_context((self._folder / "log").open("ab"))
        process = subprocess.Popen(
            command,
            env=os.environ | {"PYTHONPATH": path},
            cwd=cwd or self._folder,
            stdout=log,
            stderr=log,
        )
        self._stack.callback(ended, process)
        return process


@contextmanager
def processes(folder: Path, *, n_workers: int = 0) -> Iterator[Processes]:
    """Yield a scheduler with some workers, and end them all."""
    with ExitStack() as stack:
        found = Processes(folder, stack)
        for _ in range(n_workers):
            found.worker()
        wait_for_workers(found.address, n_workers)
        yield found


def wait_for_workers(address: str, n_workers: int) -> None:
    """Wait until a scheduler has as many workers."""
    from distributed import Client

    with Client(address, set_as_default=False) as client:
        until(lambda: len(client.nthreads()) == n_workers)


def slowly(part: ParquetRows, tables: Any, given: str, *, threads: int) -> pa.Table:
    """Return the sums of a part, made so slowly that a worker can be killed meanwhile."""
    time.sleep(0.3)
    return cells_of(part, tables, given, threads=threads)


def ended(process: subprocess.Popen[bytes]) -> None:
    """Kill a process that was started here and wait until it is gone."""
    process.kill()
    process.wait()
