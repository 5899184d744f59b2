"""The public's pages show a published folder, withheld figures in words, and know no store."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest
from websockets import connect

import dashboard
from analytics.publishing.figures import FIGURE_SCHEMA, PUBLISHED
from analytics.quantities import QUANTITIES
from dashboard.public_pages import published as words
from tests.bench.public_visits import PAGES, one_page

APP = Path(dashboard.__file__).parent / "public_app.py"
HEADS = ",".join(FIGURE_SCHEMA.names)


def line(area, week, quantity, *cells):
    unit = QUANTITIES[quantity].unit
    return ",".join(("2030-31", area, week, quantity, unit, *cells))


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """Return a published folder: area B is withheld, area C too uncertain."""
    lines = [HEADS]
    for area in ("", "A", "B", "C"):
        for week in ("", "2031-W05"):
            for quantity in PUBLISHED:
                numbers, precision, status = "1234.5,1000.0,1500.0,0.95", "over_30", "ok"
                if area == "B":
                    numbers, precision, status = ",,,", "", "suppressed"
                if area == "C":
                    numbers, precision, status = ",,,", "over_50", "not_published"
                lines.append(line(area, week, quantity, numbers, precision, status))
    (tmp_path / "figures.csv").write_text("\n".join(lines) + "\n")
    about = {
        "season": "2030-31",
        "through": "2031-W05",
        "preliminary": True,
        "ci_level": 0.95,
        "pse_marked_over": 30.0,
        "pse_not_published_over": 50.0,
        "figures": {"all": len(lines) - 1},
        "areas": [{"area": one, "area_name": f"Water {one}"} for one in "ABC"],
        "quantities": [
            {"quantity": one, "label": QUANTITIES[one].label, "meaning": QUANTITIES[one].meaning}
            for one in PUBLISHED
        ],
        "rules": [],
    }
    (tmp_path / "about.json").write_text(json.dumps(about))
    for name in ("BLACKMOUTH_STORE", "BLACKMOUTH_ARCHIVE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv(words.PUBLIC_VARIABLE, str(tmp_path))
    return tmp_path


def html_of(page):
    return " ".join(one.proto.body for one in page.get("html"))


def test_the_first_page_answers(folder):
    page = AppTest.from_file(str(APP), default_timeout=60).run()
    assert not page.exception
    assert "1,230" in " ".join(one.value for one in page.markdown)
    assert words.CARE in html_of(page)


@pytest.mark.parametrize("script", ["areas", "weeks", "methods"])
def test_every_page_draws(folder, script):
    page = AppTest.from_file(str(APP), default_timeout=60).run()
    page.switch_page(f"public_pages/{script}.py").run()
    assert not page.exception
    assert page.title[0].value


def test_what_is_withheld_stands_in_words(folder):
    page = AppTest.from_file(str(APP), default_timeout=60).run()
    page.switch_page("public_pages/weeks.py").run()
    shown = html_of(page)
    assert words.WITHHELD in shown
    assert "too uncertain" in shown


def test_a_folder_that_cannot_be_read_is_said(folder):
    (folder / "about.json").write_text("{")
    page = AppTest.from_file(str(APP), default_timeout=60).run()
    assert not page.exception
    assert page.title[0].value == "No figures yet"


#: Tells of every file that a process opens.
HEARING = """
import os, sys
def hear(event, given):
    if event == "open" and isinstance(given[0], (str, bytes)) and not hear.is_busy:
        hear.is_busy = True
        os.write(hear.out, os.fsencode(os.path.abspath(os.fsdecode(given[0]))) + b"\\n")
        hear.is_busy = False
hear.is_busy = False
hear.out = os.open(os.environ["HEARD"], os.O_WRONLY | os.O_APPEND | os.O_CREAT)
sys.addaudithook(hear)
"""


async def all_pages(port):
    address = f"ws://127.0.0.1:{port}/_stcore/stream"
    async with connect(address, subprotocols=["streamlit"], max_size=None) as stream:
        return [await one_page(stream, page) for page in PAGES]


def test_the_process_opens_nothing_but_what_was_published(folder, tmp_path_factory):
    """The command runs where no store is, and every file that it opens is known."""
    world = tmp_path_factory.mktemp("world")
    (world / "sitecustomize.py").write_text(HEARING)
    root = APP.parents[1]
    environment = {
        "PATH": os.environ["PATH"],
        "HOME": str(world),
        "PYTHONPATH": f"{world}{os.pathsep}{root}",
        "HEARD": str(world / "heard"),
    }
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "analytics.cli", "open", "--public", str(folder)]
    command += ["--port", str(port)]
    server = subprocess.Popen(
        command, cwd=world, env=environment, stderr=subprocess.PIPE, text=True
    )
    try:
        assert server.stderr is not None
        assert str(port) in server.stderr.readline()
        # In a thread: a test of the browser may have left its loop running in this one.
        with ThreadPoolExecutor(1) as pool:
            pages = pool.submit(lambda: asyncio.run(all_pages(port))).result()
        assert len(pages) == len(PAGES)
    finally:
        server.terminate()
        server.wait()
        server.stderr.close()
    heard = {Path(one) for one in (world / "heard").read_text().splitlines()}
    assert {folder / "figures.csv", folder / "about.json"} <= heard
    code = (root / "analytics", root / "dashboard", Path(sys.prefix), Path(sys.base_prefix))
    of_system = (
        Path("/usr"),
        Path("/lib"),
        Path("/etc"),
        Path("/proc"),
        Path("/sys"),
        Path("/dev"),
    )
    known = (folder, world, *code, *of_system)
    assert {one for one in heard if not any(one.is_relative_to(at) for at in known)} == set()
    assert {one.name for one in world.iterdir()} <= {"sitecustomize.py", "heard", "__pycache__"}
    # What reads a store is not even in memory: its engines, and its own code.
    store = root / "analytics" / "data" / "store"
    engines = {"duckdb", "deltalake"}
    assert not {one for one in heard if one.is_relative_to(store) or engines & set(one.parts)}
