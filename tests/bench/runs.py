"""Runs of steps, taken in turns: seconds, memory, and their ratios to a baseline."""

from __future__ import annotations

import math
import statistics
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

#: What of a run is set against the baseline, and its unit. On a busy machine the wall counts what
#: other processes take: it is printed and never compared.
COMPARED = {"processor": "processor s", "peak": "peak MiB"}
#: What a reader of a page waits for; compared where both stand in the same browser, by turns.
WAITED = {"wall": "s until the page is still"}


@dataclass(frozen=True, slots=True)
class Run:
    """One run of a step.

    Parameters
    ----------
    wall, processor : float
        Seconds; the processor's are those of all threads.
    peak : float, optional
        Largest memory, MiB; NaN where it was not measured.
    """

    wall: float
    processor: float
    peak: float = math.nan


class Clock:
    """Wall and processor seconds of this process since it was made."""

    def __init__(self) -> None:
        self._start = (time.perf_counter(), time.process_time())

    def read(self) -> Run:
        """Return the seconds so far."""
        wall, processor = self._start
        return Run(time.perf_counter() - wall, time.process_time() - processor)


def in_turns(steps: Mapping[str, Callable[[int], Run]], *, turns: int) -> dict[str, list[Run]]:
    """Return the runs of steps, each step once a turn, so that load on the machine meets all.

    A step is called with the number of the turn.
    """
    runs: dict[str, list[Run]] = {name: [] for name in steps}
    for turn in range(turns):
        for name, step in steps.items():
            runs[name].append(step(turn))
    return runs


@dataclass(frozen=True, slots=True)
class Part:
    """Steps measured beside one baseline.

    Parameters
    ----------
    name : str
    sizes : str
        What was measured, in words.
    runs : dict of str to list of Run
        One a turn; the baseline is the first.
    own : tuple of str
        Steps of this program, whose ratios are kept.
    note : str, optional
    compared : dict of str to str, optional
        What of a run is set against the baseline, and its unit.
    """

    name: str
    sizes: str
    runs: dict[str, list[Run]]
    own: tuple[str, ...]
    note: str = ""
    compared: Mapping[str, str] = field(default_factory=lambda: COMPARED)

    def ratio(self, step: str, of: str) -> float:
        """Return the median over the turns of a step's number over the baseline's of that turn."""
        baseline = next(iter(self.runs.values()))
        pairs = zip(self.runs[step], baseline, strict=True)
        return statistics.median(getattr(one, of) / getattr(base, of) for one, base in pairs)

    def ratios(self) -> dict[str, float]:
        """Return the ratios of this program's steps by name."""
        found = {
            f"{self.name}: {step}, {of}": self.ratio(step, of)
            for step in self.own
            for of in self.compared
        }
        return {name: ratio for name, ratio in found.items() if not math.isnan(ratio)}

    def table(self) -> list[str]:
        """Return medians and ratios as lines of Markdown."""
        heads = [head for unit in self.compared.values() for head in (unit, "× baseline")]
        lines = [
            f"{self.sizes}. Medians; turns: {len(next(iter(self.runs.values())))}.",
            "",
            f"| {self.name} | {' | '.join([*heads, 'wall s'])} |",
            "|---" * (len(heads) + 2) + "|",
        ]
        for step, runs in self.runs.items():
            cells = [self._cells(step, of) for of in self.compared]
            wall = statistics.median(one.wall for one in runs)
            lines.append(f"| {step} | {' | '.join([*cells, digits(wall)])} |")
        return [*lines, *(["", self.note] if self.note else [])]

    def _cells(self, step: str, of: str) -> str:
        number = statistics.median(getattr(one, of) for one in self.runs[step])
        return f"{digits(number)} | {digits(self.ratio(step, of))}"


def digits(number: float) -> str:
    """Return a number to three digits; nothing for NaN."""
    if math.isnan(number):
        return ""
    return f"{number:.3g}" if number < 100 else f"{number:,.0f}"
