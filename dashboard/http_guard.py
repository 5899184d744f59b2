"""What stands before a server: headers on every answer, files for those let in, assets.

No message of the library says what the server is made with, where it lies or on which machine, and
none is heard that no page sends: whoever opens a socket could empty what the server keeps for all.

Pages are checked where they are drawn. Files that a page offered lie for a while under an address
of their own (`/media/` and a hash of their content), and files that come in have one as well: these
addresses ask for a login here, with its role as the settings say now.

A page of another site may make a browser speak to these pages. Pages that ask nobody to log in
answer only where they are asked for by a name of this machine (a name of the other site may lead
here), and no socket opens for the page of another site.

Streamlit's login ends at the first page. Which one was asked for is taken from where the login was
pressed, kept by the browser for some minutes, and opened after it: one of our pages, or none.

The library's own scripts, styles and fonts are answered from memory and packed once a process. A
first visit asks for some seventy of them, 8 MB. Streamlit reads each from the disk for each visitor
and sends it as it is; here it is packed at the first request and kept.
"""

from __future__ import annotations

import asyncio
import gzip
import json
import mimetypes
import os
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import parse_qsl, urlencode, urlsplit

from google.protobuf.message import DecodeError  # type: ignore[import-untyped]  # it has no types
from streamlit import config, file_util
from streamlit.auth_util import get_cookie_with_chunks, get_origin_from_redirect_uri
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from streamlit.web.server.server_util import get_cookie_secret
from streamlit.web.server.starlette.starlette_app_utils import decode_signed_value
from streamlit.web.server.starlette.starlette_server_config import USER_COOKIE_NAME

from analytics.people import NOBODY, Action, Person, is_loopback
from analytics.publishing.published_files import PUBLIC_VARIABLE
from dashboard import people

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, MutableMapping, Sequence

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


