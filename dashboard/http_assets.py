"""The library's own scripts, styles and fonts, answered from memory and packed once a process.

A first visit asks for some seventy of them, 8 MB. Streamlit reads each from the disk for each
visitor and sends it as it is; here it is packed at the first request and kept.
"""

from __future__ import annotations

import asyncio
import gzip
import mimetypes
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from streamlit import config, file_util

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, MutableMapping

    Message = MutableMapping[str, Any]
    Receive = Callable[[], Awaitable[Message]]
    Send = Callable[[Message], Awaitable[None]]
    Program = Callable[[Message, Receive, Send], Awaitable[None]]

#: Where these files lie; their names hold a hash of their content, so a browser may keep them.
AT = "/static/"
_KEPT_BY_BROWSERS = b"public, immutable, max-age=31536000"
#: Endings of what packing makes smaller; fonts and pictures are packed already.
_PACKED = (".js", ".css", ".svg")
#: What a machine's own list of kinds may have otherwise, or not at all.
_KINDS = {".js": "text/javascript", ".css": "text/css", ".woff2": "font/woff2"}
_LEVEL = 7
#: Bytes handed on at once: a slow visitor holds one piece, not the file.
_PIECE = 64 * 1024


class Asset(NamedTuple):
    """A file as it is sent."""

    headers: list[tuple[bytes, bytes]]
    body: bytes


class Assets:
    """A layer of the server that answers requests for these files, and hands on all others.

    It keeps no more than the files of the library's folder.
    """

    def __init__(self, app: Program, folder: Path | None = None) -> None:
        self._app = app
        root = folder or Path(file_util.get_static_dir()) / AT.strip("/")
        self._files = {
            AT + path.relative_to(root).as_posix(): path
            for path in root.rglob("*")
            if path.is_file()
        }
        self._kept: dict[str, asyncio.Task[Asset]] = {}

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Answer a request for a file, or hand it on."""
        path = self._asked(scope)
        asset = await self._asset(path) if path else None
        if asset is None:
            await self._app(scope, receive, send)
            return
        await send({"type": "http.response.start", "status": 200, "headers": asset.headers})
        last = max(len(asset.body) - 1, 0) // _PIECE
        for at in range(last + 1):
            piece = asset.body[at * _PIECE : (at + 1) * _PIECE]
            await send({"type": "http.response.body", "body": piece, "more_body": at < last})

    def _asked(self, scope: Message) -> str | None:
        """Return the file that a plain request asks for; None where the library answers."""
        if scope["type"] != "http" or scope["method"] != "GET":
            return None
        base = str(config.get_option("server.baseUrlPath")).strip("/")
        path = str(scope["path"]).removeprefix(f"/{base}" if base else "")
        if path not in self._files:
            return None
        said = dict(scope["headers"])
        takes_packed = b"gzip" in said.get(b"accept-encoding", b"")
        return path if takes_packed and b"range" not in said else None

    async def _asset(self, path: str) -> Asset | None:
        """Return a file, read once however many ask for it at once; None where that fails."""
        if path not in self._kept:
            self._kept[path] = asyncio.create_task(asyncio.to_thread(_read, self._files[path]))
        try:
            return await asyncio.shield(self._kept[path])
        except OSError:
            self._kept.pop(path, None)
            return None


def _read(path: Path) -> Asset:
    body = path.read_bytes()
    kind = _KINDS.get(path.suffix) or mimetypes.guess_type(path.name)[0]
    kind = kind or "application/octet-stream"
    words = f"{kind}; charset=utf-8" if kind.startswith("text/") else kind
    headers = [
        (b"content-type", words.encode()),
        (b"cache-control", _KEPT_BY_BROWSERS),
        (b"vary", b"Accept-Encoding"),
    ]
    if path.suffix in _PACKED:
        body = gzip.compress(body, _LEVEL, mtime=0)
        headers.append((b"content-encoding", b"gzip"))
    headers.append((b"content-length", str(len(body)).encode()))
    return Asset(headers, body)
