"""Interviews summed by workers of a real Dask scheduler: the same answers, and faults in words."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analytics import codes
from analytics.cli import main
from analytics.data import query
from analytics.data.store import Store, cluster
from analytics.data.store.cluster import Cluster, ClusterError, connected
from analytics.estimates.estimate import estimate
from analytics.survey import reduction
from tests.bench.big_tables import big_tables
from tests.clusters import Processes, ended, processes, slowly, wait_for_workers
from tests.sizes import n_sized
from tests.waiting import until

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Iterator

    import pandas as pd

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def two_workers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Processes]:
    with processes(tmp_path_factory.mktemp("two"), n_workers=2) as found:
        yield found


@pytest.fixture(scope="module")
def workers(two_workers: Processes) -> Iterator[Cluster]:
    with connected(two_workers.address) as found:
        yield found


@pytest.fixture
def small_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut interviews into parts of some thousand rows."""
    monkeypatch.setattr(reduction, "PART_BYTES", 1_000_000)
    monkeypatch.setattr(reduction, "PART_ROWS", 1)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("demo") / "store"
    files = (ROOT / "demo_parquet").glob("*.parquet")
    Store(path).add({file.stem: pq.read_table(file) for file in files})
    return path


def require_equal(far: pd.DataFrame, near: pd.DataFrame) -> None:
    """Require the same rows, numbers to 1e-10 of themselves."""
    assert list(far) == list(near)
    for name in near:
        if near[name].dtype.kind == "f" or "double" in str(near[name].dtype):
            numbers = (one[name].to_numpy(dtype=float, na_value=np.nan) for one in (far, near))
            np.testing.assert_allclose(*numbers, rtol=1e-10, atol=0, err_msg=name)
        else:
            assert far[name].equals(near[name]), name


class Counted:
    """Workers that count the parts they were given."""

    def __init__(self, workers: Cluster) -> None:
        self._workers, self.n_parts = workers, 0

    def each(self, make: Any, parts: Any, tables: Any, given: str) -> Iterator[pa.Table]:
        listed = list(parts)
        self.n_parts += len(listed)
        return self._workers.each(make, listed, tables, given)


@pytest.mark.parametrize(
    ("by", "basis"), [(("area", "week"), "sampled"), (("season",), "reported")]
)
def test_the_demo_is_estimated_alike(
    demo: Path, workers: Cluster, small_parts: None, by: tuple[str, ...], basis: str
) -> None:
    counted = Counted(workers)
    far = estimate(Store(demo, workers=counted), by=by, basis=basis)
    assert counted.n_parts > 5
    require_equal(far, estimate(Store(demo), by=by, basis=basis))
    assert far["estimate"].notna().any()


def random_store(path: Path, seed: int, n_batches: int) -> Store:
    """Return a store of some hundred interviews that came, were changed and went in batches.

    A site-day's rows lie in many files, any cell may be empty, and some trips were not over.
    """
    rng = np.random.default_rng(seed)
    tables = big_tables(n_interviews=400, n_site_days=60, seed=seed)
    rows = tables.pop("interviews")
    store = Store(path)
    store.add(tables)
    for _ in range(n_batches):
        some = rows.take(rng.permutation(len(rows))[: rng.integers(50, 300)])
        changed = {name: some[name] for name in some.column_names}
        for name in ("kept", "released_legal", "released_unknown", "hours_fished"):
            values = some[name].to_numpy() + rng.integers(0, 2, len(some))
            changed[name] = pa.array(values, mask=rng.random(len(some)) < 0.1)
        changed["trip_complete"] = pa.array(rng.random(len(some)) < 0.9)
        store.add({"interviews": pa.table(changed)})
    if n_batches > 2:
        store.withdraw("b0003")
    return store


