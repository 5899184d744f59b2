"""Tables spoiled by chance are imported or refused with findings, by the import's own kernel."""

from __future__ import annotations

import csv
import io
import multiprocessing
import signal
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from typing import TYPE_CHECKING, Any

from analytics.data import importing
from analytics.data.schema import TABLES
from analytics.data.store import Store
from tests.field_week import field_week, write_week
from tests.mutations import write_case
from tests.sizes import n_sized

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

    from analytics.data.snapshot import Snapshot

SEED = 20_310_106
N_CASES = n_sized(60, 20_000)
#: One in so many is stored, and what stands then is compared with what was said.
STORED_EVERY = n_sized(20, 50)
#: Processor seconds that no case may take; most take some hundredths. One that hangs takes none: it
#: ends after so many seconds, for which a busy machine may let a sound one wait.
MOST_SECONDS, MOST_WAIT = 20, 600
#: Bytes of memory that importing all cases may add. Most have some 100 kB in their files; one has
#: 88 MB of text in a column, and adds half of this. Another process writes the cases: to write that
#: one takes more memory than to import it.
MOST_MEMORY = 1 << 30


class TooLongError(Exception):
    """A case did not end."""


# A row set aside is one cell of its file.
csv.field_size_limit(1 << 30)


def memory() -> int:
    """Return the most memory this process has had, in bytes."""
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss << 10


def taken(folder: Path, base: Snapshot, store: Store | None, *, aside: bool) -> str:
    """Import a folder as the command does; return what became of it."""
    reading = importing.read_paths([folder])
    checked = importing.check_on(reading, base, quarantine=aside)
    said = importing.findings_csv(checked.findings)
    raws = importing.raws_of(reading, checked.set_aside)
    said += importing.quarantine_csv(checked.set_aside, raws)
    assert all(one.seen and "\n" not in str(one) for one in checked.findings)
    for line in csv.reader(io.StringIO(said, newline="")):
        assert not any(cell.startswith(("=", "@", "\t", "\r")) for cell in line), line
    if checked.errors:
        return "refused"
    if store is not None:
        before, rows = store.version, {name: store.read(name).num_rows for name in TABLES}
        receipt = importing.store_checked(checked, store)
        assert store.version == before + (receipt.batch is not None)
        for name, counts in receipt.counts.items():
            assert store.read(name).num_rows == rows[name] + counts.new, name
    return "set aside" if checked.set_aside else "imported"


def test_spoiled_tables_end_in_findings(
    tmp_path: Path, record_property: pytest.RecordProperty
) -> None:
    importing.import_files(Store(tmp_path / "store"), write_week(field_week(), tmp_path / "week"))
    store = Store(tmp_path / "store")
    base, ends, slowest, faults = store.snapshot(), Counter[str](), 0.0, []
    before = memory()
    writer = ProcessPoolExecutor(1, multiprocessing.get_context("spawn"))

    def stop(*_: Any) -> None:
        raise TooLongError

    clocks = (signal.SIGPROF, signal.SIGALRM)
    old = [signal.signal(one, stop) for one in clocks]
    try:
        for at in range(N_CASES):
            folder = tmp_path / f"case{at}"
            folder.mkdir()
            kind = writer.submit(write_case, SEED + at, folder).result()
            begun = time.process_time()
            signal.setitimer(signal.ITIMER_PROF, MOST_SECONDS)
            signal.alarm(MOST_WAIT)
            try:
                into = store if at % STORED_EVERY == 0 else None
                end = taken(folder, store.snapshot() if into else base, into, aside=at % 3 == 0)
                ends[f"{kind} {end}"] += 1
            except (Exception, TooLongError) as error:
                faults.append((at, kind, f"{type(error).__name__}: {error}"))
            finally:
                signal.setitimer(signal.ITIMER_PROF, 0)
                signal.alarm(0)
            slowest = max(slowest, time.process_time() - begun)
    finally:
        writer.shutdown()
        for one, handler in zip(clocks, old, strict=True):
            signal.signal(one, handler)
    grown = memory() - before
    assert not faults, faults[:20]
    assert grown < MOST_MEMORY
    counts = ", ".join(f"{n:,} {end}" for end, n in sorted(ends.items()))
    record_property(
        "spoiled tables",
        f"{N_CASES:,} cases, 0 tracebacks, 0 partial batches; slowest {slowest:.1f} processor s; "
        f"memory +{grown >> 20} MB; {counts}",
    )
