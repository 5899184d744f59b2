"""Start the dashboard on a free port and a headless Chromium, and end both again."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from playwright.sync_api import Browser

BROWSER_VARIABLE = "BLACKMOUTH_CHROMIUM"
REQUIRE_VARIABLE = "BLACKMOUTH_REQUIRE_BROWSER"
CHROMIUM_ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
START_SECONDS = 90
#: Milliseconds that a page may take: no test is timed, and a busy machine is slow.
PATIENCE = 60_000


def chromium() -> str | None:
    """Return the executable of a Chromium on this machine, or None."""
    named = os.environ.get(BROWSER_VARIABLE)
    names = [named] if named else ["chromium", "chromium-browser", "google-chrome"]
    return next((found for name in names if (found := shutil.which(name))), None)


@contextlib.contextmanager
def browser() -> Iterator[Browser]:
    """Give a headless Chromium."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        started = play.chromium.launch(executable_path=chromium(), args=CHROMIUM_ARGS)
        try:
            yield started
        finally:
            started.close()


@contextlib.contextmanager
def dashboard(
    archive_folder: Path, *, log: Path | None = None, store: Path | None = None
) -> Iterator[str]:
    """Give the address of a dashboard that shows `archive_folder` and may write `store`."""
    spec = find_spec("dashboard")
    assert spec is not None
    assert spec.origin is not None
    given = {"BLACKMOUTH_ARCHIVE": str(archive_folder)}
    given |= {"BLACKMOUTH_STORE": str(store)} if store else {}
    with streamlit(Path(spec.origin).parent / "served.py", given, log=log) as (address, _):
        yield address


@contextlib.contextmanager
def streamlit(
    script: Path, variables: Mapping[str, str], *, log: Path | None = None
) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """Give the address and the process of a Streamlit server of a script."""
    port = free_port()
    command = [sys.executable, "-m", "streamlit", "run", str(script)]
    command += ["--server.port", str(port), "--server.headless", "true"]
    with contextlib.ExitStack() as stack:
        out = stack.enter_context(log.open("wb")) if log else subprocess.DEVNULL
        child = subprocess.Popen(command, env=os.environ | variables, stdout=out, stderr=out)
        try:
            wait_for(f"http://localhost:{port}/_stcore/health", child)
            yield f"http://localhost:{port}", child
        finally:
            end(child)


def end(child: subprocess.Popen[bytes]) -> None:
    """End the server; on a busy machine one that holds a page open is killed."""
    child.terminate()
    try:
        child.wait(timeout=30)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("localhost", 0))
        return int(probe.getsockname()[1])


def wait_for(address: str, child: subprocess.Popen[bytes]) -> None:
    end = time.monotonic() + START_SECONDS
    while time.monotonic() < end:
        if child.poll() is not None:
            raise RuntimeError(f"the dashboard ended with status {child.returncode}")
        with contextlib.suppress(urllib.error.URLError, ConnectionError, TimeoutError):
            urllib.request.urlopen(address, timeout=2).close()
            return
        time.sleep(0.2)
    raise TimeoutError(f"the dashboard did not answer at {address} in {START_SECONDS} s")