@settings(max_examples=n_sized(2, 60), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    seed=st.integers(0, 2**32 - 1),
    n_batches=st.integers(1, 4),
    part_bytes=st.integers(20_000, 90_000),
)
def test_a_random_store_is_estimated_alike(
    tmp_path_factory: pytest.TempPathFactory,
    workers: Cluster,
    seed: int,
    n_batches: int,
    part_bytes: int,
) -> None:
    near = random_store(tmp_path_factory.mktemp("random") / "store", seed, n_batches)
    counted = Counted(workers)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reduction, "PART_BYTES", part_bytes)
        patch.setattr(reduction, "PART_ROWS", 1)
        far = estimate(Store(near.path, workers=counted))
    assert counted.n_parts >= n_batches - 1
    require_equal(far, estimate(near))


def test_parts_hold_every_row_once(tmp_path: Path) -> None:
    files = []
    for number, n_rows in enumerate([3, 0, 17, 1, 1, 9]):
        rows = pa.table({"a": [100 * number + place for place in range(n_rows)]})
        rows = rows.append_column(f"b{number}", rows["a"])
        files.append(tmp_path / f"{number}.parquet")
        pq.write_table(rows, files[-1], row_group_size=8)
    asked = "SELECT a, CAST(b2 AS BIGINT) AS b FROM {files} WHERE a IN (SELECT a FROM {all_files})"
    whole = query.ParquetRows(tuple(files), asked, frozenset("ab"))
    wanted = query.run("SELECT * FROM t ORDER BY a", {"t": whole}).to_pylist()
    for most_rows in (1, 7, 10, 1000):
        parts = [query.run("SELECT * FROM t", {"t": one}) for one in whole.parts(most_rows)]
        assert max(map(len, parts)) <= most_rows
        assert pa.concat_tables(parts).sort_by("a").to_pylist() == wanted


def test_sums_of_shared_cells_are_added_and_empty_ones_stay_empty() -> None:
    names = ["unit", "area", "s0", "s1"]
    parts = [
        pa.table([[0, 1], [0, 0], [1.0, 2.0], [None, 5.0]], names=names),
        pa.table([[1, 2, 2], [0, 0, 1], [3.0, 4.0, 5.0], [7.0, None, 1.0]], names=names),
        pa.table([[0, 2], [0, 1], [6.0, 0.5], [None, None]], names=names),
    ]
    found = reduction.added([part.cast(parts[1].schema) for part in parts])
    cells = {(row["unit"], row["area"]): (row["s0"], row["s1"]) for row in found.to_pylist()}
    assert len(found) == 4
    assert cells == {(0, 0): (7, None), (1, 0): (5, 12), (2, 0): (4, None), (2, 1): (5.5, 1)}


