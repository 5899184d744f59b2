"""Workers of a Dask scheduler that read parts of a table: the same function, past one machine.

Nothing here knows what is made of a part. Tables travel as compressed Arrow streams; a part whose
worker is lost is made again by another.
"""

from __future__ import annotations

import itertools
import logging
import platform
import re
import socket
import warnings
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics.codes import coded, sentences
from analytics.data.kept import LIBRARIES, program_key
from analytics.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from analytics.data.query import ParquetRows

#: Seconds for the scheduler to answer and to show a worker, and for every worker to say what it is.
CONNECT_SECONDS, ANSWER_SECONDS = 10, 60
#: Seconds without any worker, and for one part, after which the cluster counts as lost.
EMPTY_SECONDS, PART_SECONDS = 30, 900
#: Seconds between two looks at whether the cluster is still there.
_LOOK_SECONDS = 5
_ADDRESS = re.compile(
    r"(?P<scheme>tcp://|tls://|)(?P<host>\[[0-9a-fA-F:]+\]|[^\s:/@]+):(?P<port>\d+)"
)
#: Parts under way for each thread of the workers: one is made while one is sent.
_PARTS_A_THREAD = 2


class ClusterError(UsageError):
    """The workers of a cluster cannot be used, or not for this store (exit status 2).

    Parameters
    ----------
    code : str
        A code of the section *Clusters* of the registry; the message is its sentence.
    """

    def __init__(self, code: str) -> None:
        super().__init__(sentences(code))
        self.code = code


@contextmanager
def connected(address: str) -> Iterator[Cluster]:
    """Connect to the workers of a scheduler while the block runs.

    Parameters
    ----------
    address : str
        What ``dask scheduler`` prints, such as ``tcp://10.0.0.5:8786``; ``tls://`` where Dask's own
        configuration names certificates.

    Yields
    ------
    Cluster

    Raises
    ------
    ClusterError
        If Dask is not installed here, no scheduler answers, it has no worker, or the scheduler or a
        worker has another Python, DuckDB, Dask or version of this program.
    """
    try:
        import distributed  # noqa: PLC0415 - an extra, and slow to load
    except ImportError as missing:
        raise ClusterError(
            coded("cluster_extra_missing", module=missing.name or "dask")
        ) from missing
    with _quiet(distributed):
        _require_scheduler(address, distributed)
        try:
            with warnings.catch_warnings():
                # Other versions are said in our own words, and only those that matter.
                warnings.simplefilter("ignore")
                client = distributed.Client(
                    address, timeout=CONNECT_SECONDS, set_as_default=False, direct_to_workers=False
                )
        except Exception as error:
            raise _not_reached(address, error) from error
        with client:
            found = Cluster(client, address)
            found.require_alike()
            yield found


def _require_scheduler(address: str, distributed: Any) -> None:
    """Refuse what is no address, or an address where no scheduler answers (`ClusterError`).

    Dask's own client waits without end for a server that says nothing, and is never quite closed
    where its making fails.
    """
    import asyncio  # noqa: PLC0415 - no other command waits for it

    parts = _ADDRESS.fullmatch(address)
    if parts is None or not 0 < int(parts["port"]) < 2**16:
        raise ClusterError(coded("cluster_no_address", address=address))
    security = distributed.Security().get_connection_args("client")
    if parts["scheme"] == "tls://" and security["ssl_context"] is None:
        raise ClusterError(coded("cluster_without_certificates", address=address))

    async def ask() -> str:
        async with distributed.rpc(address, connection_args=security) as server:
            answer = await asyncio.wait_for(server.identity(), CONNECT_SECONDS)
        return str(answer["type"])

    try:
        here = parts["host"].strip("[]"), int(parts["port"])
        socket.create_connection(here, timeout=CONNECT_SECONDS).close()
        # In a thread of its own: the caller's may run a loop already.
        with ThreadPoolExecutor(1) as thread:
            kind = thread.submit(asyncio.run, ask()).result()
    except (TimeoutError, MemoryError) as error:  # the second of a greeting that is none of Dask's
        raise _not_reached(address, "nothing there answers as a scheduler") from error
    except Exception as error:
        raise _not_reached(address, error) from error
    if kind != "Scheduler":
        raise _not_reached(address, f"a {kind.lower()} answers there")


def _not_reached(address: str, error: object) -> ClusterError:
    said, seconds = _brief(error), CONNECT_SECONDS
    return ClusterError(coded("cluster_not_reached", address=address, seconds=seconds, error=said))


