"""Steps as processes of their own: seconds and peak memory.

``python -m tests.bench.processes COMMAND ...`` runs a command and prints its `Run` as JSON. It is
small on purpose: Linux starts the peak memory of a process at that of the one that started it.
"""

from __future__ import annotations

import contextlib
import ctypes
import gc
import json
import os
import resource
import subprocess
import sys
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

from tests.bench.runs import Run

_NO_BYTE_CODE = "PYTHONDONTWRITEBYTECODE"


def run_command(command: list[str]) -> Run:
    """Run a command and return what it took, start of the process included."""
    return Run(**apart("tests.bench.processes", *command))


def apart(module: str, *words: str) -> dict[str, Any]:
    """Run a module of the bench in a process of its own and return what it printed as JSON.

    Raises
    ------
    SystemExit
        If it fails.
    """
    command = [sys.executable, "-m", module, *words]
    # Byte code is kept, as where the program is installed, whatever this machine is set to.
    kept = {name: value for name, value in os.environ.items() if name != _NO_BYTE_CODE}
    said = subprocess.run(command, check=False, capture_output=True, text=True, env=kept)
    if said.returncode:
        raise SystemExit(f"{' '.join(words) or module} failed: {said.stderr[-2000:]}")
    found: dict[str, Any] = json.loads(said.stdout.splitlines()[-1])
    return found


def forget_peak() -> None:
    """Give back memory that nothing holds, and have Linux count the peak anew."""
    gc.collect()
    if "pyarrow" in sys.modules:
        sys.modules["pyarrow"].default_memory_pool().release_unused()
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
        Path("/proc/self/clear_refs").write_text("5")


def peak_mib() -> float:
    """Return the largest memory of this process, MiB."""
    try:
        lines = Path("/proc/self/status").read_text().splitlines()
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    # Not ru_maxrss here: it begins at the peak of the process that started this one.
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024


def main() -> None:
    """Run the command of the arguments and print what it took."""
    start = time.perf_counter()
    child = subprocess.run(sys.argv[1:], check=False, stdout=subprocess.DEVNULL)
    wall = time.perf_counter() - start
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    if child.returncode:
        raise SystemExit(child.returncode)
    print(json.dumps(asdict(Run(wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024))))


if __name__ == "__main__":
    main()
