"""What the command asks before it serves a team, and that no secret stands in its words."""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

from analytics.cli.open_command import check_address, team_flags
from analytics.errors import UsageError
from analytics.people import is_loopback
from dashboard.http_guard import HEADERS

PEOPLE = '[people]\n"kim@example.org" = "analyst"\n'
AUTH = {
    "redirect_uri": "https://survey.example.org/oauth2callback",
    "cookie_secret": "5ecret" * 8,
    "client_id": "blackmouth",
    "client_secret": "hush-hush",
    "server_metadata_url": "https://login.example.org/.well-known/openid-configuration",
}


def write(tmp_path, mode=0o600, **changed):
    (people := tmp_path / "people.toml").write_text(PEOPLE, "utf-8")
    lines = [f'{key} = "{text}"' for key, text in (AUTH | changed).items() if text is not None]
    (secrets := tmp_path / "secrets.toml").write_text("\n".join(["[auth]", *lines]), "utf-8")
    secrets.chmod(mode)
    return people


def test_a_team_is_served_with_every_door_closed(tmp_path):
    flags = team_flags(write(tmp_path), None)
    assert flags["secrets.files"] == str(tmp_path / "secrets.toml")
    assert flags["server.allowedHosts"] == "survey.example.org"
    for door in ("server.enableXsrfProtection", "server.enableCORS", "server.headless"):
        assert flags[door] == "true"
    assert flags["client.showErrorDetails"] == "none"
    assert not [value for value in flags.values() if "5ecret" in value or "hush" in value]


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"cookie_secret": "5ecret"}, ["cookie_secret", "6 characters", "32"]),
        ({"client_secret": None}, ["lacks client_secret"]),
        ({"client_id": " "}, ["lacks client_id"]),
        ({"redirect_uri": "http://survey.example.org/oauth2callback"}, ["redirect_uri", "https"]),
        ({"redirect_uri": "https://survey.example.org/"}, ["redirect_uri", "/oauth2callback"]),
        ({"server_metadata_url": "ftp://login.example.org"}, ["server_metadata_url", "https"]),
        ({"expose_tokens": "id"}, ["expose_tokens", "leave it out"]),
        ({"mode": 0o644}, ["read by others", "chmod 600"]),
    ],
)
def test_a_weak_or_missing_setting_is_refused_without_its_value(tmp_path, changed, words):
    with pytest.raises(UsageError) as refused:
        team_flags(write(tmp_path, **changed), None)
    said = str(refused.value)
    assert all(word in said for word in words), said
    assert "hush" not in said
    assert "5ecret" not in said


def test_a_broken_file_of_secrets_is_not_quoted(tmp_path):
    people = write(tmp_path)
    (tmp_path / "secrets.toml").write_text("[auth]\nclient_secret = hush-hush", "utf-8")
    with pytest.raises(UsageError, match="no TOML") as refused:
        team_flags(people, None)
    assert "hush" not in str(refused.value)
    assert refused.value.__cause__ is None


def test_nobody_outside_reaches_pages_without_a_login():
    for host in ("127.0.0.1", "localhost", "::1", "127.8.9.1"):
        assert is_loopback(host)
        check_address(host, has_login=False)
    for host in ("0.0.0.0", "::", "192.0.2.7", "survey.example.org", "localhost.example.org", ""):
        assert not is_loopback(host)
        with pytest.raises(UsageError, match="--people"):
            check_address(host, has_login=False)
        check_address(host, has_login=True)


def test_the_example_of_a_proxy_holds_what_it_must():
    """It is tried whole by `python -m tests.browser.behind_proxy`, where nginx is there."""
    text = (files("analytics") / "docs" / "serving.md").read_text("utf-8")
    (example,) = re.findall(r"^```nginx\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)
    said = {" ".join(line.split()) for line in example.splitlines()}
    assert {
        "listen 443 ssl;",
        "server_tokens off;",
        "proxy_hide_header Server;",
        "proxy_set_header Host $http_host;",
        "proxy_set_header Upgrade $http_upgrade;",
        "proxy_cookie_flags ~ secure samesite=lax;",
        "client_max_body_size 2m;",
    } <= said
    assert "limit_req zone=pages" in example
    assert example.count("{") == example.count("}")
    # What the pages send themselves is not sent twice.
    assert not any(name in example for name in HEADERS)
