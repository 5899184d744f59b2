"""What reading files for their checksums adds to an estimate: a ratio in one process."""

from __future__ import annotations

import tempfile
from pathlib import Path

from analytics import Store, estimate, whole_files
from tests.bench.big_tables import big_tables, site_days_of
from tests.bench.runs import Clock, Part, Run, in_turns


def part(*, n_interviews: int, turns: int) -> Part:
    """Measure an estimate by area and week, and the checks that its process makes of the files."""
    n_site_days = site_days_of(n_interviews)
    with tempfile.TemporaryDirectory() as place:
        store = Store(Path(place) / "store")
        store.add(big_tables(n_interviews=n_interviews, n_site_days=n_site_days))

        def estimated(_: int) -> Run:
            clock = Clock()
            estimate(Store(store.path))
            return clock.read()

        def checked(_: int) -> Run:
            files = [one for one in whole_files.files_under(store.path) if one != ".lock"]
            clock = Clock()
            whole_files.forget()
            for one in files:
                whole_files.fault_of(store.path / one, None)
            return clock.read()

        name = "checksums of every file"
        runs = in_turns({"estimate by area,week (baseline)": estimated, name: checked}, turns=turns)
    sizes = f"{n_interviews:,} interviews in {n_site_days:,} site-days"
    return Part("sums", sizes, runs, own=(name,))