#: Scripts and styles stand inside the page (ours, and those of the library), and its tables and
#: figures need workers and images made in the browser; nothing comes from another host.
POLICY = "; ".join(
    (
        "default-src 'self'",
        "script-src 'self' 'unsafe-inline' 'wasm-unsafe-eval' blob:",
        "style-src 'self' 'unsafe-inline'",
        "img-src 'self' data: blob:",
        "font-src 'self' data:",
        "worker-src 'self' blob:",
        "connect-src 'self'",
        "object-src 'none'",
        "base-uri 'self'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    )
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
#: Messages of the browser that pages need: to run, to stop and to go on, to give and take files.
HEARD = (
    *("rerun_script", "stop_script", "app_heartbeat"),
    *("file_urls_request", "backend_operation_request"),
)
#: How addresses begin that ask for a person who may do this.
UPLOADS = "/_stcore/upload_file/"
GUARDED = {"/media/": Action.DOWNLOAD, UPLOADS: Action.READ}
#: Bytes of a file that whoever may take no data in may send: a file of options, of which the
#: largest has some hundred thousand (our choice, no source).
MOST_SENT = 1 << 20
#: Addresses that tell of the server's inside, and nothing that a page needs.
CLOSED = ("/_stcore/metrics", "/_stcore/script-health-check", "/_stcore/agent/")
#: Where a login begins and ends, the cookie of the page that was asked for, and its bounds (our
#: choice, no source).
LOGIN, CALLBACK, ASKED = "/auth/login", "/oauth2callback", "blackmouth_asked"
#: How addresses begin that the public does not need: uploads, and logins.
_NOT_PUBLIC = (UPLOADS, "/auth/", CALLBACK)
ASKED_SECONDS, LONGEST_QUERY = 900, 2000

#: How the public may ask, and what a refusal says.
_ASKING = ("GET", "HEAD", "OPTIONS")
_WORDS = {
    403: b"log in with a role that may have this file",
    404: b"not found",
    405: b"nothing is taken in here",
    421: b"these pages are for this machine alone: open them at http://localhost and the port that "
    b"`blackmouth open` said; for a team, start them with --people FILE",
    413: b"a file of options has at most 1 MiB; data are taken in by an analyst",
    431: b"the head of the request is too large",
}
#: Bytes of the head of the public's requests; h11 counts only heads that come in parts.
_MOST_HEAD = 16_384


class Guard:
    """A layer of the server that adds `HEADERS` and asks who wants a file."""

    def __init__(self, app: Program) -> None:
        self._app = app

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Answer a request, or hand it on."""
        if scope["type"] == "websocket":
            if is_of_another(scope) or is_elsewhere(scope):
                await send({"type": "websocket.close", "code": 1008})
                return
            await self._app(scope, _needed(receive), _discreet(send))
            return
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        path = _inside(str(scope["path"]))
        is_file = path.startswith(tuple(GUARDED))

        async def answer(message: Message) -> None:
            if message["type"] == "http.response.start":
                message = _opening_what_was_asked(scope, path, message)
                named = dict(HEADERS) | ({"Cache-Control": "no-store"} if is_file else {})
                taken = {name.lower().encode() for name in named}
                kept = [one for one in message.get("headers", []) if one[0].lower() not in taken]
                more = [(name.lower().encode(), said.encode()) for name, said in named.items()]
                message = {**message, "headers": [*kept, *more]}
            await send(message)

        status = refused(scope, path)
        if status is None:
            await self._app(scope, receive, answer)
            return
        headers = [(b"content-type", b"text/plain; charset=utf-8")]
        await answer({"type": "http.response.start", "status": status, "headers": headers})
        await answer({"type": "http.response.body", "body": _WORDS[status]})


def _needed(receive: Receive) -> Receive:
    """Return what hears the messages of a page, without those that none of our pages sends."""

    async def hear() -> Message:
        while True:
            message = await receive()
            if message["type"] != "websocket.receive" or is_heard(message.get("bytes")):
                return message

    return hear


def is_heard(data: bytes | None) -> bool:
    """Whether a message is one that pages send, or none at all, which the library refuses.

    Others are meant for whoever writes the pages: to empty what is kept for all, to say where they
    lie.
    """
    try:
        kind = BackMsg.FromString(data).WhichOneof("type") if data else None
    except DecodeError:
        return True
    return kind is None or kind in HEARD


def _discreet(send: Send) -> Send:
    """Return what sends messages to a page without what the library says of this server in them."""

    async def tell(message: Message) -> None:
        data = message.get("bytes")
        await send({**message, "bytes": without_server(data)} if data else message)

    return tell


def without_server(data: bytes) -> bytes:
    """Return a message of the library to a page without versions, paths and marks of a machine."""
    message = ForwardMsg.FromString(data)
    if message.WhichOneof("type") != "new_session":
        return data
    begun = message.new_session
    begun.ClearField("main_script_path")
    for part in (begun.initialize.environment_info, begun.initialize.user_info):
        part.Clear()
        part.SetInParent()  # the page asks for both, empty ones too
    return message.SerializeToString()


def is_elsewhere(scope: Message) -> bool:
    """Whether pages without a login are asked for by another name than one of this machine."""
    if people.is_team() or PUBLIC_VARIABLE in os.environ:
        return False
    return not is_loopback(_host_of(f"//{_header(scope, b'host')}"))


def is_of_another(scope: Message) -> bool:
    """Whether a socket is asked for by the page of another site.

    Streamlit would ask an outside host for this machine's address before it says no, and answer
    nobody meanwhile.
    """
    origin = _header(scope, b"origin")
    if not origin or origin.partition("://")[2] == _header(scope, b"host"):
        return False
    named = config.get_option("server.corsAllowedOrigins") or ()
    known = {_host_of(one if "://" in one else f"//{one}") for one in named}
    if config.is_manually_set("browser.serverAddress"):
        known.add(str(config.get_option("browser.serverAddress")))
    return _host_of(origin) not in known - {""}


def _host_of(address: str) -> str:
    """Return the host of an address; empty where it has none."""
    try:
        return urlsplit(address).hostname or ""
    except ValueError:
        return ""


def refused(scope: Message, path: str) -> int | None:
    """Return the status by which a request is refused; None where it is not."""
    is_public = PUBLIC_VARIABLE in os.environ
    if is_elsewhere(scope):
        return 421
    if path.startswith(CLOSED) or (is_public and path.startswith(_NOT_PUBLIC)):
        return 404
    if is_public and scope["method"] not in _ASKING:
        return 405  # nothing is taken in from the public
    if is_public and sum(len(part) for one in scope["headers"] for part in one) > _MOST_HEAD:
        return 431
    needed = [action for start, action in GUARDED.items() if path.startswith(start)]
    # The browser asks before it uploads, without a cookie; that says nothing.
    if not needed or scope["method"] == "OPTIONS":
        return None
    return _refused_to(person_at(scope), needed, scope, path)


def _refused_to(person: Person, needed: Sequence[Action], scope: Message, path: str) -> int | None:
    """Return the status by which somebody's request for a file, or with one, is refused."""
    if not all(person.may(action) for action in needed):
        return 403
    is_large = path.startswith(UPLOADS) and _sent(scope) > MOST_SENT
    return 413 if is_large and not person.may(Action.DRAFT) else None


def _sent(scope: Message) -> float:
    """Return how many bytes a request says that it brings; more than any where it does not."""
    said = _header(scope, b"content-length")
    if scope["method"] in ("GET", "HEAD", "DELETE"):
        return 0
    return float(said) if said.isascii() and said.isdigit() else float("inf")


def page_of(address: str) -> str | None:
    """Return the address of one of our pages below the root, with its query; None for any other.

    It is written anew from its parts, so that none leads away from here.
    """
    from dashboard import pages  # noqa: PLC0415 - the public's process has no such pages

    try:
        parts = urlsplit(address)
        choices = parse_qsl(parts.query, keep_blank_values=True, max_num_fields=100)
    except ValueError:
        return None
    name, query = parts.path.strip("/"), urlencode(choices)
    if parts.scheme or parts.netloc or parts.fragment or len(query) > LONGEST_QUERY:
        return None
    known = [name] if name in ("", *pages.addresses()) else []
    return next((f"{one}?{query}" if query else one for one in known), None)


def _opening_what_was_asked(scope: Message, path: str, message: Message) -> Message:
    """Keep which page was asked for when a login begins, and open it where the login ends."""
    if path not in (LOGIN, CALLBACK) or not people.is_team():
        return message
    base = _base()
    secure = "; Secure" if str(get_origin_from_redirect_uri()).startswith("https:") else ""
    held = f"; Path={base}/; HttpOnly; SameSite=Lax{secure}"
    headers = list(message.get("headers", []))
    if path == LOGIN:
        came = urlsplit(_header(scope, b"referer"))
        is_ours = came.netloc and came.netloc == _header(scope, b"host")
        page = page_of(f"{_inside(came.path)}?{came.query}") if is_ours else None
        cookie = f"{ASKED}={page or ''}; Max-Age={ASKED_SECONDS if page else 0}{held}"
        return {**message, "headers": [*headers, (b"set-cookie", cookie.encode())]}
    page = page_of(_cookies(scope).get(ASKED, ""))
    place = (b"location", f"{base}/".encode())
    if page and place in headers:
        headers[headers.index(place)] = (b"location", f"{base}/{page}".encode())
    cookie = f"{ASKED}=; Max-Age=0{held}"
    return {**message, "headers": [*headers, (b"set-cookie", cookie.encode())]}


def _base() -> str:
    """Return the path below which the pages are served; empty where that is the root."""
    base = str(config.get_option("server.baseUrlPath")).strip("/")
    return f"/{base}" if base else ""


def _inside(path: str) -> str:
    return path.removeprefix(_base())


def _header(scope: Message, name: bytes) -> str:
    said = [value.decode("latin-1") for one, value in scope["headers"] if one == name]
    return said[0] if said else ""


def _cookies(scope: Message) -> dict[str, str]:
    try:
        read = SimpleCookie(_header(scope, b"cookie"))
    except CookieError:
        return {}
    return {name: one.value for name, one in read.items()}


def person_at(scope: Message) -> Person:
    """Return who stands behind the login cookie of a request; nobody where anything is odd."""
    if not people.is_team():
        return people.current_person()
    try:
        claims = json.loads(_cookie(scope) or b"{}")
    except (ValueError, CookieError):
        return NOBODY
    origin = get_origin_from_redirect_uri()
    if not isinstance(claims, dict) or origin is None or claims.get("origin") != origin:
        return NOBODY
    return people.person_of(claims)


def _cookie(scope: Message) -> bytes | None:
    """Return the content of the login cookie, where its signature is right."""
    said = [value.decode("latin-1") for name, value in scope["headers"] if name == b"cookie"]
    cookies = SimpleCookie("; ".join(said))
    secret = get_cookie_secret()

    def single(name: str) -> bytes | None:
        found = cookies.get(name)
        return decode_signed_value(secret, name, found.value) if found else None

    return get_cookie_with_chunks(single, USER_COOKIE_NAME)
