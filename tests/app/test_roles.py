"""Roles on the server: pages, downloads and steps of somebody who may not, by any way round."""

from __future__ import annotations

import ast
import shutil
import time
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from streamlit import config
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.testing.v1 import AppTest

from analytics.bulletin.archive import save
from analytics.data import importing
from analytics.data.store import Store
from analytics.people import ALLOWED, Action, NotAllowed, Role
from analytics.publishing.published_files import PUBLIC_VARIABLE
from dashboard import data, http_guard, new_bulletin, pages, people, store_access
from dashboard.desk.uploads import Uploads
from tests.apart import run_apart
from tests.app.grids import as_typed, typed_into
from tests.app.sample_bulletin import NOW, make
from tests.field_week import sampled_week, write_week

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(find_spec("dashboard").origin).parent
SECONDS = 30
EMAILS = {
    Role.ANALYST: "kim@example.org",
    Role.MANAGER: "lee@example.org",
    Role.VIEWER: "sam@example.org",
}


@pytest.fixture(scope="module")
def store(tmp_path_factory) -> Store:
    """A store with one batch, which the analyst took in."""
    folder = tmp_path_factory.mktemp("team")
    found = Store(folder / "store")
    write_week(sampled_week(), folder / "week")
    checked = importing.check(importing.read_paths([folder / "week"]), found)
    importing.store_checked(checked, found, who=EMAILS[Role.ANALYST])
    return found


@pytest.fixture
def team(monkeypatch, tmp_path, archive_folder, store):
    """Serve a store to a team; return a function that says who is there."""
    path = tmp_path / "people.toml"
    lines = "\n".join(f'"{email}" = "{role}"' for role, email in EMAILS.items())
    path.write_text(f"[people]\n{lines}\n", "utf-8")
    monkeypatch.setenv(data.ARCHIVE_VARIABLE, str(archive_folder))
    monkeypatch.setenv(store_access.STORE_VARIABLE, str(store.path))
    monkeypatch.setenv(people.PEOPLE_VARIABLE, str(path))
    there: dict[str, Any] = {}
    monkeypatch.setattr(people, "claims", lambda: dict(there))

    def comes(role: Role | str | None, *, hours_ago: float = 0) -> None:
        there.clear()
        if role is not None:
            email = EMAILS.get(role, "alex@example.org")
            there.update(is_logged_in=True, sub=email, email=email, email_verified=True)
            there.update(iat=time.time() - 3600 * hours_ago)

    comes(None)
    return comes


def open_script(script: str) -> AppTest:
    return AppTest.from_file(ROOT / script, default_timeout=SECONDS).run()


def words(page: AppTest) -> str:
    kinds = ["title", "markdown", "caption", "error", "warning", "dataframe", "subheader"]
    return " ".join(str(one.value) for kind in kinds for one in page.get(kind))


SCRIPTS = [*pages.RESULTS, *pages.DATA]


@pytest.mark.parametrize("script", SCRIPTS)
@pytest.mark.parametrize("who", [None, "stranger", *Role])
def test_a_script_reached_past_the_menu_refuses(team, script, who):
    """As by a forged address: the script itself, without the menu before it."""
    team(who)
    needed = pages.needed(script)
    page = open_script(f"app_pages/{script}.py")
    assert not page.exception
    if isinstance(who, Role) and needed in ALLOWED[who]:
        assert not [one for one in page.error if "role" in one.value]
        return
    assert len(page.error) == 1, words(page)
    assert "role" in page.error[0].value
    assert not page.button and not page.dataframe and not page.get("plotly_chart")
    assert not page.get("download_button")
    assert not any("bm-table" in one.proto.body for one in page.get("html"))


@pytest.mark.parametrize("who", [None, "stranger"])
def test_without_a_role_there_is_nothing_but_the_way_in(team, who):
    team(who)
    page = open_script("app.py")
    assert not page.exception
    assert [one.label for one in page.button] == ["Log out" if who else "Log in"]
    said = words(page)
    assert ("alex@example.org" in said) == bool(who)
    assert "2030" not in said and "Chinook" not in said


def test_a_file_of_people_that_cannot_be_read_lets_nobody_in(team, tmp_path):
    team(Role.ANALYST)
    (tmp_path / "people.toml").write_text("[people]\n'a@b.org' = 'boss'\n", "utf-8")
    page = open_script("app.py")
    assert len(page.error) == 1
    assert not page.button
    assert "people.toml" not in words(page)


