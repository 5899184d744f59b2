"""Visitors of a Streamlit server as its browsers are: files first, then a websocket and pages.

A page counts only where its whole content came: all of its elements, equal to those that a lone
visitor was given before.
"""

from __future__ import annotations

import asyncio
import hashlib
import random
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import websockets
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Mapping, Sequence

#: Connections that a browser opens to one address.
CONNECTIONS = 6
#: Seconds that a visitor waits for anything before it counts as dropped.
PATIENCE = 60.0
SEED = 7


class PageRead(NamedTuple):
    """A page as it came: seconds until it was whole, its text, and a hash of all its elements."""

    seconds: float
    text: str
    content: str


class IncompleteError(Exception):
    """What was not answered, or not in full."""


class Visitor:
    """A browser's tab: a websocket, and the messages that it keeps and need not be given again."""

    def __init__(self, stream: websockets.ClientConnection) -> None:
        self._stream = stream
        self._kept: dict[str, ForwardMsg] = {}

    async def read(self, page: str) -> PageRead:
        """Ask for a page; return it when it is whole.

        Raises
        ------
        IncompleteError
            If it came without content, or not in time.
        """
        asked = BackMsg()
        asked.rerun_script.query_string = ""
        asked.rerun_script.page_name = page
        asked.rerun_script.cached_message_hashes.extend(self._kept)
        begun = time.monotonic()
        await self._stream.send(asked.SerializeToString())
        elements: dict[tuple[int, ...], ForwardMsg] = {}
        async for message in self._messages():
            kind = message.WhichOneof("type")
            if kind == "delta":
                elements[tuple(message.metadata.delta_path)] = message
            if kind == "script_finished":
                break
        seconds = time.monotonic() - begun
        if not elements:
            raise IncompleteError("a page without content")
        parts = [(at, elements[at].delta.SerializeToString()) for at in sorted(elements)]
        digest = hashlib.sha256(repr(parts).encode()).hexdigest()
        return PageRead(seconds, " ".join(map(_text, elements.values())), digest)

    async def _messages(self) -> AsyncIterator[ForwardMsg]:
        while True:
            message = ForwardMsg()
            message.ParseFromString(await asyncio.wait_for(self._stream.recv(), PATIENCE))
            if message.WhichOneof("type") == "ref_hash":
                path = list(message.metadata.delta_path)
                kept, message = self._kept[message.ref_hash], ForwardMsg()
                message.CopyFrom(kept)
                message.metadata.delta_path[:] = path
            elif message.metadata.cacheable:
                self._kept[message.hash] = message
            yield message


def _text(message: ForwardMsg) -> str:
    element = message.delta.new_element
    kind = element.WhichOneof("type")
    found = getattr(element, kind) if kind else None
    return str(getattr(found, "body", "") or getattr(found, "spec", ""))


def open_stream(port: int) -> websockets.connect:
    """Return the websocket that a tab opens."""
    address = f"ws://127.0.0.1:{port}/_stcore/stream"
    return websockets.connect(
        address, subprotocols=["streamlit"], max_size=None, open_timeout=PATIENCE, ping_timeout=None
    )


# Files.


async def first_load(port: int, paths: Sequence[str]) -> int:
    """Ask for files as a browser without any; return the bytes that came.

    Raises
    ------
    IncompleteError
        If one was not answered in full.
    """
    waiting = list(reversed(paths))

    async def one_connection() -> int:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        size = 0
        try:
            while waiting:
                size += await _file(reader, writer, waiting.pop())
        finally:
            writer.close()
        return size

    several = min(CONNECTIONS, len(paths))
    found = asyncio.gather(*(one_connection() for _ in range(several)))
    return sum(await asyncio.wait_for(found, PATIENCE))


async def _file(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, path: str) -> int:
    head = f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nAccept-Encoding: gzip\r\n\r\n"
    writer.write(head.encode())
    status, *lines = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").split("\r\n")
    if " 200 " not in status:
        raise IncompleteError(f"{path}: {status}")
    said = dict(line.lower().split(": ", 1) for line in lines if line)
    size = int(said["content-length"])
    left = size
    while left:
        got = await reader.read(min(left, 1 << 18))
        if not got:
            raise IncompleteError(f"{path} broke off")
        left -= len(got)
    return size


# A crowd.


@dataclass(frozen=True, slots=True)
class Load:
    """How visitors come and read.

    Parameters
    ----------
    n : int
        Visitors.
    coming : float
        Seconds within which they come, evenly.
    reading : tuple of float
        Shortest and longest time between two pages, s; even in between.
    pages : int
        Pages that each asks for.
    files : tuple of str
        What each asks for first.
    """

    n: int
    coming: float
    reading: tuple[float, float]
    pages: int
    files: tuple[str, ...] = ()


@dataclass(slots=True)
class Crowd:
    """What happened: seconds of pages and of first loads, faults, and how many were in at once."""

    pages: list[float] = field(default_factory=list)
    first: list[float] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    inside: int = 0
    most_inside: int = 0


async def references(port: int, pages: Sequence[str]) -> dict[str, PageRead]:
    """Return the pages as a lone visitor is given them, read twice."""
    async with open_stream(port) as stream:
        visitor = Visitor(stream)
        for page in pages:
            await visitor.read(page)
        return {page: await visitor.read(page) for page in pages}


async def visits(port: int, load: Load, known: Mapping[str, PageRead]) -> Crowd:
    """Let all come, read and go."""
    crowd = Crowd()
    await asyncio.gather(*(_visit(port, one, load, known, crowd) for one in range(load.n)))
    return crowd


async def _visit(
    port: int, number: int, load: Load, known: Mapping[str, PageRead], crowd: Crowd
) -> None:
    chance = random.Random(SEED * 100_003 + number)
    await asyncio.sleep(load.coming * number / load.n)
    names = list(known)
    try:
        begun = time.monotonic()
        if load.files:
            await first_load(port, load.files)
        async with open_stream(port) as stream:
            crowd.inside += 1
            crowd.most_inside = max(crowd.inside, crowd.most_inside)
            visitor = Visitor(stream)
            for step in range(load.pages):
                name = names[(number + step) % len(names)]
                _take(crowd, await visitor.read(name), known[name])
                if step == 0:
                    crowd.first.append(time.monotonic() - begun)
                await asyncio.sleep(chance.uniform(*load.reading))
            crowd.inside -= 1
    except Exception as error:
        crowd.faults.append(f"{type(error).__name__}: {error}")


async def together(port: int, n: int, rounds: int, known: Mapping[str, PageRead]) -> Crowd:
    """Let visitors who are in already ask for a page at the same instant, several times."""
    crowd = Crowd(inside=n, most_inside=n)
    names = list(known)
    streams = [await open_stream(port) for _ in range(n)]
    visitors = [Visitor(stream) for stream in streams]

    async def one(number: int, step: int) -> None:
        name = names[(number + step) % len(names)]
        try:
            _take(crowd, await visitors[number].read(name), known[name])
        except Exception as error:
            crowd.faults.append(f"{type(error).__name__}: {error}")

    for step in range(rounds):
        await asyncio.gather(*(one(number, step) for number in range(n)))
    await asyncio.gather(*(stream.close() for stream in streams))
    return crowd


def _take(crowd: Crowd, found: PageRead, known: PageRead) -> None:
    crowd.pages.append(found.seconds)
    if found.content != known.content:
        raise IncompleteError("a page with other content than a lone visitor's")