def test_a_part_travels_in_a_quarter_of_its_bytes_where_no_cell_is_shared(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    part_bytes, sizes = 4_000_000, []
    n_rows = 20_000
    store = Store(tmp_path / "store")
    tables = big_tables(n_interviews=n_rows, n_site_days=n_rows)
    exact = np.random.default_rng(1).uniform(1, 9, n_rows)  # no digit comes twice
    at = tables["interviews"].column_names.index("hours_fished")
    tables["interviews"] = tables["interviews"].set_column(at, "hours_fished", pa.array(exact))
    store.add(tables)

    class Here:
        def each(self, make: Any, parts: Any, tables: Any, given: str) -> Iterator[pa.Table]:
            for part in parts:
                made = make(part, tables, given, threads=1)
                sizes.append(len(cluster.packed_table(made)))
                assert cluster.unpacked_table(cluster.packed_table(made)).equals(made)
                yield made

    monkeypatch.setattr(reduction, "PART_BYTES", part_bytes)
    estimate(Store(store.path, workers=Here()), by=("season",))
    assert len(sizes) > 1
    assert max(sizes) < part_bytes / 4


class KillOne:
    """Workers under which a process is killed while one of them works.

    `victim`: the process; `at`: the worker that must be at work then, any where none is named.
    """

    def __init__(
        self, workers: Cluster, victim: subprocess.Popen[bytes], at: int | None = None
    ) -> None:
        self._workers, self._victim, self._at = workers, victim, at

    def each(self, make: Any, parts: Any, tables: Any, given: str) -> Iterator[pa.Table]:
        assert make is reduction.cells_of
        client, watch = self._workers._client, None
        if self._at is not None:
            at = {pid: where for where, pid in client.run(os.getpid).items()}[self._at]
            # From beside: by the time a part is here, the worker may have none left.
            watch = threading.Thread(target=self._kill_at_work, args=(client, at))
            watch.start()
        for part in self._workers.each(slowly, parts, tables, given):
            if watch is None and self._victim.poll() is None:
                self._kill()
            yield part
        if watch is not None:
            watch.join()

    def _kill_at_work(self, client: Any, at: str) -> None:
        until(lambda: client.processing()[at])
        self._kill()

    def _kill(self) -> None:
        os.kill(self._victim.pid, signal.SIGKILL)
        self._victim.wait()


def test_a_worker_killed_midway_changes_nothing(
    demo: Path, two_workers: Processes, workers: Cluster, small_parts: None
) -> None:
    victim = two_workers.worker()
    wait_for_workers(two_workers.address, 3)
    far = estimate(Store(demo, workers=KillOne(workers, victim, victim.pid)))
    assert victim.poll() == -signal.SIGKILL
    require_equal(far, estimate(Store(demo)))
    wait_for_workers(two_workers.address, 2)


def test_a_scheduler_lost_midway_is_said(demo: Path, tmp_path: Path, small_parts: None) -> None:
    with (
        processes(tmp_path, n_workers=1) as found,
        connected(found.address) as workers,
        pytest.raises(ClusterError) as error,
    ):
        estimate(Store(demo, workers=KillOne(workers, found.scheduler)))
    assert code_of(error) == "cluster_lost"


def test_workers_lost_midway_are_said(
    demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, small_parts: None
) -> None:
    monkeypatch.setattr(cluster, "EMPTY_SECONDS", 1)
    with processes(tmp_path) as found, pytest.raises(ClusterError) as error:
        only = found.worker()
        wait_for_workers(found.address, 1)
        with connected(found.address) as workers:
            estimate(Store(demo, workers=KillOne(workers, only, only.pid)))
    assert code_of(error) == "cluster_silent"


def code_of(error: pytest.ExceptionInfo[ClusterError]) -> str:
    """Return the name of the one code of an error, which has a sentence of its own."""
    (found,) = codes.parse(error.value.code)
    assert isinstance(found, codes.Code)
    assert str(error.value) == codes.sentence(found) != error.value.code
    return found.name


# What is wrong with a cluster before the work starts.


@pytest.fixture
def silent() -> Iterator[str]:
    """Return the address of a server that takes connections and says nothing."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield f"tcp://127.0.0.1:{server.getsockname()[1]}"


@pytest.fixture
def other_server() -> Iterator[str]:
    """Return the address of a server of another kind, which speaks first."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def answer() -> None:
            with server.accept()[0] as connection:
                connection.sendall(b"220 mail.example ready\r\n")

        thread = threading.Thread(target=answer)
        thread.start()
        yield f"127.0.0.1:{server.getsockname()[1]}"
        thread.join()


@pytest.mark.parametrize(
    ("address", "code"),
    [
        ("", "cluster_no_address"),
        ("here", "cluster_no_address"),
        ("http://127.0.0.1:80", "cluster_no_address"),
        ("tcp://127.0.0.1:99999", "cluster_no_address"),
        ("tls://127.0.0.1:8786", "cluster_without_certificates"),
        ("tcp://no-such-host.invalid:8786", "cluster_not_reached"),
        ("[::1]:1", "cluster_not_reached"),
        ("127.0.0.1:1", "cluster_not_reached"),
    ],
)
def test_a_wrong_address_is_said(address: str, code: str) -> None:
    with pytest.raises(ClusterError) as error, connected(address):
        pass
    assert code_of(error) == code


def test_what_is_no_scheduler_is_said(
    silent: str, other_server: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "CONNECT_SECONDS", 1)
    for address in (silent, other_server):
        with pytest.raises(ClusterError) as error, connected(address):
            pass
        assert code_of(error) == "cluster_not_reached"


def test_no_extra_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ClusterError) as error, connected("127.0.0.1:1"):
        pass
    assert code_of(error) == "cluster_extra_missing"