@pytest.mark.parametrize("address", ["0.0.0.0", "192.0.2.7", ""])
def test_a_server_that_others_reach_without_a_login_shows_nothing(
    team, monkeypatch, tmp_path, store, address
):
    """As where somebody runs the pages by hand, past the command that refuses this."""
    monkeypatch.delenv(people.PEOPLE_VARIABLE)
    before = config.get_option("server.address")
    config.set_option("server.address", address)
    try:
        page = open_script("app.py")
        assert not page.button and not page.exception
        (error,) = page.error
        assert (address or "0.0.0.0") in error.value.replace("\\", "")
        assert "--people" in error.value
        week = open_script("app_pages/week.py")
        assert len(week.error) == 1 and not week.button and not week.get("plotly_chart")
        step = f"from pathlib import Path\npath, batch = {str(store.path)!r}, 'b0001'\n"
        tried = AppTest.from_string(STEP_NAMES + step + STEPS["withdraw"]).run()
        assert len(tried.error) == 1
        assert store.version == 1
        for elsewhere in (None, "::", "survey.example.org", "unix:///tmp/x"):
            config.set_option("server.address", elsewhere)
            assert people.is_exposed()
        for here in ("localhost", "127.0.0.1", "::1"):
            config.set_option("server.address", here)
            assert not people.is_exposed()
        assert not open_script("app.py").error
    finally:
        config.set_option("server.address", before)


@pytest.mark.parametrize("role", list(Role))
def test_the_menu_holds_what_the_role_may_do(team, role):
    team(role)
    page = open_script("app.py")
    assert not page.exception
    assert "Log out" in [one.label for one in page.button]
    shown = {script for section in _menu().values() for script in section}
    assert shown == {script for script in SCRIPTS if pages.needed(script) in ALLOWED[role]}


@pytest.mark.parametrize("role", list(Role))
def test_a_link_to_a_page_without_a_right_says_why(team, role):
    team(role)
    script = "from dashboard import pages\nimport streamlit as st\n"
    page = AppTest.from_string(f"{script}st.session_state['r'] = pages.refused()").run()
    refused = page.session_state["r"]
    assert refused == [one for one in pages.DATA if pages.needed(one) not in ALLOWED[role]]
    for one in refused:
        drawn = AppTest.from_string(f"{script}pages.refuse({one!r})").run()
        assert not drawn.exception
        (error,) = drawn.error
        assert role.value in error.value


def test_a_refusal_names_whom_to_ask(team, tmp_path):
    team(Role.VIEWER)
    person = people.current_person()
    assert "harbour desk" not in people.refusal(person, Action.STORE)
    file = tmp_path / "people.toml"
    file.write_text('ask = "the harbour desk"\n' + file.read_text("utf-8"), "utf-8")
    assert "ask the harbour desk" in people.refusal(person, Action.STORE)


def _menu() -> dict[str, dict[str, str]]:
    script = (
        "from dashboard import pages\nimport streamlit as st\nst.session_state['m'] = pages.menu()"
    )
    return AppTest.from_string(script).run().session_state["m"]


#: Steps that write, as a forged message would call them: the check stands in the step itself.
STEPS = {
    "withdraw": "history_panel._withdraw(Store(path), batch, False)",
    "put back": "history_panel._withdraw(Store(path), batch, True)",
    "draft": "work.keep(work.Work(drafts.new_name()), folder)",
    "edit": "one = table_edit.begin('limits', [])\none.lines = [{'limit_id': 'L9'}]\n"
    "table_edit.keep(one, folder)",
    "store": "store_access.store()",
    "desk": "(store_access.desk('drafts') / 'x').touch()",
    "bulletins": "data.archive_folder()",
    "apart": "work._keep_apart()",
    "demo": "demo_season.start()",
}
STEP_NAMES = (
    "from pathlib import Path\nfrom analytics.data.store import Store\n"
    "from dashboard import data, store_access\n"
    "from dashboard.desk import demo_season, history_panel\n"
    "from dashboard.forms import drafts, table_edit, work\n"
)


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("who", [None, "stranger", Role.VIEWER, Role.MANAGER])
def test_no_step_is_taken_without_a_role_for_it(team, tmp_path, store, step, who):
    """As where a role is taken away, or a message forged, after the page was drawn."""
    if (step == "bulletins" and isinstance(who, Role)) or (
        step in ("store", "desk", "demo") and who is Role.MANAGER
    ):
        return
    team(who)
    batch, version = store.batches()[0].batch, store.version
    (folder := tmp_path / "desk").mkdir()
    before = set(folder.rglob("*")) | set((store.path / "desk").rglob("*"))
    names = f"path, batch, folder = {str(store.path)!r}, {batch!r}, Path({str(folder)!r})\n"
    page = AppTest.from_string(STEP_NAMES + names + STEPS[step]).run()
    assert len(page.error) == 1
    assert not page.exception
    assert set(folder.rglob("*")) | set((store.path / "desk").rglob("*")) == before
    assert store.version == version


