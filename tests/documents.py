"""The parts of the README that the program itself can write: a worked week on the demo season.

``python -m tests.documents README.md`` renews them and the data dictionary.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pyarrow.parquet as pq

from analytics.bulletin.build import bulletin_of
from analytics.data.dictionary import renewed
from analytics.data.schema import TABLES
from analytics.data.snapshot import Snapshot
from analytics.units import QUANTITIES
from dashboard import book as books
from dashboard import sentences, text

ROOT = Path(__file__).parents[1]
START, END = "<!-- worked week: start -->", "<!-- worked week: end -->"
SHOWN = (
    "angler_trips",
    "angler_hours",
    "kept_fish",
    "encounter_fish",
    "encounters_per_angler_hour",
    "sublegal_prop",
    "release_deaths_fish",
    "total_deaths_fish",
)


def demo_snapshot() -> Snapshot:
    """Return the demo season's tables as they stand in the repository."""
    folder = ROOT / "demo_parquet"
    return Snapshot.of({name: pq.read_table(folder / f"{name}.parquet") for name in TABLES})


def worked_week() -> str:
    """Return the last week of the demo season as Markdown."""
    bulletin = bulletin_of(demo_snapshot())
    book, week = books.index(bulletin), bulletin.card.through
    lines = [f"> {sentences.answer(book, area=None, week=week)}", ""]
    lines += [f"| {week}, all areas | estimate | PSE | change from the week before |"]
    lines += ["|---|---|---|---|"]
    for quantity in SHOWN:
        row = book.row(None, week, quantity)
        change = book.change(None, week, quantity)
        pse = f"{row.pse:.0f} %"
        label = QUANTITIES[quantity].label
        lines += [f"| {label} | {text.figure(row)} | {pse} | {text.change(change)} |"]
    return "\n".join(lines)


def with_worked_week(document: str) -> str:
    """Return a document with the worked week between its marks renewed."""
    before, _, rest = document.partition(START)
    _, _, after = rest.partition(END)
    return f"{before}{START}\n{worked_week()}\n{END}{after}"


if __name__ == "__main__":
    path = Path(sys.argv[1])
    path.write_text(with_worked_week(renewed(path.read_text())))
