"""The documents of the demo's newest bulletin, beside the libraries that make them.

``python -m tests.bench.documents NAME STORE`` makes one in its own process and prints a line of
JSON. The baseline imports the libraries, draws one figure and typesets one line.
"""

from __future__ import annotations

import io
import json
import sys
from dataclasses import asdict
from functools import partial
from pathlib import Path

from tests.bench.processes import apart, peak_mib
from tests.bench.runs import Clock, Part, Run, in_turns

BASELINE = "one figure and one line (baseline)"
STEPS = {
    BASELINE: "",
    "bulletin as PDF": "bulletin.pdf",
    "bulletin as a page": "bulletin.html",
    "bulletin as a workbook": "bulletin.xlsx",
}


def nearly_nothing() -> None:
    """Draw one figure and typeset one line with the libraries alone."""
    import typst
    import xlsxwriter
    from matplotlib.figure import Figure

    axes = Figure().subplots()
    axes.plot([0, 1], [0, 1])
    axes.figure.savefig(io.BytesIO(), format="svg")
    typst.compile(b"One line.", format="pdf")
    xlsxwriter.Workbook(io.BytesIO(), {"in_memory": True}).close()


def make(name: str, store: Path) -> None:
    """Make one document of a store's newest bulletin, loading it included."""
    from analytics.bulletin.archive import archive_of, list_bulletins, load
    from analytics.documents.files import bulletin_files

    archive = archive_of(store)
    newest = list_bulletins(archive)[-1]
    bulletin_files(load(archive, newest.bulletin), archive=archive, names=[name])


def measured(name: str, store: Path) -> Run:
    """Return what one step took in this process."""
    clock = Clock()
    make(name, store) if name else nearly_nothing()
    took = clock.read()
    return Run(took.wall, took.processor, peak_mib())


def part(*, turns: int) -> Part:
    """Measure each document in processes of its own, in turns."""
    from analytics.cli.demo_store import prepare

    store = prepare(lambda _: None)  # made before anything is measured

    def made(_: int, name: str) -> Run:
        return Run(**apart("tests.bench.documents", name, str(store)))

    runs = in_turns({step: partial(made, name=name) for step, name in STEPS.items()}, turns=turns)
    own = tuple(step for step in STEPS if step != BASELINE)
    return Part("documents", "The newest bulletin of the demo", runs, own=own)


if __name__ == "__main__":
    print(json.dumps(asdict(measured(sys.argv[1], Path(sys.argv[2])))))