#: Buttons that write, by page: pressed by a message after the page was drawn for an analyst.
PRESSED = {
    "accept": ("data_desk", "accept"),
    "make": ("new_bulletin", "make"),
    "note": ("new_bulletin", "Keep the note"),
    "table": ("small_tables", "store-table"),
}


@pytest.fixture
def filled(monkeypatch, tmp_path, store) -> Path:
    """A copy of the store with a kept bulletin, a week to accept and an edit to store."""
    path = tmp_path / "copy"
    shutil.copytree(store.path, path)
    sample = make(NOW)
    card = replace(sample.card, bulletin="mine", season="2030-31", since="")
    save(path / "bulletins", replace(sample, card=card))
    monkeypatch.setenv(store_access.STORE_VARIABLE, str(path))
    monkeypatch.setenv(data.ARCHIVE_VARIABLE, str(path / "bulletins"))
    (uploads := path / "desk" / "uploads").mkdir(parents=True, exist_ok=True)
    Uploads(uploads).add([("holidays.csv", b"date,holiday\n2031-02-01,One\n")])
    return path


@pytest.mark.parametrize("step", PRESSED)
@pytest.mark.parametrize("who", [None, Role.VIEWER, Role.MANAGER])
def test_a_button_drawn_for_an_analyst_does_nothing_for_another(
    team, monkeypatch, filled, step, who
):
    """As by a message that a browser forges, or that was on its way when the role went."""
    started = []
    monkeypatch.setattr(new_bulletin, "start", lambda *_, **named: started.append(named))
    script, button = PRESSED[step]
    if step == "note" and who is Role.MANAGER:
        return  # may do so
    team(Role.ANALYST)
    page = open_page(script)
    if step == "table":
        table = page.session_state["season-tables"]["seasons"]
        changed = {0: {"daily_limit_fish": "2"}}
        typed_into(page, f"table-seasons-{table.generation}", "seasons", changed)
        page.run()
        page.text_input(key=f"reason-seasons-{table.generation}").set_value("forged").run()
    if step == "note":
        page.text_area[0].set_value("forged")
    before = {one: one.read_bytes() for one in filled.rglob("*") if one.is_file()}
    team(who)
    (pressed,) = (one for one in page.button if button in (one.key, one.label))
    pressed.click().run()
    assert not page.exception
    assert not started
    assert Store(filled).version == 1
    assert {one: one.read_bytes() for one in filled.rglob("*") if one.is_file()} == before


def open_page(script: str) -> AppTest:
    """Open a page by the app, as its links to others need."""
    return open_script("app.py").switch_page(f"app_pages/{script}.py").run()


def test_the_buttons_of_that_test_write_for_an_analyst(team, monkeypatch, filled):
    """Else it could not fail."""
    started = []
    monkeypatch.setattr(new_bulletin, "start", lambda *_, **named: started.append(named))
    team(Role.ANALYST)
    open_page("data_desk").button(key="accept").click().run()
    assert Store(filled).version == 2
    page = open_page("new_bulletin")
    page.button(key="make").click().run()
    assert started == [{"who": "kim@example.org"}]
    page = open_page("new_bulletin")
    page.text_area[0].set_value("Storm.")
    next(one for one in page.button if one.label == "Keep the note").click().run()
    assert list(filled.glob("bulletins/*/notes.jsonl"))


