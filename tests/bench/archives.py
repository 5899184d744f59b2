"""The first page of the dashboard on an archive of 50 seasons, beside that on the demo's archive.

``python -m tests.bench.archives FOLDER`` opens the week page of an archive once, headless, in its
own process, and prints a line of JSON. The long archive is made of links to the demo's bulletins
under the names of 50 seasons, 20 bulletins each.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from dataclasses import asdict, replace
from functools import partial
from importlib.util import find_spec
from pathlib import Path

from analytics import whole_files
from analytics.bulletin.archive import CARD_FILE, archive_of, list_bulletins
from analytics.cli.demo_store import prepare
from tests.bench.processes import apart, peak_mib
from tests.bench.runs import Clock, Part, Run, in_turns

N_SEASONS, EACH = 50, 20
#: The last season of the demo, after which no season of the long archive comes.
LAST = 2035
DEMO, LONG = "archive of the demo (baseline)", f"archive of {N_SEASONS} seasons"
_SECONDS = 120


def lengthen(demo: Path, folder: Path, *, seasons: int, each: int) -> None:
    """Fill a folder with bulletins of many seasons: links to the tables of an archive's newest.

    The newest season is the demo's own, so that the first page shows the same bulletin.
    """
    newest = list_bulletins(demo)[-1]
    of_tables = whole_files.read_sums(demo / newest.bulletin) or {}
    of_tables.pop(CARD_FILE, None)
    for back in range(seasons):
        season = f"{LAST - back}-{(LAST - back + 1) % 100:02}"
        for number in range(each):
            name = f"{season}.{newest.through}.v{newest.version + number}"
            card = replace(
                newest, bulletin=name, season=season, version=newest.version + number, since=""
            )
            _link(demo / newest.bulletin, folder / name)
            (folder / name / CARD_FILE).write_text(json.dumps(asdict(card)) + "\n")
            names = [one.name for one in (folder / name).iterdir()]
            whole_files.write_sums(folder / name, names, of_tables)


def _link(source: Path, target: Path) -> None:
    target.mkdir(parents=True)
    for file in source.glob("*.parquet"):
        (target / file.name).symlink_to(file)


def first_page(folder: Path) -> Run:
    """Open the week page on an archive in this process.

    Raises
    ------
    SystemExit
        If the page fails.
    """
    from streamlit.testing.v1 import AppTest  # the page pays for what it loads

    os.environ["BLACKMOUTH_ARCHIVE"] = str(folder)
    place = Path(find_spec("dashboard").origin).parent / "app.py"
    clock = Clock()
    page = AppTest.from_file(place, default_timeout=_SECONDS).run()
    took = clock.read()
    if page.exception or not page.selectbox:
        raise SystemExit(f"the page failed: {[one.message for one in page.exception]}")
    return Run(took.wall, took.processor, peak_mib())


def part(*, turns: int) -> Part:
    """Measure each archive in processes of their own, in turns."""
    with tempfile.TemporaryDirectory() as place:
        demo, long = archive_of(prepare(lambda _: None)), Path(place)
        lengthen(demo, long, seasons=N_SEASONS, each=EACH)

        def opened(_: int, folder: Path) -> Run:
            return Run(**apart("tests.bench.archives", str(folder)))

        steps = {DEMO: partial(opened, folder=demo), LONG: partial(opened, folder=long)}
        runs = in_turns(steps, turns=turns)
    sizes = f"The first page, {N_SEASONS} seasons of {EACH} bulletins beside the demo's own"
    return Part("archives", sizes, runs, own=(LONG,))


if __name__ == "__main__":
    print(json.dumps(asdict(first_page(Path(sys.argv[1])))))
