"""``open``: the dashboard on a store's bulletins, as a server on this machine only, or for a team.

Before it serves a team it asks for its people, its login, and where it listens.
"""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
import tomllib
from contextlib import suppress
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import urlsplit

import click

from analytics.cli.terminal import StorePlace, examples, progress, say, store_words
from analytics.errors import StoreError, UsageError
from analytics.publishing.published_files import ABOUT_FILE, FIGURES_FILE, PUBLIC_VARIABLE, fault_of

if TYPE_CHECKING:
    from collections.abc import Mapping
    from types import FrameType


#: The file of the login beside that of the people, where none is named.
SECRETS = "secrets.toml"
_NEEDED = ("redirect_uri", "cookie_secret", "client_id", "client_secret", "server_metadata_url")
_CALLBACK = "/oauth2callback"
#: Bytes in hexadecimal digits, as `openssl rand -hex 32` writes them (our choice, no source).
_SHORTEST_SECRET = 32
_HOW = "see the document Serving a team"


def check_address(host: str, *, has_login: bool) -> None:
    """Refuse an address that others can reach where nobody is asked to log in.

    Raises
    ------
    UsageError
        With what is allowed and what to do.
    """
    from analytics.people import is_loopback  # noqa: PLC0415 - keeps --help quick

    if has_login or is_loopback(host):
        return
    raise UsageError(
        f"--address {host}: others could reach the pages and the store without a login; allowed "
        "without --people: 127.0.0.1, localhost. Name who may do what with --people FILE, "
        f"{_HOW}"
    )


def team_flags(people: Path, secrets: Path | None) -> dict[str, str]:
    """Return the settings of the server for a team, once its two files are found in order.

    Raises
    ------
    UsageError
        If a file, a package or a setting is missing or weak. No secret stands in the words.
    """
    from analytics.people import read_people  # noqa: PLC0415 - keeps --help quick

    read_people(people)
    if find_spec("authlib") is None:
        raise UsageError("login needs a package more: pip install 'blackmouth[team]'")
    path = (secrets or people.parent / SECRETS).absolute()
    host = _checked_host(path)
    return {
        "secrets.files": str(path),
        "server.headless": "true",
        "server.enableXsrfProtection": "true",
        "server.enableCORS": "true",
        "server.enableStaticServing": "false",
        "server.allowedHosts": host,
        "server.fileWatcherType": "none",
        "client.showErrorDetails": "none",
        "client.toolbarMode": "minimal",
        "global.developmentMode": "false",
        "browser.serverAddress": host,
        # Streamlit's own words about the login can hold addresses with codes in them.
        "logger.level": "error",
    }


def _checked_host(path: Path) -> str:
    """Return the host name of the pages once the file of the login is in order."""
    name = path.name
    try:
        if os.name == "posix" and path.stat().st_mode & 0o077:
            raise UsageError(
                f"the file {name} can be read by others on this machine; allowed: its owner alone "
                f"- run `chmod 600 {name}`"
            )
        found = tomllib.loads(path.read_text("utf-8-sig"))
    except OSError as error:
        raise UsageError(
            f"the file of the login {name} cannot be read: {error.strerror}; name it with "
            f"--secrets FILE, {_HOW}"
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError):
        # The parser's words could quote a secret.
        raise UsageError(f"the file of the login {name} is no TOML; {_HOW}") from None
    auth = found.get("auth")
    if not isinstance(auth, dict):
        raise UsageError(f"the file of the login {name} has no table [auth]; {_HOW}")
    return _checked_auth(auth, name)


