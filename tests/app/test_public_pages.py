"""The public's pages show a published folder, withheld figures in words, and know no store."""

from __future__ import annotations

import asyncio
import gzip
import json
import os
import re
import socket
import subprocess
import sys
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import pytest
import streamlit
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from streamlit.testing.v1 import AppTest
from websockets import ConnectionClosed

import dashboard
from analytics.publishing.publish import FIGURE_SCHEMA, PUBLISHED
from analytics.quantities import QUANTITIES
from analytics.wording.week import COLD_WATER
from dashboard.public_pages import drawing
from tests.apart import run_apart
from tests.app.rate_pages import plain
from tests.bench.public_visits import PAGES, require_whole
from tests.bench.visitors import Load, open_stream, references, visits

APP = Path(dashboard.__file__).parent / "public_app.py"
HEADS = ",".join(FIGURE_SCHEMA.names)

#: Of an opening on three days a week, whose last day is one of them and not the close.
A_RULE = {
    "open_weekdays": "567",
    "min_length_mm": 559.0,
    "daily_limit_fish": 2,
    "mark_selective": True,
}


def line(area, week, quantity, *cells):
    unit = QUANTITIES[quantity].unit
    return ",".join(("2030-31", area, week, quantity, unit, *cells))


def publish_small(folder):
    """Write a published folder: area B is withheld, area C too uncertain."""
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
    (folder / "figures.csv").write_text("\n".join(lines) + "\n")
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
        "rules": [
            {"area": "A", "open_date": "2030-11-01", "close_date": "2031-03-31"} | A_RULE,
            {"area": "B", "open_date": "2030-11-01", "close_date": None, "open_weekdays": None}
            | dict.fromkeys(("min_length_mm", "daily_limit_fish", "mark_selective")),
        ],
    }
    (folder / "about.json").write_text(json.dumps(about))
    return folder


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """Return a published folder that pages run here show."""
    for name in ("BLACKMOUTH_STORE", "BLACKMOUTH_ARCHIVE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv(drawing.PUBLIC_VARIABLE, str(tmp_path))
    return publish_small(tmp_path)


def html_of(page):
    return " ".join(one.proto.body for one in page.get("html"))


def test_the_first_page_answers(folder):
    page = AppTest.from_file(str(APP), default_timeout=60).run()
    assert not page.exception
    assert "1,230" in " ".join(one.value for one in page.markdown)
    assert drawing.CARE in html_of(page)


@pytest.mark.parametrize("script", ["now", "areas", "weeks", "methods"])
def test_every_page_draws_and_warns(folder, script):
    page = AppTest.from_file(str(APP), default_timeout=60).run()
    page.switch_page(f"public_pages/{script}.py").run()
    assert not page.exception
    assert page.title[0].value
    foot = page.caption[-1].value
    for caution in (drawing.CHECK_RULES, COLD_WATER, drawing.ASK_ABOUT_EATING):
        assert caution in foot


def test_rules_name_the_open_weekdays_and_the_last_open_day(folder):
    page = AppTest.from_file(str(APP), default_timeout=60).run()
    shown = plain(html_of(page.switch_page("public_pages/methods.py").run()))
    assert "1 November 2030 to 30 March 2031" in shown
    assert "Fri–Sun" in shown
    assert "55.9 cm (22 in)" in shown
    assert "from 1 November 2030" in shown
    assert "every day" in shown
    assert shown.count("not recorded") == 3


def test_what_is_withheld_stands_in_words(folder):
    page = AppTest.from_file(str(APP), default_timeout=60).run()
    page.switch_page("public_pages/weeks.py").run()
    shown = html_of(page)
    assert drawing.WITHHELD in shown
    assert "too uncertain" in shown


def test_a_new_publication_is_shown_at_once(folder):
    page = AppTest.from_file(str(APP), default_timeout=60).run()
    assert "1,230" in html_of(page)
    figures = folder / "figures.csv"
    figures.write_text(figures.read_text().replace("1234.5", "1334.5"))
    os.utime(figures, ns=(2**61, 2**61))
    page.run()
    assert "1,330" in html_of(page)
    assert "1,230" not in html_of(page)


def test_a_table_is_drawn_once_and_what_is_kept_is_bounded(folder, monkeypatch):
    monkeypatch.setattr(drawing, "MOST_FINISHED", 3)
    shown = drawing.read(folder)
    drawn = []
    for key in (1, 1, 2, 1, 3, 4, 1):
        assert (
            shown.once(key, lambda key=key: drawn.append(key) or f"table {key}") == f"table {key}"
        )
        assert len(shown.finished) <= 3
    assert drawn == [1, 2, 3, 4, 1]


@pytest.mark.parametrize(
    ("file", "text"),
    [("about.json", "{"), ("figures.csv", f"season,area\n{'9' * 200_000},A\n")],
)
def test_a_folder_that_cannot_be_read_is_said(folder, file, text):
    (folder / file).write_text(text)
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


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """Give a server where no store is: port, published folder, its world, the files it opened."""
    world, folder = (tmp_path_factory.mktemp(name) for name in ("world", "public"))
    publish_small(folder)
    (world / "sitecustomize.py").write_text(HEARING)
    environment = {
        "PATH": os.environ["PATH"],
        "HOME": str(world),
        "PYTHONPATH": f"{world}{os.pathsep}{APP.parents[1]}",
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
        yield port, folder, world
    finally:
        server.terminate()
        server.wait()
        server.stderr.close()


def answer(port, path="/", *, data=None, **headers):
    asked = Request(f"http://127.0.0.1:{port}{path}", data=data, headers=headers)
    with urlopen(asked, timeout=60) as got:
        return got.headers, got.read()


def test_ten_visitors_at_once_are_each_given_every_page(served):
    port, *_ = served
    known = run_apart(references(port, list(PAGES)))
    require_whole(known, PAGES)
    assert "1,230" in known[""].text
    assert drawing.WITHHELD in known["weeks"].text
    files = tuple(re.findall(r'"\./(static/[^"]+)"', answer(port)[1].decode()))
    assert len(files) > 1
    load = Load(10, 0.0, (0.0, 0.1), len(PAGES), tuple(f"/{one}" for one in files))
    crowd = run_apart(visits(port, load, known))
    assert crowd.faults == []
    assert len(crowd.pages) == 10 * len(PAGES)
    assert crowd.most_inside == 10


def test_a_page_that_lacks_something_counts_as_dropped(served):
    port, *_ = served
    known = run_apart(references(port, ["areas"]))
    altered = {"areas": known["areas"]._replace(content="another")}
    crowd = run_apart(visits(port, Load(1, 0.0, (0.0, 0.0), 1), altered))
    assert len(crowd.faults) == 1


def test_an_answer_guards_the_browser_and_does_not_say_what_made_it(served):
    port, *_ = served
    for path in ("/", "/areas", "/_stcore/health"):
        headers = answer(port, path)[0]
        assert "server" not in headers
        assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]


def test_no_message_says_versions_paths_or_the_machine(served):
    port, *_ = served

    async def every_message():
        found = []
        async with open_stream(port) as stream:
            asked = BackMsg()
            asked.rerun_script.page_name = "areas"
            await stream.send(asked.SerializeToString())
            while not found or found[-1].WhichOneof("type") != "script_finished":
                data = await asyncio.wait_for(stream.recv(), 60)
                assert streamlit.__version__.encode() not in data
                assert str(APP.parent).encode() not in data
                found.append(ForwardMsg.FromString(data))
        return found

    messages = run_apart(every_message())
    (begun,) = (one.new_session for one in messages if one.WhichOneof("type") == "new_session")
    assert begun.page_script_hash
    assert begun.initialize.HasField("environment_info")
    assert begun.initialize.HasField("user_info")
    assert not begun.initialize.environment_info.ListFields()
    assert not begun.initialize.user_info.ListFields()
    assert not begun.main_script_path


@pytest.mark.parametrize("path", ["/auth/login", "/auth/logout", "/oauth2callback?code=x"])
def test_the_public_has_no_login(served, path):
    with pytest.raises(HTTPError) as refused:
        answer(served[0], path)
    refused.value.close()
    assert refused.value.code == 404


def test_files_of_the_library_come_packed_and_may_be_kept(served):
    port, *_ = served
    (path,) = re.findall(r"static/css/index[^\"]+css", answer(port)[1].decode())
    packed, body = answer(port, f"/{path}", **{"Accept-Encoding": "gzip"})
    assert packed["Content-Encoding"] == "gzip"
    assert "immutable" in packed["Cache-Control"]
    assert gzip.decompress(body) == answer(port, f"/{path}")[1]


def test_what_is_too_large_is_refused(served):
    port, *_ = served

    async def long_message():
        async with open_stream(port) as stream:
            await stream.send(bytes(100_000))
            with pytest.raises(ConnectionClosed) as closed:
                await asyncio.wait_for(stream.recv(), 60)
            return closed.value.rcvd.code

    async def long_head(end):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        head = b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\nMuch: "
        writer.write(head + b"a" * 20_000 + end)
        said = await asyncio.wait_for(reader.read(), 60)
        writer.close()
        return said.split(b" ")[1]

    assert run_apart(long_message()) == 1009
    assert run_apart(long_head(b"")) == b"400"
    assert run_apart(long_head(b"\r\n\r\n")) == b"431"
    with pytest.raises(HTTPError) as refused:
        answer(port, "/_stcore/host-config", data=b"x" * 100)
    refused.value.close()
    assert refused.value.code == 405


def test_the_process_opens_nothing_but_what_was_published(served):
    """The command runs where no store is, and every file that it opens is known."""
    port, folder, world = served
    assert len(run_apart(references(port, list(PAGES)))) == len(PAGES)
    root = APP.parents[1]
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
