"""Wall time and peak memory of whole processes."""

from __future__ import annotations

import os
import statistics
import subprocess
import time
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Measured:
    """One command: wall seconds of each run, and the largest peak memory in MiB."""

    name: str
    seconds: tuple[float, ...]
    peak_mib: float

    @property
    def median(self) -> float:
        """Median wall time, seconds."""
        return statistics.median(self.seconds)


def measure(name: str, commands: list[list[str]]) -> Measured:
    """Run commands one after the other and measure each as a whole process."""
    seconds, peaks = [], []
    for command in commands:
        start = time.perf_counter()
        child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        _, status, usage = os.wait4(child.pid, 0)
        seconds.append(time.perf_counter() - start)
        peaks.append(usage.ru_maxrss / 1024)
        if status:
            raise SystemExit(f"{name} failed: {(child.stderr.read() if child.stderr else b'')!r}")
        if child.stderr:
            child.stderr.close()
        child.returncode = 0
    return Measured(name, tuple(seconds), max(peaks))
