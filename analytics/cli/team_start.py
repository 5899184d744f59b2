"""What ``open`` asks before it serves a team: its people, its login, and where it listens."""

from __future__ import annotations

import os
import tomllib
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from analytics.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

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