def _checked_auth(auth: Mapping[str, Any], name: str) -> str:
    from analytics.people import is_loopback  # noqa: PLC0415 - keeps --help quick

    missing = [key for key in _NEEDED if not (isinstance(auth.get(key), str) and auth[key].strip())]
    if missing:
        raise UsageError(f"[auth] of {name} lacks {', '.join(missing)}; {_HOW}")
    if len(auth["cookie_secret"]) < _SHORTEST_SECRET:
        raise UsageError(
            f"cookie_secret of {name} has {len(auth['cookie_secret'])} characters; allowed: "
            f"{_SHORTEST_SECRET} or more - write what `openssl rand -hex 32` prints"
        )
    if auth.get("expose_tokens"):
        raise UsageError(
            f"expose_tokens of {name} gives tokens to pages; none needs one: leave it out"
        )
    for key in ("redirect_uri", "server_metadata_url"):
        parts = urlsplit(auth[key])
        is_safe = parts.scheme == "https" or is_loopback(parts.hostname or "")
        if parts.scheme not in ("http", "https") or not parts.hostname or not is_safe:
            raise UsageError(
                f"{key} of {name}: allowed is an address that begins with https:// (http:// only "
                "on this machine)"
            )
    parts = urlsplit(auth["redirect_uri"])
    if parts.path != _CALLBACK or parts.query or not parts.hostname:
        raise UsageError(
            f"redirect_uri of {name}: allowed is the address of the pages followed by {_CALLBACK}, "
            f"such as https://survey.example.org{_CALLBACK}"
        )
    return str(parts.hostname)


HOST = "127.0.0.1"
#: Tells the dashboard that what it shows is invented.
DEMO_VARIABLE = "BLACKMOUTH_DEMO"
#: Names the store that pages may write; unset, they show the archive alone.
STORE_VARIABLE = "BLACKMOUTH_STORE"
#: Beginnings of variables that the public's process is not given: they could name a store, or
#: change the server's bounds.
_PRIVATE = ("BLACKMOUTH_", "AWS_", "UVICORN_")
#: Bounds of the public's server: bytes of a message and of a request's head, connections at once,
#: seconds. It does not say what it is made with. Our choice, no source.
_PUBLIC_SERVER = {
    "--workers": "1",
    "--ws": "websockets-sansio",
    "--ws-max-size": "65536",
    "--ws-per-message-deflate": "false",
    "--http": "h11",
    "--h11-max-incomplete-event-size": "16384",
    "--limit-concurrency": "4000",
    "--timeout-keep-alive": "10",
    "--timeout-graceful-shutdown": "2",
    "--log-level": "error",
}
FIRST_PORT = 8501
START_SECONDS = 60.0
STOP_SECONDS = 5.0


class Team(NamedTuple):
    """Who may log in, and the settings of the server that this asks for."""

    people: Path
    flags: dict[str, str]


@click.command(
    "open",
    epilog=examples(
        "blackmouth open",
        "blackmouth open --store mystore --port 8600",
        "blackmouth open --public public",
    ),
)
@click.option(
    "--store",
    type=StorePlace(path_type=Path),
    metavar="DIR",
    help="Directory of the store, or its URL (s3://BUCKET/NAME); the demo season if not given.",
)
@click.option(
    "--port",
    type=click.IntRange(1, 65535),
    metavar="N",
    help=f"Port of the dashboard; the first free one from {FIRST_PORT} if not given.",
)
@click.option(
    "--public",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    metavar="DIR",
    help="Show what `blackmouth publish` wrote there and nothing else; takes no --store.",
)
@click.option(
    "--people",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Serve a team, each by login: who is analyst, manager or viewer (TOML).",
)
@click.option(
    "--secrets",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="The login of the team (TOML, table [auth]); secrets.toml beside FILE of --people if not "
    "given.",
)
@click.option(
    "--address",
    default=HOST,
    show_default=True,
    metavar="HOST",
    help="Where to listen; another than this machine only with --people or --public.",
)
def open_(
    *,
    store: Path | None,
    port: int | None,
    public: Path | None,
    people: Path | None,
    secrets: Path | None,
    address: str,
) -> None:
    """Open the dashboard in the browser; Ctrl-C ends it.

    It shows the store's bulletins. Where there is none yet, one is made for every season first; a
    store without data opens on the page where data go in. The demo opens as a copy of its own:
    what is changed there is gone at the end. It listens on this machine only, unless --address
    names another, and fetches nothing from the network. With --people it serves a team: everybody
    logs in at your provider, and the role decides what is shown and done.
    """
    check_address(address, has_login=people is not None or public is not None)
    if secrets is not None and people is None:
        raise UsageError("--secrets goes with --people FILE, which says who may log in")
    if people is not None and public is not None:
        raise UsageError("--public shows published figures without a login; leave --people out")
    if public is not None:
        _open_public(public, store, port, address)
        return
    team = Team(people.absolute(), team_flags(people, secrets)) if people else None
    app = _app("served.py")
    chosen = _free_port(port, address)
    archive = _archive(store)
    with tempfile.TemporaryDirectory(prefix="blackmouth-") as name:
        folder = Path(name)
        written = store.absolute() if store else None
        if store is None:
            written = shutil.copytree(archive.parent, folder / "demo")
            archive = written / archive.name
        serve(
            app,
            archive=archive,
            port=chosen,
            address=address,
            store=written,
            is_demo=store is None,
            team=team,
        )


