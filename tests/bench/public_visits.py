"""Visitors of the public's pages at once: ``python -m tests.bench.public_visits DIR``.

DIR is what `blackmouth publish` wrote. Visitors come within some seconds, each as a new browser:
it asks for the files of the pages (those that Chromium asked for), opens a websocket, and reads
page after page with a pause between two. Prints the time of a page, the server's processor time and
memory, this program's own share of the processors, and visitors that were not given everything.

As a section of the bench it reads the demo's publication, beside a bare Streamlit page that is
served under the same settings.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import os
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from analytics.cli.demo_store import prepare
from analytics.cli.open_command import public_command
from analytics.publishing.published_files import PUBLIC_VARIABLE
from tests.bench import figures
from tests.bench.runs import Part, Run, in_turns
from tests.bench.visitors import (
    Crowd,
    IncompleteError,
    Load,
    Visitor,
    open_stream,
    references,
    together,
    visits,
)
from tests.browser.serving import browser, end, free_port, wait_for

if TYPE_CHECKING:
    from collections.abc import Coroutine, Iterator, Sequence

#: Addresses of pages, and what stands on each.
PAGES = {"": "Now", "areas": "Areas", "weeks": "Weeks", "methods": "Methods and cautions"}
BARE_PAGES = {"": "First", "second": "Second"}
PUBLIC_APP, BARE_APP = "dashboard.public_served:app", "tests.bench.bare_served:app"
#: The load that is stated: visitors come over so many seconds, and read so long, pages of each.
COMING, READING, EACH = 25.0, (10.0, 20.0), 5
#: Pages asked for at the same instant by everybody, so often.
ROUNDS = 4
#: Seconds after which sessions that lost their browser are forgotten, and some more.
FORGOTTEN = 15.0
_TICK = os.sysconf("SC_CLK_TCK")
#: Runs of each page that one measurement takes, since the processor's clock ticks coarsely.
_MANY = 60
BARE = "bare page (baseline)"
#: Milliseconds that a browser on a busy machine may take.
_BROWSER = 180_000


def memory_mib(pid: int) -> float:
    """Return the resident memory of a process, MiB."""
    words = Path(f"/proc/{pid}/status").read_text()
    line = next(one for one in words.splitlines() if one.startswith("VmRSS"))
    return int(line.split()[1]) / 1024


def processor(pid: int) -> float:
    """Return the processor seconds of a process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / _TICK


@contextlib.contextmanager
def server(app: str, folder: Path) -> Iterator[tuple[int, int]]:
    """Give port and process number of the server of an app that shows a published folder."""
    port = free_port()
    environment = os.environ | {PUBLIC_VARIABLE: str(folder.absolute())}
    command = public_command(Path(__file__).parents[2], port, app=app)
    child = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL)
    try:
        wait_for(f"http://127.0.0.1:{port}/_stcore/health", child)
        yield port, child.pid
    finally:
        end(child)


def files_of(port: int) -> tuple[str, ...]:
    """Return what a browser asks for until the first page is whole, the page itself first."""
    address = f"http://127.0.0.1:{port}"
    asked: list[str] = []
    with browser() as chrome:
        page = chrome.new_context().new_page()
        page.on("request", lambda one: asked.append(one.url))
        page.goto(address, timeout=_BROWSER)
        page.wait_for_selector(".js-plotly-plot .main-svg", timeout=_BROWSER)
        page.wait_for_load_state("networkidle", timeout=_BROWSER)
    paths = [url.removeprefix(address) for url in asked if url.startswith(address)]
    return tuple(dict.fromkeys(path for path in paths if not path.startswith("/media/")))


class Measured(NamedTuple):
    """A crowd, and what it cost: processor seconds of both sides, and memory of the server."""

    crowd: Crowd
    wall: float
    server_seconds: float
    own_seconds: float
    most_mib: float
    left_mib: float

    @property
    def words(self) -> str:
        """Return the figures in a line."""
        crowd = self.crowd
        middle, most, longest = _quantiles(crowd.pages)
        said = [
            f"{len(crowd.pages)} pages of {crowd.most_inside} visitors in at once: median "
            f"{middle:.2f} s, 95 % within {most:.2f} s, longest {longest:.2f} s"
        ]
        if crowd.first:
            first = _quantiles(crowd.first)
            said.append(f"first page with all its files 95 % within {first[1]:.2f} s")
        n = max(len(crowd.pages), 1)
        said += [
            f"server {1000 * self.server_seconds / n:.1f} ms of processor a page, "
            f"{self.server_seconds / self.wall:.2f} of a core, the visitors themselves "
            f"{self.own_seconds / self.wall:.2f}",
            f"memory at most {self.most_mib:.0f} MiB, {self.left_mib:.0f} after all had gone",
            f"{len(crowd.faults)} dropped {sorted(set(crowd.faults))[:3]}",
        ]
        return "; ".join(said) + f"; load {figures.load()}"


def _quantiles(seconds: Sequence[float]) -> tuple[float, float, float]:
    if not seconds:
        return np.nan, np.nan, np.nan
    middle, most, longest = np.quantile(seconds, [0.5, 0.95, 1.0])
    return float(middle), float(most), float(longest)


