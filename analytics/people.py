"""People and roles: who may do what, by a small file of settings; without a role, nothing."""

from __future__ import annotations

import ipaddress
import tomllib
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError, field_validator

from analytics.errors import UsageError
from analytics.quantities import uncapitalised

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

#: Names the file of people for the pages; unset, there is one local user. Where it is set, even to
#: nothing, nobody is let in without a role.
PEOPLE_VARIABLE = "BLACKMOUTH_PEOPLE"
#: A key of the file that begins so names the subject of the provider and not an e-mail address.
SUBJECT = "subject:"
#: Longest name kept in the history.
LONGEST_NAME = 120
_MOST_BYTES = 1 << 20
_SEEN = 60


def is_loopback(host: str) -> bool:
    """Whether a host is this machine alone."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


class Action(StrEnum):
    """What a person may do; every page, download and step asks for one of them."""

    READ = "read pages"
    DOWNLOAD = "download documents and tables"
    SEE_STORE = "see what came into the store"
    NOTE = "write notes on bulletins"
    DRAFT = "key forms, take files in and correct them"
    STORE = "store data"
    WITHDRAW = "withdraw batches and put them back"
    MAKE_BULLETIN = "make bulletins"


class Role(StrEnum):
    """What a person is in the team."""

    ANALYST = "analyst"
    MANAGER = "manager"
    VIEWER = "viewer"


_READER = frozenset({Action.READ, Action.DOWNLOAD})
#: The one table of what each role may do.
ALLOWED: Mapping[Role, frozenset[Action]] = {
    Role.VIEWER: _READER,
    Role.MANAGER: _READER | {Action.SEE_STORE, Action.NOTE},
    Role.ANALYST: frozenset(Action),
}


class Standing(StrEnum):
    """How a person stands with this server."""

    LOCAL = "local"
    LOGGED_OUT = "logged out"
    EXPIRED = "expired"
    NO_ROLE = "no role"
    HAS_ROLE = "has role"


@dataclass(frozen=True, slots=True)
class Person:
    """Someone at the pages.

    `name` is what the history keeps, empty for the one local user; `role` is None without one, and
    kept while a login is expired; `is_email_unverified` where the provider does not vouch for the
    address, which then counts for nothing.
    """

    standing: Standing
    name: str = ""
    role: Role | None = None
    is_email_unverified: bool = False

    def may(self, action: Action) -> bool:
        """Whether the person may do something now."""
        if self.standing is Standing.LOCAL:
            return True
        return self.standing is Standing.HAS_ROLE and self._has(action)

    def might(self, action: Action) -> bool:
        """Whether the person may do it again after logging in anew."""
        return self.standing is Standing.EXPIRED and self._has(action)

    def _has(self, action: Action) -> bool:
        return self.role is not None and action in ALLOWED[self.role]


LOCAL = Person(Standing.LOCAL)
NOBODY = Person(Standing.LOGGED_OUT)


class NotAllowed(UsageError):  # noqa: N818 - reads as a sentence
    """A step that this person may not take; nothing was done."""


class People(BaseModel):
    """The settings of a team: who has which role, and how long a login lasts."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    #: A working day and a little more (our choice, no source).
    login_hours: float = Field(default=10, gt=0, le=168)
    #: Whether an e-mail address counts for which the provider does not vouch.
    trust_email: bool = Field(default=False, strict=True)
    #: Whom to ask for a role, shown to those without one.
    ask: str = Field(default="", max_length=300)
    people: dict[str, Role] = Field(min_length=1, max_length=10_000)

    @field_validator("people", mode="before")
    @classmethod
    def _by_key(cls, given: Any) -> Any:
        """Write e-mail addresses in small letters; two spellings of one are refused."""
        if not isinstance(given, dict):
            return given
        found: dict[str, Any] = {}
        for key, role in given.items():
            written = key.strip()
            known = written if written.startswith(SUBJECT) else written.casefold()
            if known in found:
                raise ValueError(f"{key!r} stands there twice")
            if not (written.startswith(SUBJECT) and written != SUBJECT) and "@" not in known:
                raise ValueError(
                    f"{key!r} is no e-mail address and no subject (allowed: kim@example.org, or "
                    f"{SUBJECT}248289761001)"
                )
            found[known] = role
        return found

    def person_of(self, claims: Mapping[str, Any], *, now: float) -> Person:
        """Return who stands behind the claims of a login at an instant (seconds since 1970)."""
        subject = claims.get("sub")
        if claims.get("is_logged_in") is not True or not isinstance(subject, str) or not subject:
            return NOBODY
        email = claims.get("email")
        written = email.strip() if isinstance(email, str) else ""
        counts = bool(written) and (self.trust_email or claims.get("email_verified") is True)
        role = self.people.get(SUBJECT + subject)
        if role is None and counts and not written.startswith(SUBJECT):
            role = self.people.get(written.casefold())
        name = (written if counts else SUBJECT + subject)[:LONGEST_NAME]
        if not self._is_valid(claims.get("iat"), now):
            standing = Standing.EXPIRED
        else:
            standing = Standing.NO_ROLE if role is None else Standing.HAS_ROLE
        return Person(standing, name, role, bool(written) and not counts)

    def _is_valid(self, issued: Any, now: float) -> bool:
        """Whether a login issued at an instant is valid; one that says no instant is not."""
        if isinstance(issued, bool) or not isinstance(issued, int | float):
            return False
        # Clocks of two machines differ a little.
        return issued - 300 <= now < issued + 3600 * self.login_hours


_PEOPLE: TypeAdapter[People] = TypeAdapter(People)


def read_people(path: Path) -> People:
    """Return the settings of a file.

    Raises
    ------
    UsageError
        If the file cannot be read or says something that is not allowed, with what was seen, what
        is allowed and what to do.
    """
    try:
        data = path.read_bytes()[: _MOST_BYTES + 1]
    except OSError as error:
        why = error.strerror or "unreadable"
        raise UsageError(
            f"the file of people {path.name} cannot be read: {why}; name a TOML file with a table "
            "[people]"
        ) from error
    if len(data) > _MOST_BYTES:
        raise UsageError(f"the file of people {path.name} is larger than 1 MB; name another")
    try:
        given = tomllib.loads(data.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(f"the file of people {path.name} is no TOML: {error}") from error
    try:
        return _PEOPLE.validate_python(given)
    except ValidationError as error:
        faults = "; ".join(map(_fault_words, error.errors()[:10]))
        raise UsageError(f"the file of people {path.name}: {faults}") from error


def _fault_words(fault: Any) -> str:
    """Return one fault of the file: where, what was seen, what is allowed."""
    place = ".".join(str(part) for part in fault["loc"] if part != "[key]")
    seen = repr(fault["input"])
    seen = seen if len(seen) <= _SEEN else f"{seen[:_SEEN]}…"
    match fault["type"]:
        case "missing":
            return (
                f'{place} is missing; add a table [people] with lines "kim@example.org" = "analyst"'
            )
        case "extra_forbidden":
            keys = ", ".join(People.model_fields)
            return f"{place} is not known; allowed: {keys}"
        case "enum":
            return f"{place} is {seen}; allowed: {', '.join(Role)}"
        case "value_error":
            return f"{place}: {fault['ctx']['error']}"
        case _:
            return f"{place} is {seen}; {uncapitalised(fault['msg'])}"
