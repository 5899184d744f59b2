"""Processor seconds of each file of tests: the quick part of `.ci/run` leaves out the dear ones.

``python -m tests.costs`` runs the folders of the quick part and writes `.ci/slow.txt` anew. Every
run names at its end the files that have become dear and are not on that list.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

ROOT = Path(__file__).parents[1]
LIST = ROOT / ".ci" / "slow.txt"
FOLDERS = ("tests/reference", "tests/properties", "tests/unit")
#: Processor seconds from which on a file is dear.
DEAR = 10.0
HEAD = "# Processor seconds of files that the quick part leaves out, by `python -m tests.costs`.\n"


def spent() -> float:
    """Return the processor seconds of this process and of its children that have ended."""
    both = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(one.ru_utime + one.ru_stime for one in both)


def listed() -> list[str]:
    """Return the files that the list names."""
    lines = LIST.read_text().splitlines()
    return [line.split()[1] for line in lines if not line.startswith("#")]


def dear(costs: Mapping[str, float]) -> dict[str, float]:
    """Return the dear files of the quick part's folders, the dearest first."""
    found = {
        file: cost for file, cost in costs.items() if cost >= DEAR and file.startswith(FOLDERS)
    }
    return dict(sorted(found.items(), key=lambda one: -one[1]))


def as_list(costs: Mapping[str, float]) -> str:
    """Return the text of the list."""
    return HEAD + "".join(f"{cost:.0f} {file}\n" for file, cost in dear(costs).items())


class Costs:
    """A plugin of pytest that adds up what files cost, over all workers of a run."""

    def __init__(self) -> None:
        self.of: defaultdict[str, float] = defaultdict(float)
        self._since = spent()

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> Iterator[None]:
        """Start to count; what lies between tests is nobody's."""
        self._since = spent()
        return (yield)

    @pytest.hookimpl(wrapper=True, tryfirst=True)
    def pytest_runtest_teardown(
        self, item: pytest.Item, nextitem: pytest.Item | None
    ) -> Iterator[None]:
        """Add what a test took; the end of what a run shares is not the last test's."""
        file = item.nodeid.partition("::")[0]
        if nextitem is None:
            self.of[file] += spent() - self._since
            return (yield)
        done = yield
        self.of[file] += spent() - self._since
        return done

    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """Give what a worker counted to the process that started it."""
        output = getattr(session.config, "workeroutput", None)
        if output is not None:
            output["costs"] = dict(self.of)

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, node: Any) -> None:
        """Take what a worker counted."""
        for file, cost in getattr(node, "workeroutput", {}).get("costs", {}).items():
            self.of[file] += cost

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        """Name the dear files that are not on the list."""
        new = {file: cost for file, cost in dear(self.of).items() if file not in listed()}
        for file, cost in new.items():
            terminalreporter.line(f"dear, and not in {LIST.name}: {file}, {cost:.0f} processor s")


def main() -> int:
    """Run the folders of the quick part and write the list; return the status of pytest."""
    argparse.ArgumentParser("python -m tests.costs", description=__doc__).parse_args()
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    costs = Costs()
    words = ["-q", "-n", "2", "--dist", "loadfile"]
    status = int(pytest.main([*words, *FOLDERS], plugins=[costs]))
    if status == 0:
        LIST.write_text(as_list(costs.of))
    return status


if __name__ == "__main__":
    sys.exit(main())
