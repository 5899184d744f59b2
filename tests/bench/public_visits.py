"""Visitors of the public's pages at once: ``python -m tests.bench.public_visits DIR``.

DIR is what `blackmouth publish` wrote. Each visitor opens a websocket as a browser does, asks for
a page, and waits until it is whole; all begin within the first seconds. Prints the time of a page,
memory of the server before and after, and visitors that were dropped.
"""

from __future__ import annotations

import argparse
import asyncio
import socket
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import websockets
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

PAGES = ("", "areas", "weeks", "methods")
#: Visitors come over so many seconds and read for so long between two pages.
COMING, READING = 5.0, 2.0


def memory_mb(pid: int) -> float:
    """Return the resident memory of a process."""
    words = Path(f"/proc/{pid}/status").read_text()
    line = next(one for one in words.splitlines() if one.startswith("VmRSS"))
    return int(line.split()[1]) / 1024


async def one_page(stream: websockets.ClientConnection, page: str) -> float:
    """Ask for a page; return the seconds until it is whole."""
    asked = BackMsg()
    asked.rerun_script.query_string = ""
    asked.rerun_script.page_name = page
    begun = time.monotonic()
    await stream.send(asked.SerializeToString())
    has_text = False
    while True:
        message = ForwardMsg()
        message.ParseFromString(await asyncio.wait_for(stream.recv(), 60))
        kind = message.WhichOneof("type")
        has_text |= kind == "delta"
        if kind == "script_finished":
            if not has_text:
                raise ValueError("a page without content")
            return time.monotonic() - begun


async def visit(port: int, number: int, of: int, seconds: list[float], faults: list[str]) -> None:
    """Come, read each page for a while, and stay until all have come."""
    await asyncio.sleep(COMING * number / of)
    try:
        address = f"ws://127.0.0.1:{port}/_stcore/stream"
        async with websockets.connect(
            address, subprotocols=["streamlit"], max_size=None, open_timeout=60
        ) as stream:
            for step in range(len(PAGES)):
                seconds.append(await one_page(stream, PAGES[(number + step) % len(PAGES)]))
                await asyncio.sleep(READING)
    except Exception as error:
        faults.append(f"{type(error).__name__}: {error}")


async def all_visits(port: int, n: int) -> tuple[list[float], list[str]]:
    """Let all come at once."""
    seconds: list[float] = []
    faults: list[str] = []
    await visit(port, 0, n, [], faults)  # the first one starts the pages
    await asyncio.gather(*(visit(port, one, n, seconds, faults) for one in range(n)))
    return seconds, faults


def main() -> None:
    """Start the server, let the visitors come, print the figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--visitors", type=int, default=200)
    given = parser.parse_args()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "analytics.cli", "open", "--public", str(given.folder)]
    parent = subprocess.Popen([*command, "--port", str(port)], stderr=subprocess.PIPE, text=True)
    try:
        assert parent.stderr is not None
        parent.stderr.readline()
        children = Path(f"/proc/{parent.pid}/task/{parent.pid}/children").read_text().split()
        server = int(children[0])
        before = memory_mb(server)
        seconds, faults = asyncio.run(all_visits(port, given.visitors))
        after = memory_mb(server)
    finally:
        parent.terminate()
        parent.wait()
    middle, most = np.quantile(seconds, [0.5, 0.95]) if seconds else (np.nan, np.nan)
    print(
        f"{given.visitors} visitors, {len(seconds)} pages: median {middle:.2f} s, 95 % within "
        f"{most:.2f} s, longest {max(seconds, default=np.nan):.2f} s; memory {before:.0f} MB, "
        f"then {after:.0f} MB; {len(faults)} dropped {sorted(set(faults))[:3]}"
    )


if __name__ == "__main__":
    main()
