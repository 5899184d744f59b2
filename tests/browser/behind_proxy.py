"""Try the shipped example of a proxy: ``python -m tests.browser.behind_proxy [FOLDER]``.

It needs nginx and openssl; FOLDER takes pictures.

The example is taken from the document as it stands; only host, ports and certificate are put in.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import re
import shutil
import ssl
import subprocess
import sys
import tempfile
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from playwright.sync_api import TimeoutError as Late

from analytics.data import importing
from analytics.data.store import Store
from dashboard.http_guard import HEADERS
from tests.app.sample_bulletin import fill_archive
from tests.browser import serving, team
from tests.field_week import sampled_week, write_week

if TYPE_CHECKING:
    from collections.abc import Iterator

HEADERS_SAID = {name.lower(): value for name, value in HEADERS.items()}
_UPLOAD = "/_stcore/upload_file/a/b"
_PAGES = {"/week": "This week", "/catch_rates": "Catch rates", "/released": "Released fish"}
#: More than the burst that the example allows, on one line as fast as it goes.
_MANY = 900
_MAIN = """
daemon off; worker_processes 1; pid {folder}/nginx.pid; error_log {folder}/error.log;
events {{ worker_connections 512; }}
http {{
    access_log off;
    client_body_temp_path {folder}/body; proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/fastcgi; uwsgi_temp_path {folder}/uwsgi;
    scgi_temp_path {folder}/scgi;
{example}
}}
"""


def example() -> str:
    """Return the example of the document."""
    text = (files("analytics") / "docs" / "serving.md").read_text("utf-8")
    (found,) = re.findall(r"^```nginx\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)
    return found


@contextlib.contextmanager
def nginx(folder: Path, *, port: int, behind: int) -> Iterator[None]:
    """Run nginx with the example before a dashboard."""
    key, certificate = folder / "survey.key", folder / "survey.crt"
    command = "openssl req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=localhost -keyout"
    subprocess.run(
        [*command.split(), str(key), "-out", str(certificate)], check=True, capture_output=True
    )
    text = example().replace("listen 443 ssl", f"listen 127.0.0.1:{port} ssl")
    text = text.replace("127.0.0.1:8501", f"127.0.0.1:{behind}")
    text = text.replace("survey.example.org", "localhost").replace("/etc/nginx/", f"{folder}/")
    (folder / "nginx.conf").write_text(_MAIN.format(folder=folder, example=text), "utf-8")
    child = subprocess.Popen([shutil.which("nginx") or "nginx", "-c", str(folder / "nginx.conf")])
    try:
        yield
    finally:
        serving.end(child)


def connection(port: int) -> http.client.HTTPSConnection:
    """Return a line to the proxy, whose certificate is its own."""
    trusting = ssl.create_default_context()
    trusting.check_hostname, trusting.verify_mode = False, ssl.CERT_NONE
    return http.client.HTTPSConnection("127.0.0.1", port, timeout=20, context=trusting)


def asked(port: int, method: str, path: str, **headers: str) -> http.client.HTTPResponse:
    """Return the answer to a request through the proxy."""
    line = connection(port)
    line.putrequest(method, path, skip_host=True)
    for name, value in ({"Host": f"localhost:{port}"} | headers).items():
        line.putheader(name.replace("_", "-"), value)
    line.endheaders()
    return line.getresponse()


def status_on(line: http.client.HTTPSConnection, port: int) -> int:
    """Return the status of one more request on a line that stays open."""
    line.request("GET", "/_stcore/health", headers={"Host": f"localhost:{port}"})
    answer = line.getresponse()
    answer.read()
    return answer.status


def _tried(port: int, address: str, shots: Path | None) -> list[tuple[str, bool]]:
    """Return what was looked at, and whether it was so."""
    answer = asked(port, "GET", "/")
    said = {name.lower(): value for name, value in answer.getheaders()}
    found = [
        ("the page is answered", answer.status == 200),
        (
            "headers of the pages come through",
            HEADERS_SAID.items() <= said.items(),
        ),
        ("TLS is asked for from then on", "strict-transport-security" in said),
        ("no version in the banner", said.get("server") == "nginx"),
        ("cookies are for TLS alone", "secure" in said.get("set-cookie", "secure").lower()),
        ("metrics are closed", asked(port, "GET", "/_stcore/metrics").status == 404),
        ("a file without a login is refused", asked(port, "GET", "/media/a.csv").status == 403),
        (
            "a body of 3 MB is too large",
            asked(port, "POST", "/", Content_Length=str(3 << 20)).status == 413,
        ),
        (
            "an upload of 300 MB is too large",
            asked(port, "PUT", _UPLOAD, Content_Length=str(300 << 20)).status == 413,
        ),
    ]
    with serving.browser() as browser:
        context = browser.new_context(ignore_https_errors=True)
        page, words, slowed = context.new_page(), [], []
        page.on("console", lambda message: words.append(message.text))
        team.log_in(page, address, team.VIEWER)
        page.on("response", lambda one: slowed.extend([one.url] * (one.status == 429)))
        for path, heading in _PAGES.items():
            page.goto(address + path)
            page.get_by_role("heading", name=heading, exact=True).wait_for()
            figures = page.locator(".stPlotlyChart svg.main-svg")
            with contextlib.suppress(Late):
                figures.first.wait_for(timeout=15_000)
            found.append((f"{heading} loads with its figures", figures.count() > 0))
            if shots:
                page.screenshot(path=shots / f"{heading}.png")
        found.append(("no request of one reader is slowed", not slowed))
        page.goto(f"{address}/week")
        with page.expect_download() as taken:
            page.get_by_role("button", name="Workbook").click()
        found.append(("a workbook comes through", Path(taken.value.path()).stat().st_size > 10_000))
        cookies = {one["name"]: one for one in context.cookies(address)}
        login = cookies["_streamlit_user"]
        found.append(("the login's cookie is safe", login["secure"] and login["httpOnly"]))
        policy = [one for one in words if "Content Security Policy" in one]
        found.append((f"nothing breaks the policy {policy[:2] or ''}".strip(), not policy))
        context.close()
    line = connection(port)
    statuses = [status_on(line, port) for _ in range(_MANY)]
    found.append(("many requests at once are slowed", 429 in statuses and statuses[0] == 200))
    return found


def main() -> int:
    """Try everything and print it; 1 where something was not as it must be."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, metavar="FOLDER", help="for pictures")
    shots = parser.parse_args().folder
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as stack:
        folder = Path(name)
        write_week(sampled_week(), folder / "week")
        store = Store(folder / "store")
        importing.store_checked(
            importing.check(importing.read_paths([folder / "week"]), store), store
        )
        fill_archive(store.path / "bulletins")
        port, behind = serving.free_port(), serving.free_port()
        login = stack.enter_context(team.provider())
        address = f"https://localhost:{port}"
        people = team.write_settings(folder / "team", login=login, address=address)
        stack.enter_context(team.team(store.path, people, port=behind, log=folder / "log.txt"))
        stack.enter_context(nginx(folder, port=port, behind=behind))
        found = _tried(port, address, shots)
    for words, is_so in found:
        print("ok  " if is_so else "NOT ", words)
    return int(not all(is_so for _, is_so in found))


if __name__ == "__main__":
    sys.exit(main())