def _open_public(public: Path, store: Path | None, port: int | None, address: str) -> None:
    """Serve a folder that was published, by a process that knows no store."""
    if store is not None:
        raise UsageError("--public shows a published folder and needs no store; leave --store out")
    missing = [name for name in (FIGURES_FILE, ABOUT_FILE) if not (public / name).is_file()]
    if missing:
        raise UsageError(
            f"{public} has no {' and no '.join(missing)}; `blackmouth publish --store DIR --out "
            f"{store_words(public)}` writes them"
        )
    if fault := fault_of(public):
        raise UsageError(
            f"{public} is not as `blackmouth publish` wrote it: {fault}; publish it again"
        )
    root, chosen = _app("public_served.py").parents[1], _free_port(port, address)
    unsaid = {name for name in os.environ if name.startswith(_PRIVATE)}
    environment = {name: value for name, value in os.environ.items() if name not in unsaid}
    environment[PUBLIC_VARIABLE] = str(public.absolute())
    run_app(public_command(root, chosen, address), chosen, address, environment)


def public_command(
    root: Path, port: int, address: str = HOST, app: str = "dashboard.public_served:app"
) -> list[str]:
    """Return the command that serves the public's pages, or another app within their bounds.

    `root` is the folder that the app is imported from, before any other.
    """
    bounds = [part for pair in _PUBLIC_SERVER.items() for part in pair]
    command = [sys.executable, "-m", "uvicorn", app, "--app-dir", str(root)]
    place = ["--host", address, "--port", str(port)]
    return [*command, *place, *bounds, "--no-server-header", "--no-access-log"]


def serve(
    app: Path,
    *,
    archive: Path,
    port: int,
    address: str = HOST,
    store: Path | None = None,
    is_demo: bool = False,
    team: Team | None = None,
) -> None:
    """Run the dashboard as a child process until it ends or is interrupted.

    Pages may write `store`; without one they show the archive alone. With `is_demo` they say that
    the data are invented; with a `team` everybody logs in. If it ends by itself or does not answer
    in time, that is a `StoreError`.
    """
    from analytics.people import PEOPLE_VARIABLE  # noqa: PLC0415 - keeps --help quick

    environment = os.environ | {"BLACKMOUTH_ARCHIVE": str(archive)}
    variables = {
        STORE_VARIABLE: store,
        DEMO_VARIABLE: "1" if is_demo else None,
        PEOPLE_VARIABLE: team.people if team else None,
    }
    for variable, value in variables.items():
        environment.pop(variable, None)
        if value is not None:
            environment[variable] = str(value)
    # Without a team the pages themselves ask for a name of this machine, of which it has many.
    settings = team.flags if team else {"server.allowedHosts": "*"}
    command = _streamlit_command(app, port, address, settings)
    run_app(command, port, address, environment)


def _streamlit_command(
    app: Path, port: int, address: str, settings: Mapping[str, str]
) -> list[str]:
    has_display = sys.platform in ("darwin", "win32") or any(
        os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY")
    )
    options = {
        "server.port": str(port),
        "server.address": address,
        "server.headless": "false" if has_display else "true",
        "server.showEmailPrompt": "false",
        "browser.gatherUsageStats": "false",
        **settings,
    }
    flags = [part for name, value in options.items() for part in (f"--{name}", value)]
    return [sys.executable, "-m", "streamlit", "run", str(app), *flags]