#: Calls that write, and what each asks for: in the same function, and before.
WRITES = {
    "importing.store_checked": Action.STORE,
    "store_upload": Action.STORE,
    "store.withdraw": Action.WITHDRAW,
    "add_note": Action.NOTE,
    "new_bulletin.start": Action.MAKE_BULLETIN,
}


def test_every_step_that_writes_asks_first():
    found = []
    for name, tree in trees():
        for function in (one for one in ast.walk(tree) if isinstance(one, ast.FunctionDef)):
            calls = [one for one in ast.walk(function) if isinstance(one, ast.Call)]
            said = {ast.unparse(one): one.lineno for one in calls}
            for one in calls:
                action = WRITES.get(ast.unparse(one.func))
                if action is None or name == "desk/checking.py":
                    continue  # where `store_upload` itself is
                asked = said.get(f"people.require(Action.{action.name})", one.lineno)
                assert asked < one.lineno, (name, function.name)
                found.append(ast.unparse(one.func))
    assert set(found) == set(WRITES)
    assert found.count("importing.store_checked") == 4


def test_what_was_typed_last_is_kept_where_the_login_ended(team, store):
    team(Role.ANALYST)
    page = open_script("app_pages/paper_forms.py")
    team(Role.ANALYST, hours_ago=11)
    after = AppTest.from_string(
        "from dashboard import people\nfrom dashboard.forms import last_typed\n"
        "import streamlit as st\n"
        "st.session_state['kept'] = last_typed.keep(people.current_person())"
    )
    under_way = page.session_state["paper-form"]
    after.session_state["paper-form"] = under_way
    key = f"form-{under_way.generation}-keying"
    after.session_state[key] = as_typed({"site_day": [{"date": "2031-02-03"}]})
    after.run()
    assert not after.exception
    assert after.session_state["kept"] == (True, ())
    (kept,) = (store.path / "desk" / "drafts").glob("*.json")
    assert all(words in kept.read_text("utf-8") for words in ("2031-02-03", "kim@example.org"))
    # Once: a message after that writes nothing.
    after.session_state[key] = as_typed({"site_day": [{"date": "2031-02-04"}]}, seq=2)
    after.run()
    assert "2031-02-04" not in kept.read_text("utf-8")


def test_a_file_is_made_for_those_alone_who_still_may_have_it(team):
    team(Role.VIEWER)
    claims = people.claims()
    made = people.Guarded(lambda: "a,b\n", Action.DOWNLOAD, claims)
    assert made() == b"a,b\n"
    with pytest.raises(NotAllowed):
        people.Guarded(lambda: "a,b\n", Action.SEE_STORE, claims)()
    with pytest.raises(NotAllowed):
        people.Guarded(lambda: "a,b\n", Action.DOWNLOAD, claims | {"iat": 0})()
    with pytest.raises(NotAllowed):
        people.Guarded(lambda: "a,b\n", Action.DOWNLOAD, {})()


def test_the_login_name_is_in_the_history(team):
    team(Role.ANALYST)
    page = open_script("app_pages/data_desk.py")
    assert list(page.dataframe[0].value["By"]) == ["kim@example.org"]


def trees() -> Iterator[tuple[str, ast.Module]]:
    for path in sorted(ROOT.rglob("*.py")):
        yield str(path.relative_to(ROOT)), ast.parse(path.read_text("utf-8"))


def test_files_are_offered_by_one_way_alone():
    """The public's pages have no store and no people."""
    offering = {
        name
        for name, tree in trees()
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "st.download_button"
    }
    assert {name for name in offering if not name.startswith("public")} == {"people.py"}


def test_nothing_that_is_kept_for_all_depends_on_who_asked():
    kept = [
        node
        for _, tree in trees()
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef)
        and any("st.cache" in ast.unparse(one) for one in node.decorator_list)
    ]
    assert len(kept) > 5
    for node in kept:
        used = {ast.unparse(one) for one in ast.walk(node) if isinstance(one, ast.Name)}
        assert not used & {"people", "store_access"}, node.name
        assert "st.user" not in ast.unparse(node)