@pytest.fixture(scope="module")
def lone(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Processes]:
    """Return a scheduler without workers."""
    with processes(tmp_path_factory.mktemp("lone")) as found:
        yield found


def refusal(found: Processes, *paths: Path) -> pytest.ExceptionInfo[ClusterError]:
    """Return the error of a scheduler whose one worker looks for modules in some paths first."""
    worker = found.worker(*paths)
    wait_for_workers(found.address, 1)
    with pytest.raises(ClusterError) as error, connected(found.address):
        pass
    ended(worker)
    wait_for_workers(found.address, 0)
    return error


def test_a_scheduler_without_workers_is_said(
    lone: Processes, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "CONNECT_SECONDS", 2)
    with pytest.raises(ClusterError) as error, connected(lone.address):
        pass
    assert code_of(error) == "cluster_without_workers"


def test_a_worker_with_another_version_is_said(lone: Processes, tmp_path: Path) -> None:
    other = tmp_path / "library" / "duckdb-0.0.1.dist-info"
    other.mkdir(parents=True)
    (other / "METADATA").write_text("Metadata-Version: 2.1\nName: duckdb\nVersion: 0.0.1\n")
    error = refusal(lone, other.parent)
    assert code_of(error) == "cluster_other_version"
    assert "duckdb" in error.value.code
    shutil.copytree(ROOT / "analytics", tmp_path / "program" / "analytics")
    with (tmp_path / "program" / "analytics" / "survey" / "reduction.py").open("a") as file:
        file.write("# changed\n")
    error = refusal(lone, tmp_path / "program")
    assert code_of(error) == "cluster_other_version"
    assert "blackmouth" in error.value.code


def test_a_worker_without_the_program_is_said(lone: Processes, tmp_path: Path) -> None:
    (tmp_path / "analytics").mkdir()
    (tmp_path / "analytics" / "__init__.py").touch()
    assert code_of(refusal(lone, tmp_path)) == "cluster_without_program"


def test_the_address_of_a_worker_is_no_scheduler(workers: Cluster) -> None:
    (address, *_) = workers._client.nthreads()
    with pytest.raises(ClusterError) as error, connected(address):
        pass
    assert code_of(error) == "cluster_not_reached"


@pytest.mark.parametrize("theirs", [None, b"too short"])
def test_a_file_that_a_worker_does_not_see_is_said(
    lone: Processes, tmp_path: Path, theirs: bytes | None
) -> None:
    random_store(tmp_path / "here" / "store", 1, 1)
    (tmp_path / "there").mkdir()
    if theirs is not None:
        shutil.copytree(tmp_path / "here" / "store", tmp_path / "there" / "store")
        for file in (tmp_path / "there" / "store" / "interviews").glob("*.parquet"):
            file.write_bytes(theirs)
    worker = lone.worker(cwd=tmp_path / "there")
    wait_for_workers(lone.address, 1)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(tmp_path / "here")
        with pytest.raises(ClusterError) as error, connected(lone.address) as found:
            # One path that is another folder in each process, as a disk of each machine is.
            estimate(Store("/proc/self/cwd/store", workers=found))
    assert code_of(error) == "cluster_unseen_file"
    ended(worker)
    wait_for_workers(lone.address, 0)


@pytest.mark.parametrize("words", [["estimate", "--out", "-"], ["bulletin"]])
def test_the_commands_say_it_and_exit_as_wrong_use(
    words: list[str], field: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as status:
        main([*words, "--store", str(field / "store"), "--cluster", "127.0.0.1:1"])
    assert status.value.code == 2
    said = capsys.readouterr()
    assert said.err.startswith("blackmouth: ")
    assert "127.0.0.1:1" in said.err
    assert not said.out


def test_the_commands_use_the_workers(
    two_workers: Processes, field: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = []
    for more in ([], ["--cluster", two_workers.address]):
        with pytest.raises(SystemExit) as status:
            main(["estimate", "--store", str(field / "store"), "--out", "-", *more])
        assert status.value.code == 0
        said.append(capsys.readouterr())
    assert said[0].out == said[1].out
    assert not said[1].err