async def measured(pid: int, crowd: Coroutine[Any, Any, Crowd]) -> Measured:
    """Let a crowd come; return it with what it cost."""
    most = memory_mib(pid)

    async def look() -> None:
        nonlocal most
        while True:
            most = max(most, memory_mib(pid))
            await asyncio.sleep(0.5)

    looking = asyncio.create_task(look())
    start = time.monotonic(), processor(pid), time.process_time()
    found = await crowd
    took = time.monotonic() - start[0], processor(pid) - start[1], time.process_time() - start[2]
    looking.cancel()
    await asyncio.sleep(FORGOTTEN)
    return Measured(found, *took, most, memory_mib(pid))


def require_whole(known: dict[str, Any], titles: dict[str, str]) -> None:
    """Refuse pages of a lone visitor that are not the ones that were asked for."""
    missing = [page for page, title in titles.items() if title not in known[page].text]
    if missing:
        raise IncompleteError(f"not the pages that were asked for: {missing}")


# The section of the bench.


def part(*, of: str, turns: int) -> Part:
    """Measure the processor time of a page, or a crowd of visitors, beside the bare page's."""
    with tempfile.TemporaryDirectory() as name:
        folder = demo_publication(Path(name) / "public")
        return _pages(folder, turns) if of == "pages" else _crowd(folder, int(of))


def demo_publication(folder: Path) -> Path:
    """Publish the demo's newest bulletin."""
    store = prepare(lambda _: None)
    command = [sys.executable, "-m", "analytics.cli", "publish", "--store", str(store)]
    subprocess.run([*command, "--out", str(folder)], check=True, capture_output=True)
    return folder


async def _reads(port: int, pid: int, page: str) -> Run:
    """Read a page many times in one tab."""
    async with open_stream(port) as stream:
        visitor = Visitor(stream)
        for _ in range(3):
            await visitor.read(page)
        start = time.monotonic(), processor(pid)
        for _ in range(_MANY):
            await visitor.read(page)
        wall, seconds = time.monotonic() - start[0], processor(pid) - start[1]
    return Run(wall / _MANY, seconds / _MANY)


def _pages(folder: Path, turns: int) -> Part:
    with server(PUBLIC_APP, folder) as (port, pid), server(BARE_APP, folder) as (bare, bare_pid):

        def read(_: int, port: int, pid: int, page: str) -> Run:
            return asyncio.run(_reads(port, pid, page))

        steps = {BARE: partial(read, port=bare, pid=bare_pid, page="")}
        steps |= {
            title: partial(read, port=port, pid=pid, page=page) for page, title in PAGES.items()
        }
        runs = in_turns(steps, turns=turns)
    return Part("public_visits", "A page of the public, run again", runs, tuple(PAGES.values()))


def _crowd(folder: Path, n: int) -> Part:
    """Measure a crowd at our pages and at the bare one, under the same settings."""
    load = Load(n, COMING * n / 200, READING if n >= 200 else (1.0, 3.0), EACH)
    own, runs, said = f"the public's pages, {n} visitors", {}, ""
    for step, app, titles in ((BARE, BARE_APP, BARE_PAGES), (own, PUBLIC_APP, PAGES)):
        with server(app, folder) as (port, pid):
            found = asyncio.run(_come(port, pid, load, titles, files_of(port)))
        if found.crowd.faults:
            raise SystemExit(f"{step}: {found.words}")
        seconds = found.server_seconds / len(found.crowd.pages)
        runs[step] = [Run(_quantiles(found.crowd.pages)[1], seconds, found.most_mib)]
        said = found.words
    sizes = (
        f"{n} visitors, each a new browser, within {load.coming:.0f} s; {EACH} pages each, "
        f"{load.reading[0]:.0f} to {load.reading[1]:.0f} s between two; wall s: 95 % of the pages"
    )
    return Part("public_visits", sizes, runs, (own,), f"{own}: {said}.")


async def _come(
    port: int, pid: int, load: Load, titles: dict[str, str], files: tuple[str, ...]
) -> Measured:
    known = await references(port, list(titles))
    require_whole(known, titles)
    whole = Load(load.n, load.coming, load.reading, load.pages, files)
    return await measured(pid, visits(port, whole, known))


# The command.


async def _all(port: int, pid: int, n: int, files: tuple[str, ...]) -> None:
    known = await references(port, list(PAGES))
    require_whole(known, PAGES)
    print(f"server of {memory_mib(pid):.0f} MiB; {len(files)} files of a first page", flush=True)
    stated, new = Load(n, COMING, READING, EACH, files), Load(n, 0.0, (0.0, 0.0), 1, files)
    crowds = {
        f"within {COMING:.0f} s": partial(visits, port, stated, known),
        f"within {COMING:.0f} s, once more": partial(visits, port, stated, known),
        "all in, pages at the same instant": partial(together, port, n, ROUNDS, known),
        "new browsers at the same instant": partial(visits, port, new, known),
    }
    for name, crowd in crowds.items():
        print(f"{name}: {(await measured(pid, crowd())).words}", flush=True)


def main() -> None:
    """Start the server, let the visitors come, print the figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--visitors", type=int, default=200)
    given = parser.parse_args()
    with server(PUBLIC_APP, given.folder) as (port, pid):
        files = files_of(port)
        asyncio.run(_all(port, pid, given.visitors, files))


if __name__ == "__main__":
    main()
