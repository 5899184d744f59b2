"""What stands before the server of a team: headers on every answer, and files for those let in.

Pages are checked where they are drawn. Files that a page offered lie for a while under an address
of their own (`/media/` and a hash of their content), and files that come in have one as well: these
addresses ask for a login here, with its role as the settings say now.
"""

from __future__ import annotations

import json
import os
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING, Any

from streamlit import config
from streamlit.auth_util import get_cookie_with_chunks, get_origin_from_redirect_uri
from streamlit.web.server.server_util import get_cookie_secret
from streamlit.web.server.starlette.starlette_app_utils import decode_signed_value
from streamlit.web.server.starlette.starlette_server_config import USER_COOKIE_NAME

from analytics.people import NOBODY, Action, Person
from analytics.publishing.published_files import PUBLIC_VARIABLE
from dashboard import people

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, MutableMapping

    Message = MutableMapping[str, Any]
    Receive = Callable[[], Awaitable[Message]]
    Send = Callable[[Message], Awaitable[None]]
    Program = Callable[[Message, Receive, Send], Awaitable[None]]

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
#: How addresses begin that ask for a person who may do this.
UPLOADS = "/_stcore/upload_file/"
GUARDED = {"/media/": Action.DOWNLOAD, UPLOADS: Action.READ}
#: Addresses that tell of the server's inside, and nothing that a page needs.
CLOSED = ("/_stcore/metrics", "/_stcore/script-health-check", "/_stcore/agent/")


class Guard:
    """A layer of the server that adds `HEADERS` and asks who wants a file."""

    def __init__(self, app: Program) -> None:
        self._app = app

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Answer a request, or hand it on."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        base = str(config.get_option("server.baseUrlPath")).strip("/")
        path = str(scope["path"]).removeprefix(f"/{base}" if base else "")
        is_file = path.startswith(tuple(GUARDED))

        async def answer(message: Message) -> None:
            if message["type"] == "http.response.start":
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
        words = b"not found" if status == 404 else b"log in with a role that may have this file"
        await answer({"type": "http.response.body", "body": words})


def refused(scope: Message, path: str) -> int | None:
    """Return the status by which a request is refused; None where it is not."""
    if path.startswith(CLOSED) or (path.startswith(UPLOADS) and PUBLIC_VARIABLE in os.environ):
        return 404  # nothing is taken in from the public
    needed = [action for start, action in GUARDED.items() if path.startswith(start)]
    # The browser asks before it uploads, without a cookie; that says nothing.
    if not needed or scope["method"] == "OPTIONS":
        return None
    person = person_at(scope)
    return None if all(person.may(action) for action in needed) else 403


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
