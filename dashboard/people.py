"""Who is at the page, and what that person may do: asked anew at every page, download and step.

Without the settings of a team there is one local user, who may do everything, as long as the server
listens on this machine alone. With them, and where others could reach a server that asks nobody to
log in, whoever is not known for certain may do nothing: a fault anywhere closes the door.
"""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import streamlit as st
from streamlit import config

from analytics.errors import UsageError
from analytics.people import (
    LOCAL,
    NOBODY,
    PEOPLE_VARIABLE,
    Action,
    NotAllowed,
    People,
    Person,
    is_loopback,
    read_people,
)
from analytics.wording import numbers
from dashboard.catalogue import phrase, say

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


def is_team() -> bool:
    """Whether the pages are served to a team, each by login."""
    return PEOPLE_VARIABLE in os.environ


def is_exposed() -> bool:
    """Whether others could reach these pages while nobody is asked to log in."""
    address = config.get_option("server.address")
    if address is None and config.get_option("global.appTest"):
        return False  # a page run by itself: no server listens
    return not is_team() and not is_loopback(address or "")


def settings() -> People | None:
    """Return the settings of the team as the file says now; None where it cannot be read."""
    path = Path(os.environ.get(PEOPLE_VARIABLE, ""))
    try:
        stamp = path.stat()
        return _settings(str(path), stamp.st_mtime_ns, stamp.st_size)
    except (OSError, UsageError):
        return None


def claims() -> Mapping[str, Any]:
    """Return what the login provider says of whoever is at the page; nothing without a login."""
    return st.user.to_dict()


def current_person() -> Person:
    """Return who is at the page in this run of it."""
    return person_of(claims()) if is_team() else person_of({})


def person_of(said: Mapping[str, Any]) -> Person:
    """Return who stands behind the claims of a login, by the settings as they are now."""
    if not is_team():
        return NOBODY if is_exposed() else LOCAL
    known = settings()
    return NOBODY if known is None else known.person_of(said, now=time.time())


def may(action: Action) -> bool:
    """Whether the person at the page may do something now."""
    return current_person().may(action)


def require(action: Action) -> Person:
    """Return the person at the page, who may do this; for anybody else nothing goes on.

    It is called at the moment of the step, not only where a button is drawn. On a page it says why
    and ends the run; elsewhere it is `NotAllowed`.
    """
    person = current_person()
    if person.may(action):
        return person
    words = refusal(person, action)
    st.error(numbers.sentence(words))
    st.stop()
    raise NotAllowed(words)  # outside a page nothing stops


def who() -> str | None:
    """Return the name that the history keeps; None for the one local user."""
    return current_person().name or None


def refusal(person: Person, action: Action) -> str:
    """Return why a person may not do something, and what to do."""
    if person.role is None:
        return say("only people with a role may {action}; log in, or ask for a role", action=action)
    if person.might(action):
        return say("the login has ended; log in anew to {action}", action=action)
    known = settings()
    if known is not None and known.ask:
        text = phrase("the role {role} does not let you {action}; for another role ask {ask}")
        return say(text, role=person.role, action=action, ask=known.ask)
    text = phrase("the role {role} does not let you {action}; ask who manages the roles")
    return say(text, role=person.role, action=action)


@dataclass(frozen=True, slots=True)
class Guarded:
    """A file made when it is asked for, for the person who was offered it and still may have it."""

    make: Callable[[], bytes | str]
    action: Action
    claims: Mapping[str, Any] | None

    def __call__(self) -> bytes:
        """Return the file, or raise `NotAllowed`. It runs outside of any run of a page."""
        if self.claims is not None:
            person = person_of(self.claims)
            if not person.may(self.action):
                raise NotAllowed(refusal(person, self.action))
        made = self.make()
        return made.encode() if isinstance(made, str) else made


def offer(
    words: str,
    make: Callable[[], bytes | str],
    *,
    file_name: str,
    key: str,
    mime: str | None = None,
    help_: str | None = None,
    action: Action = Action.DOWNLOAD,
) -> None:
    """Draw the button of a download where the person may have it: the one way to offer a file."""
    if not may(action):
        return
    said = dict(claims()) if is_team() else None
    st.download_button(
        words,
        Guarded(make, action, said),
        file_name=file_name,
        mime=mime,
        help=help_,
        on_click="ignore",
        key=key,
    )


@lru_cache(maxsize=4)
def _settings(path: str, changed_ns: int, n_bytes: int) -> People:
    return read_people(Path(path))
