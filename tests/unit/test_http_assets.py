"""The library's own files are answered from memory, packed, and anything else is handed on."""

from __future__ import annotations

import asyncio
import gzip

import pytest

from dashboard.http_guard import Assets
from tests.apart import run_apart

SCRIPT = b"let a = 1;\n" * 20_000


@pytest.fixture
def asked(tmp_path):
    """Return how files are asked for of a folder: status, headers and body; 0 where handed on."""
    (tmp_path / "js").mkdir()
    (tmp_path / "js" / "a.123.js").write_bytes(SCRIPT)
    (tmp_path / "font.woff2").write_bytes(b"packed already")

    async def hand_on(scope, receive, send):
        await send({"type": "http.response.start", "status": 0, "headers": []})
        await send({"type": "http.response.body", "body": b""})

    layer = Assets(hand_on, tmp_path)

    async def ask(path, method="GET", takes=b"gzip, br", **more):
        heard = []

        async def send(message):
            heard.append(message)

        headers = [(b"accept-encoding", takes), *((k.encode(), v) for k, v in more.items())]
        scope = {"type": "http", "method": method, "path": path, "headers": headers}
        await layer(scope, None, send)
        body = b"".join(one["body"] for one in heard[1:])
        assert not heard[-1].get("more_body")
        return heard[0]["status"], dict(heard[0]["headers"]), body

    ask.folder = tmp_path
    return ask


def test_a_script_comes_packed(asked):
    status, headers, body = run_apart(asked("/static/js/a.123.js"))
    assert status == 200
    assert gzip.decompress(body) == SCRIPT
    assert int(headers[b"content-length"]) == len(body) < len(SCRIPT)
    assert headers[b"content-type"].startswith(b"text/javascript")
    assert headers[b"vary"] == b"Accept-Encoding"


def test_a_font_comes_as_it_is(asked):
    status, headers, body = run_apart(asked("/static/font.woff2"))
    assert (status, body) == (200, b"packed already")
    assert b"content-encoding" not in headers


@pytest.mark.parametrize(
    ("path", "how"),
    [
        ("/", {}),
        ("/static/js/other.js", {}),
        ("/static/../static/js/a.123.js", {}),
        ("/static/js", {}),
        ("/static/js/a.123.js", {"method": "HEAD"}),
        ("/static/js/a.123.js", {"takes": b"identity"}),
        ("/static/js/a.123.js", {"range": b"bytes=0-9"}),
    ],
)
def test_everything_else_is_handed_on(asked, path, how):
    assert run_apart(asked(path, **how))[0] == 0


def test_a_file_is_read_once_however_many_ask(asked):
    async def many():
        first = await asyncio.gather(*(asked("/static/js/a.123.js") for _ in range(20)))
        (asked.folder / "js" / "a.123.js").unlink()
        return [*first, await asked("/static/js/a.123.js")]

    assert {gzip.decompress(body) for _, _, body in run_apart(many())} == {SCRIPT}


def test_a_file_that_cannot_be_read_is_handed_on(asked):
    (asked.folder / "js" / "a.123.js").unlink()
    assert run_apart(asked("/static/js/a.123.js"))[0] == 0