class Cluster:
    """The workers of a scheduler, as `analytics.data.query.Workers`.

    Parameters
    ----------
    client : distributed.Client
    address : str
        For messages.
    """

    def __init__(self, client: Any, address: str) -> None:
        self._client = client
        self._address = address
        self._seen: set[Path] = set()

    def require_alike(self) -> None:
        """Refuse a scheduler or worker with other versions, or no worker (`ClusterError`)."""
        try:
            self._client.wait_for_workers(1, timeout=CONNECT_SECONDS)
        except TimeoutError as error:
            raise ClusterError(coded("cluster_without_workers", address=self._address)) from error
        ours = versions()
        for who, at, said in self._asked_all(versions):
            if isinstance(said, Exception):
                why = _brief(said)
                raise ClusterError(coded("cluster_without_program", who=who, at=at, error=why))
            for one, mine in ours.items():
                other = said.get(one, "none")
                if other != mine:
                    code = coded(
                        "cluster_other_version",
                        who=who,
                        at=at,
                        program=one,
                        theirs=other,
                        ours=mine,
                    )
                    raise ClusterError(code)

    def each(
        self,
        make: Callable[..., pa.Table],
        parts: Iterable[ParquetRows],
        tables: Mapping[str, pa.Table],
        given: str,
    ) -> Iterator[pa.Table]:
        """Return ``make(part, tables, given, threads=1)`` of every part, in their order.

        A few parts are under way at a time, so that what waits to be sent stays small.

        Raises
        ------
        ClusterError
            If a worker does not see the files of the parts, or the cluster is lost.
        """
        listed = list(parts)
        self._require_seen(sorted({file for part in listed for file in part.read}))
        packed = {label: packed_table(table) for label, table in tables.items()}
        # As a task of its own: each worker gets it once, and a lost one can be sent again.
        shared = self._client.submit(_kept, packed, pure=False)
        waiting = iter(listed)
        n_threads = sum(self._client.nthreads().values())
        running: deque[Any] = deque()

        def start(n: int) -> None:
            for part in itertools.islice(waiting, n):
                task = (_made, make, part, shared, given, program_key())
                running.append(self._client.submit(*task, pure=False))

        start(_PARTS_A_THREAD * max(n_threads, 1))
        while running:
            found = self._result(running[0])
            running.popleft()
            start(1)
            yield unpacked_table(found)

    def _result(self, future: Any) -> bytes:
        """Return the result of a task; wait for as long as the cluster is there."""
        waited = empty = 0
        while True:
            try:
                found: bytes = future.result(timeout=_LOOK_SECONDS)
                return found
            except TimeoutError:
                waited += _LOOK_SECONDS
                empty = 0 if self._client.nthreads() else empty + _LOOK_SECONDS
            except Exception as error:
                raise self._failure(future, error) from error
            if waited >= PART_SECONDS or empty >= EMPTY_SECONDS:
                raise ClusterError(
                    coded("cluster_silent", address=self._address, seconds=max(waited, empty))
                )

    def _failure(self, future: Any, error: Exception) -> ClusterError:
        lost = future.status != "error" or type(error).__module__.startswith("distributed")
        name = "cluster_lost" if lost else "cluster_part_failed"
        return ClusterError(coded(name, address=self._address, error=_brief(error)))

    def _require_seen(self, files: Sequence[Path]) -> None:
        new = {str(file): file.stat().st_size for file in files if file not in self._seen}
        if not new:
            return
        for who, at, unseen in self._asked_all(_unseen, new):
            if who == "worker" and unseen:
                raise ClusterError(coded("cluster_unseen_file", at=at, file=unseen))
        self._seen.update(files)

    def _asked_all(self, function: Callable[..., Any], *args: Any) -> list[tuple[str, str, Any]]:
        """Return what the scheduler and every worker give: who it is, where, and its answer."""

        async def ask() -> tuple[Any, dict[str, Any]]:
            try:
                first = await self._client.run_on_scheduler(function, *args)
            except Exception as error:
                first = error
            return first, await self._client.run(function, *args, on_error="return")

        try:
            first, others = self._client.sync(ask, callback_timeout=ANSWER_SECONDS)
        except TimeoutError as error:
            raise ClusterError(
                coded("cluster_silent", address=self._address, seconds=ANSWER_SECONDS)
            ) from error
        workers = [("worker", at, answer) for at, answer in others.items()]
        return [("scheduler", self._address, first), *workers]


def versions() -> dict[str, str]:
    """Return what must be the same in every process, so that a part is made as it would be here."""
    libraries = {name: _version(name) for name in ("distributed", *LIBRARIES)}
    return {"Python": platform.python_version()} | libraries | {"blackmouth": program_key()}


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "none"


def _unseen(sizes: Mapping[str, int]) -> str:
    """Return a file that is not there or has another size; empty where all are there."""
    for name, size in sizes.items():
        try:
            if Path(name).stat().st_size == size:
                continue
        except OSError:
            pass
        return name
    return ""


def _kept(one: object) -> object:
    return one


def _made(
    make: Callable[..., pa.Table],
    part: ParquetRows,
    packed: Mapping[str, bytes],
    given: str,
    program: str,
) -> bytes:
    """Return a part's table as it travels; on a worker, which may have come late."""
    if program != program_key():
        raise RuntimeError(f"it has version {program_key()}, {program} is asked for")
    tables = {label: unpacked_table(one) for label, one in packed.items()}
    return packed_table(make(part, tables, given, threads=1))


def packed_table(table: pa.Table) -> bytes:
    """Return a table as a compressed Arrow stream."""
    sink = pa.BufferOutputStream()
    options = pa.ipc.IpcWriteOptions(compression="zstd")
    with pa.ipc.new_stream(sink, table.schema, options=options) as writer:
        writer.write_table(table)
    packed: bytes = sink.getvalue().to_pybytes()
    return packed


def unpacked_table(packed: bytes) -> pa.Table:
    """Return the table of a compressed Arrow stream."""
    return pa.ipc.open_stream(packed).read_all()


def _brief(error: object) -> str:
    """Return the first line of an error, with its kind where it says nothing."""
    return next(iter(str(error).strip().splitlines()), "") or type(error).__name__


@contextmanager
def _quiet(distributed: Any) -> Iterator[None]:
    """Keep Dask's own log out of the messages of a command: faults are said once, in words."""
    log = logging.getLogger(distributed.__name__)
    before = log.level
    log.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        log.setLevel(before)