@pytest.mark.parametrize(
    ("address", "page"),
    [
        ("/week?season=2030-31&bulletin=a%2Fb", "week?season=2030-31&bulletin=a%2Fb"),
        ("/waters/?area=A%0d%0aSet-Cookie:x", "waters?area=A%0D%0ASet-Cookie%3Ax"),
        ("/data_desk", "data_desk"),
        ("?season=2030-31", "?season=2030-31"),
        ("", ""),
        ("//evil.example/week", None),
        ("https://evil.example/week", None),
        ("/\\evil.example", None),
        ("/week/../../evil", None),
        ("javascript:alert(1)", None),
        ("/auth/logout", None),
        ("/media/abc.csv", None),
        ("//[::1/week", None),
        ("/week?x=" + "y" * 3000, None),
    ],
)
def test_a_login_leads_to_our_pages_alone(address, page):
    assert http_guard.page_of(address) == page


async def _answered(path: str, headers: dict[bytes, bytes], given: list[tuple[bytes, bytes]]):
    """Return the headers of an answer that passed the guard."""
    said: list[Any] = []

    async def program(scope, receive, send):
        await send({"type": "http.response.start", "status": 302, "headers": given})

    async def send(message):
        said.append(message)

    scope = {"type": "http", "method": "GET", "path": path, "headers": list(headers.items())}
    await http_guard.Guard(program)(scope, None, send)
    return said[0]["headers"]


def test_a_login_opens_the_page_that_was_asked_for(team, monkeypatch):
    monkeypatch.setattr(http_guard, "get_origin_from_redirect_uri", lambda: "https://a.example")

    def passed(path: str, headers: dict[bytes, bytes]) -> tuple[bytes, bytes]:
        found = run_apart(_answered(path, headers, [(b"location", b"/")]))
        kept = dict(found)
        return kept[b"location"], kept[b"set-cookie"]

    asked = b"https://a.example/week?season=2030-31"
    place, cookie = passed("/auth/login", {b"host": b"a.example", b"referer": asked})
    assert place == b"/"
    assert cookie == (
        b"blackmouth_asked=week?season=2030-31; Max-Age=900; Path=/; HttpOnly; SameSite=Lax; Secure"
    )
    held = cookie.partition(b";")[0]
    place, cookie = passed("/oauth2callback", {b"cookie": b"a=b; " + held})
    assert place == b"/week?season=2030-31"
    assert b"Max-Age=0" in cookie
    # From another host nothing is kept, and a forged cookie leads nowhere else.
    _, cookie = passed("/auth/login", {b"host": b"b.example", b"referer": asked})
    assert cookie.startswith(b"blackmouth_asked=; Max-Age=0;")
    for forged in (b"//evil.example", b"https://evil.example/week", b"\\evil", b""):
        place, _ = passed("/oauth2callback", {b"cookie": b"blackmouth_asked=" + forged})
        assert place == b"/"


def test_addresses_of_files_ask_for_a_login(team, monkeypatch):
    monkeypatch.setattr(http_guard, "get_cookie_secret", lambda: "s" * 32)
    scope = {"type": "http", "method": "GET", "headers": [(b"cookie", b"_streamlit_user=x.y.z")]}
    assert not http_guard.person_at(scope).may(Action.READ)
    assert http_guard.refused(scope, "/media/abc.csv") == 403
    assert http_guard.refused({**scope, "method": "PUT"}, "/_stcore/upload_file/a/b") == 403
    assert http_guard.refused(scope, "/_stcore/metrics") == 404
    assert http_guard.refused(scope, "/static/media/font.woff2") is None


@pytest.mark.parametrize("length", [str(http_guard.MOST_SENT + 1), "9" * 5000, "", "-1", "many"])
def test_who_takes_no_data_in_sends_files_of_options_alone(team, monkeypatch, length):
    def sent(role: Role, said: str) -> int | None:
        team(role)
        monkeypatch.setattr(http_guard, "person_at", lambda _: people.current_person())
        scope = {"type": "http", "method": "PUT", "headers": [(b"content-length", said.encode())]}
        return http_guard.refused(scope, http_guard.UPLOADS + "a/b")

    for role in Role:
        assert sent(role, str(http_guard.MOST_SENT)) is None
    assert [sent(role, length) for role in (Role.VIEWER, Role.MANAGER)] == [413, 413]
    assert sent(Role.ANALYST, length) is None


