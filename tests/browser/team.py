"""A team's dashboard and its login provider on this machine, for tests and for looking at it."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import analytics.cli
from tests.browser import serving

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from playwright.sync_api import Page

#: Never in a log, an error or a page.
COOKIE_SECRET, CLIENT_SECRET = "c0ffee" * 8, "not-to-be-seen-anywhere"
#: Subjects and addresses of the provider; the last one has no role.
ANALYST, MANAGER, VIEWER, STRANGER = (
    f"{name}@example.org" for name in ("kim", "lee", "sam", "alex")
)


@contextlib.contextmanager
def provider() -> Iterator[str]:
    """Give the address of a login provider at which everybody may log in with one press."""
    port = serving.free_port()
    command = [sys.executable, "-W", "ignore", "-m", "oidc_provider_mock", "--port", str(port)]
    for email in (ANALYST, MANAGER, VIEWER, STRANGER):
        command += [
            "--user-claims",
            f'{{"sub": "{email}", "email": "{email}", "email_verified": true}}',
        ]
    variables = os.environ | {"PYTHONWARNINGS": "ignore"}
    child = subprocess.Popen(
        command, env=variables, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        serving.wait_for(f"http://127.0.0.1:{port}/.well-known/openid-configuration", child)
        yield f"http://127.0.0.1:{port}"
    finally:
        serving.end(child)


def write_settings(
    folder: Path,
    *,
    login: str,
    address: str,
    hours: float = 10,
    roles: Mapping[str, str] | None = None,
) -> Path:
    """Write the files of a team into a folder; return that of its people."""
    folder.mkdir(parents=True, exist_ok=True)
    roles = roles or {ANALYST: "analyst", MANAGER: "manager", VIEWER: "viewer"}
    lines = [f"login_hours = {hours}", 'ask = "the survey office"', "[people]"]
    lines += [f'"{email}" = "{role}"' for email, role in roles.items()]
    (people := folder / "people.toml").write_text("\n".join(lines) + "\n", "utf-8")
    secrets = folder / "secrets.toml"
    secrets.touch(mode=0o600)
    secrets.write_text(
        f'[auth]\nredirect_uri = "{address}/oauth2callback"\n'
        f'cookie_secret = "{COOKIE_SECRET}"\nclient_id = "blackmouth"\n'
        f'client_secret = "{CLIENT_SECRET}"\n'
        f'server_metadata_url = "{login}/.well-known/openid-configuration"\n',
        "utf-8",
    )
    return people


@contextlib.contextmanager
def team(
    store: Path, people: Path, *, port: int, log: Path, address: str = "127.0.0.1"
) -> Iterator[str]:
    """Give the address of the dashboard as ``open --people`` serves it."""
    command = [sys.executable, "-m", "analytics.cli", "open", "--store", str(store)]
    command += ["--people", str(people), "--port", str(port), "--address", address]
    root = str(Path(analytics.cli.__file__).parents[2])
    variables = os.environ | {"PYTHONPATH": root, "AUTHLIB_INSECURE_TRANSPORT": "1"}
    with log.open("wb") as out:
        child = subprocess.Popen(command, env=variables, stdout=out, stderr=out)
        try:
            serving.wait_for(f"http://127.0.0.1:{port}/_stcore/health", child)
            yield f"http://localhost:{port}"
        finally:
            serving.end(child)


def log_in(page: Page, address: str, email: str) -> None:
    """Log in at the provider as one of its people, from the page that asks for it."""
    page.goto(address)
    page.get_by_role("button", name="Log in").click()
    page.wait_for_url("**/oauth2/authorize**")
    page.get_by_role("button", name=email).click()
    page.wait_for_url(f"{address}/**")
