"""A team in the browser: login at a provider, roles, forged addresses and messages, old logins."""

from __future__ import annotations

import time
import urllib.error
import urllib.request
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import expect
from streamlit.proto.BackMsg_pb2 import BackMsg
from websockets.sync.client import connect

from analytics.data import importing
from analytics.data.store import Store
from dashboard.http_guard import HEADERS
from tests.app.sample_bulletin import fill_archive
from tests.browser import serving, team
from tests.field_week import sampled_week, write_week

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser
#: How long a login lasts where it is to end during a test.
SHORT_SECONDS = 12


@pytest.fixture(scope="module")
def login(chromium: Browser) -> Iterator[str]:
    with team.provider() as running:
        yield running


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    folder = tmp_path_factory.mktemp("team")
    found = Store(folder / "store")
    write_week(sampled_week(), folder / "week")
    checked = importing.check(importing.read_paths([folder / "week"]), found)
    importing.store_checked(checked, found, who=team.ANALYST)
    fill_archive(found.path / "bulletins")
    return found


@pytest.fixture(scope="module")
def people(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("settings") / "people.toml"


@pytest.fixture(scope="module")
def address(login: str, store: Store, people: Path) -> Iterator[str]:
    """A dashboard as the command serves it; at its end no secret may stand in its log."""
    port = serving.free_port()
    team.write_settings(people.parent, login=login, address=f"http://localhost:{port}")
    log = people.parent / "log.txt"
    with team.team(store.path, people, port=port, log=log) as running:
        yield running
    words = log.read_text()
    assert "Traceback" not in words, words
    assert team.CLIENT_SECRET not in words
    assert team.COOKIE_SECRET not in words
    assert "code=" not in words


@pytest.fixture
def tab(chromium: Browser) -> Iterator[Callable[[], Page]]:
    """Return a function that opens a browser of its own; no page may break the server's policy."""
    contexts, said = [], []

    def opened() -> Page:
        contexts.append(chromium.new_context())
        page = contexts[-1].new_page()
        page.set_default_timeout(serving.PATIENCE)
        page.on("console", lambda message: said.append(message.text))
        return page

    yield opened
    for context in contexts:
        context.close()
    assert not [words for words in said if "Content Security Policy" in words]


def status_of(address: str, **headers: str) -> int:
    try:
        with urllib.request.urlopen(urllib.request.Request(address, headers=headers)) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        return error.code


def cookies_of(page: Page) -> str:
    return "; ".join(f"{one['name']}={one['value']}" for one in page.context.cookies())


def test_without_a_login_there_is_the_way_in_alone(tab, address):
    page = tab()
    page.goto(f"{address}/data_desk")
    expect(page.get_by_role("button", name="Log in")).to_be_visible()
    assert "Chinook" not in page.inner_text("body")
    expect(page.get_by_text("Page not found")).to_have_count(0)
    with urllib.request.urlopen(address) as answer:
        assert {name: answer.headers[name] for name in HEADERS} == HEADERS
    assert status_of(f"{address}/_stcore/metrics") == 404


def test_a_login_opens_the_page_that_was_asked_for(tab, address):
    page = tab()
    page.goto(f"{address}/week?scale=own")
    page.get_by_role("button", name="Log in").click()
    page.wait_for_url("**/oauth2/authorize**")
    page.get_by_role("button", name=team.VIEWER).click()
    expect(page.get_by_role("heading", name="This week")).to_be_visible()
    assert page.url.startswith(f"{address}/week?")
    assert "scale=own" in page.url
    assert "blackmouth_asked" not in {one["name"] for one in page.context.cookies()}


def test_somebody_without_a_role_sees_a_name_and_no_data(tab, address):
    page = tab()
    team.log_in(page, address, team.STRANGER)
    expect(page.get_by_text("no role here yet")).to_be_visible()
    expect(page.get_by_text("the survey office")).to_be_visible()
    body = page.inner_text("body")
    assert team.STRANGER in body
    assert "Chinook" not in body
    page.get_by_role("button", name="Log out").click()
    page.wait_for_url("**/oauth2/end_session**")


def test_a_viewer_reads_and_takes_documents_and_reaches_nothing_else(tab, address, store):
    page = tab()
    team.log_in(page, address, team.VIEWER)
    expect(page.get_by_role("heading", name="Today")).to_be_visible()
    page.goto(f"{address}/small_tables")
    expect(page.get_by_role("heading", name="Season tables")).to_have_count(0)
    body = page.inner_text("body")
    assert "Data desk" not in body
    assert str(store.path) not in body
    page.goto(f"{address}/week")
    expect(page.get_by_role("heading", name="This week")).to_be_visible()
    with page.expect_download() as taken:
        page.get_by_role("button", name="Workbook").click()
    file = taken.value.url
    assert "/media/" in file
    cookies = cookies_of(page)
    assert status_of(file, Cookie=cookies) == 200
    assert status_of(file) == 403
    assert status_of(file, Cookie=cookies.replace("_streamlit_user=", "_streamlit_user=x")) == 403


def test_messages_of_a_viewer_who_forges_an_analysts_page_do_nothing(tab, address, store):
    """Raw messages on the socket: another page's script, and values of widgets never drawn."""
    page = tab()
    team.log_in(page, address, team.VIEWER)
    expect(page.get_by_role("heading", name="Today")).to_be_visible()
    version = store.version
    heard = forged(address, cookies_of(page), address)
    assert "Season limits" in heard or "Today" in heard  # it is heard, as a viewer
    assert "Empty tables to fill in" not in heard
    assert "What came in" not in heard
    assert store.version == version
    # The same messages of an analyst are followed, so these were understood.
    other = tab()
    team.log_in(other, address, team.ANALYST)
    expect(other.get_by_role("heading", name="Today")).to_be_visible()
    assert "Empty tables to fill in" in forged(address, cookies_of(other), address)
    # Without a cookie, and from another origin, there is nobody, or not even a connection.
    assert "Chinook" not in forged(address, "", address)
    with pytest.raises(Exception, match=r"403|1008|rejected|closed"):
        forged(address, cookies_of(page), "http://elsewhere.example.org")


def forged(address: str, cookies: str, origin: str) -> str:
    """Return all that the server sends to a client that asks for pages by their names."""
    xsrf = dict(one.partition("=")[::2] for one in cookies.split("; ")).get("_streamlit_xsrf", "")
    heard = b""
    with connect(
        address.replace("http", "ws") + "/_stcore/stream",
        origin=origin,
        additional_headers={"Cookie": cookies},
        subprotocols=["streamlit", xsrf or "none"],
        max_size=None,
    ) as socket:
        for script in ("data_desk", "small_tables"):
            message = BackMsg()
            message.rerun_script.page_name = script
            widget = message.rerun_script.widget_states.widgets.add()
            widget.id, widget.trigger_value = "$$ID-0-accept", True
            socket.send(message.SerializeToString())
            until = time.monotonic() + 6
            while time.monotonic() < until:
                try:
                    heard += socket.recv(timeout=1.5)
                except TimeoutError:
                    break
    return heard.decode("utf-8", "replace")


def test_a_manager_writes_notes_under_the_own_name_and_makes_nothing(tab, address):
    page = tab()
    team.log_in(page, address, team.MANAGER)
    expect(page.get_by_role("heading", name="Today")).to_be_visible()
    page.goto(f"{address}/new_bulletin")
    expect(page.get_by_role("button", name="Make the bulletin")).to_be_disabled()
    expect(page.get_by_text("Your name or initials")).to_have_count(0)


def test_an_analyst_sees_who_took_a_batch_in_and_loses_the_role_at_once(tab, address, people):
    page = tab()
    team.log_in(page, address, team.ANALYST)
    expect(page.get_by_role("heading", name="Today")).to_be_visible()
    page.goto(f"{address}/paper_forms")
    expect(page.get_by_role("button", name="Key it a second time")).to_be_visible()
    said = people.read_text("utf-8")
    try:
        people.write_text(said.replace(f'"{team.ANALYST}" = "analyst"\n', ""), "utf-8")
        page.get_by_label("Date").first.fill("2031-02-03")
        page.keyboard.press("Tab")
        expect(page.get_by_text("no role here yet")).to_be_visible()
    finally:
        people.write_text(said, "utf-8")


def test_a_login_that_ends_loses_no_draft(tab, login, store, tmp_path):
    port = serving.free_port()
    address = f"http://localhost:{port}"
    hours = SHORT_SECONDS / 3600
    people = team.write_settings(tmp_path, login=login, address=address, hours=hours)
    with team.team(store.path, people, port=port, log=tmp_path / "log.txt"):
        page = tab()
        team.log_in(page, address, team.ANALYST)
        since = time.monotonic()
        expect(page.get_by_role("heading", name="Today")).to_be_visible()
        page.goto(f"{address}/paper_forms")
        field = page.get_by_label("Date").first
        expect(field).to_be_visible()
        page.wait_for_timeout(max(0, SHORT_SECONDS + 1 - (time.monotonic() - since)) * 1000)
        field.fill("2031-02-07")
        page.keyboard.press("Tab")
        expect(page.get_by_text("Your login has ended")).to_be_visible()
        expect(page.get_by_text("was kept as a draft")).to_be_visible()
        page.get_by_role("button", name="Log in anew").click()
        page.get_by_role("button", name=team.ANALYST).first.click()
        page.wait_for_url(f"{address}/**")
        expect(page.get_by_role("heading", name="Paper forms")).to_be_visible()
    kept = [path.read_text("utf-8") for path in (store.path / "desk" / "drafts").glob("*.json")]
    assert any("2031-02-07" in words and team.ANALYST in words for words in kept)