def _reached(kind: str, **headers: str) -> str:
    """Return what became of a request: handed on, or the status or code that refused it."""
    said: list[Any] = []

    async def program(scope, receive, send):
        said.append({"status": "handed on"})

    async def send(message):
        said.append(message)

    given = [(name.encode(), value.encode()) for name, value in headers.items()]
    scope = {"type": kind, "method": "GET", "path": "/", "headers": given}
    run_apart(http_guard.Guard(program)(scope, None, send))
    return str(said[0].get("status", said[0].get("code")))


@pytest.mark.parametrize(
    ("host", "is_here"),
    [
        *((one, True) for one in ("localhost:8501", "127.0.0.1:8501", "[::1]:8501", "localhost")),
        *((one, False) for one in ("evil.example:8501", "localhost.evil.example", "", "[::1")),
        *((one, False) for one in ("192.0.2.7:8501", "/localhost", "127.0.0.1.evil.example")),
    ],
)
def test_pages_without_a_login_answer_to_names_of_this_machine_alone(monkeypatch, host, is_here):
    """The name of another site may lead here: its page would then be one with ours."""
    for name in (people.PEOPLE_VARIABLE, PUBLIC_VARIABLE):
        monkeypatch.delenv(name, raising=False)
    refused = {"http": "421", "websocket": "1008"}
    for kind, status in refused.items():
        assert _reached(kind, host=host) == ("handed on" if is_here else status)
    for name in (people.PEOPLE_VARIABLE, PUBLIC_VARIABLE):
        monkeypatch.setenv(name, "x")
        assert all(_reached(kind, host=host) == "handed on" for kind in refused)
        monkeypatch.delenv(name)


@pytest.mark.parametrize("served_to", [None, people.PEOPLE_VARIABLE, PUBLIC_VARIABLE])
def test_no_socket_opens_for_the_page_of_another_site(monkeypatch, served_to):
    """Nor does the library ask an outside host whether it should."""
    for name in (people.PEOPLE_VARIABLE, PUBLIC_VARIABLE):
        monkeypatch.delenv(name, raising=False)
    if served_to:
        monkeypatch.setenv(served_to, "x")
    host = "localhost:8501"
    for ours in ({}, {"origin": f"http://{host}"}, {"origin": f"https://{host}"}):
        assert _reached("websocket", host=host, **ours) == "handed on"
    others = ("http://localhost:3000", "https://evil.example", "null", "http://[::1", "localhost")
    for origin in others:
        assert _reached("websocket", host=host, origin=origin) == "1008"
    before = config.get_option("server.corsAllowedOrigins")
    config.set_option("server.corsAllowedOrigins", ["https://survey.example.org"])
    try:
        allowed = {"origin": "https://survey.example.org"}
        assert _reached("websocket", host=host, **allowed) == "handed on"
        assert _reached("websocket", host=host, origin="https://evil.example") == "1008"
    finally:
        config.set_option("server.corsAllowedOrigins", before)


def test_messages_that_no_page_sends_are_not_heard():
    """The library empties what is kept for all visitors when any of them says `clear_cache`."""
    kinds = [field.name for field in BackMsg.DESCRIPTOR.oneofs_by_name["type"].fields]
    refused = {"clear_cache", "load_git_info", "set_run_on_save"}
    refused |= {"debug_disconnect_websocket", "debug_shutdown_runtime"}
    assert set(kinds) == refused | set(http_guard.HEARD)

    def said(kind: str) -> bytes:
        message = BackMsg()
        field = getattr(message, kind)
        if isinstance(field, bool):
            setattr(message, kind, True)
        else:
            field.SetInParent()
        return message.SerializeToString()

    given = [*map(said, kinds), b"no message", b""]
    waiting = [{"type": "websocket.receive", "bytes": one} for one in given]
    waiting.append({"type": "websocket.disconnect"})
    heard: list[Any] = []

    async def receive():
        return waiting.pop(0)

    async def program(scope, receive, send):
        while (message := await receive())["type"] == "websocket.receive":
            heard.append(message["bytes"])

    scope = {"type": "websocket", "headers": [(b"host", b"localhost")]}
    run_apart(http_guard.Guard(program)(scope, receive, None))
    kept = [one for kind, one in zip(kinds, given, strict=False) if kind in http_guard.HEARD]
    assert heard == [*kept, b"no message", b""]