def run_app(command: list[str], port: int, address: str, environment: Mapping[str, str]) -> None:
    """Run the server of pages in an environment until it ends or is interrupted, as `serve`."""
    from analytics.people import is_loopback  # noqa: PLC0415 - keeps --help quick

    signal.signal(signal.SIGTERM, _interrupt)
    # A library of the models lets system calls go on after Ctrl-C: set anew, it ends the wait.
    signal.signal(signal.SIGINT, signal.getsignal(signal.SIGINT))
    child = subprocess.Popen(command, env=dict(environment), stdout=subprocess.DEVNULL)
    try:
        _wait_for(child, port, address)
        shown = "localhost" if is_loopback(address) else address
        say(f"the dashboard is at http://{shown}:{port} (Ctrl-C ends it)")
        status = child.wait()
    except KeyboardInterrupt:
        _end(child)
        say("the dashboard has ended")
        return
    finally:
        _end(child)
    raise StoreError(f"the dashboard ended by itself with status {status}")


def _archive(store: Path | None) -> Path:
    """Return the archive to show, with at least one bulletin on it."""
    from analytics.bulletin.archive import archive_of, list_bulletins  # noqa: PLC0415 - keeps --help quick

    if store is None:
        from analytics.cli.demo_store import prepare  # noqa: PLC0415

        say("no --store given: opening the invented demo season")
        return archive_of(prepare(progress))
    kept = list_bulletins(archive_of(store))
    if kept:
        _tell_of_newer_data(store, max(card.version for card in kept))
    else:
        _make_bulletins(store)
    return archive_of(store)


def _tell_of_newer_data(store: Path, newest: int) -> None:
    """Say where the store has moved on since its newest bulletin; none is made unasked."""
    from analytics.data.store import Store  # noqa: PLC0415 - keeps --help quick

    version = newest
    # An archive can be shown without its store.
    with suppress(StoreError):
        version = Store(store).version
    if version > newest:
        say(
            f"the store is at version {version}, its newest bulletin at {newest}: "
            f"run `blackmouth bulletin --store {store_words(store)}`"
        )


def _make_bulletins(store: Path) -> None:
    from analytics.bulletin.build import make_bulletin  # noqa: PLC0415 - keeps --help quick
    from analytics.data.store import Store  # noqa: PLC0415
    from analytics.survey.build import seasons_with_data  # noqa: PLC0415

    target = Store(store)
    snapshot = target.snapshot()
    if not any(snapshot[name].num_rows for name in ("site_days", "interviews")):
        say(f"no data in {store} yet: the page Data desk takes them in")
        return
    seasons = seasons_with_data(snapshot)
    say(f"no bulletin in {store} yet: making one for {', '.join(seasons)}")
    for season in seasons:
        make_bulletin(target, season=season, progress=progress)


def _app(script: str) -> Path:
    spec = find_spec("dashboard")
    app = Path(spec.origin).parent / script if spec and spec.origin else None
    if app is None or not app.exists():
        raise UsageError("the dashboard is not installed; install the package as the README says")
    return app


def _free_port(port: int | None, address: str) -> int:
    """Return the requested port if it is free, else the first free one."""
    tried = [port] if port else range(FIRST_PORT, FIRST_PORT + 100)
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    for number in tried:
        with socket.socket(family) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((address, number))
            except OSError:
                continue
            return number
    raise UsageError(f"port {tried[0]} is in use or not allowed; name another with --port")


def _wait_for(child: subprocess.Popen[bytes], port: int, address: str) -> None:
    # What listens everywhere also listens here.
    host = {"0.0.0.0": HOST, "::": "::1"}.get(address, address)
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    until = time.monotonic() + START_SECONDS
    while time.monotonic() < until:
        if child.poll() is not None:
            raise StoreError(f"the dashboard ended by itself with status {child.returncode}")
        with socket.socket(family) as probe:
            probe.settimeout(1)
            if probe.connect_ex((host, port)) == 0:
                return
        time.sleep(0.1)
    raise StoreError(f"the dashboard did not answer within {START_SECONDS:.0f} s")


def _end(child: subprocess.Popen[bytes]) -> None:
    if child.poll() is None:
        child.terminate()
        try:
            child.wait(STOP_SECONDS)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def _interrupt(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt
