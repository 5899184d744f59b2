"""What stands before the pages of a team: log in, log in anew, ask for a role; and who is here."""

from __future__ import annotations

from functools import partial
from html import escape

import streamlit as st
from streamlit import config

from analytics.people import Person, Standing
from analytics.wording import numbers
from dashboard import pages, people
from dashboard.catalogue import phrase, say

_UNREAD = phrase(
    "The roles of this team cannot be read just now, so nobody is let in. Please tell whoever runs "
    "this server; nothing was changed."
)
_EXPOSED = phrase(
    "Others can reach this server (its address is {address}), and nobody is asked to log in, so "
    "nothing is shown. For this machine alone, start it with `blackmouth open --store DIR`; for a "
    "team, each by login, with `blackmouth open --store DIR --people FILE`, as the document "
    "*Serving a team* says."
)
_KEPT = phrase("What you typed last was kept as a draft, and is there when you come back.")
_TAKEN = phrase("What you had sent last, to copy it before you log in:")


def is_let_in() -> bool:
    """Whether the pages may be drawn; where not, it is drawn what to do instead."""
    person = people.current_person()
    if person.standing is Standing.LOCAL:
        return True
    if person.standing is Standing.HAS_ROLE:
        _strip(person)
        return True
    kept: tuple[bool, tuple[str, ...]] = (False, ())
    if person.standing is Standing.EXPIRED:
        from dashboard.forms import last_typed  # noqa: PLC0415 - no other page needs the forms

        kept = last_typed.keep(person)
    instead = partial(_draw_instead, person, *kept)
    # Every page's address answers alike.
    title = say("Log in")
    same = [st.Page(instead, title=title, url_path=one) for one in pages.addresses()]
    st.navigation([st.Page(instead, title=title, default=True), *same], position="hidden").run()
    return False


def _draw_instead(person: Person, is_kept: bool, typed: tuple[str, ...]) -> None:
    """Draw what someone without a role sees in the place of every page.

    `is_kept` where a draft was kept of what was typed last, `typed` the texts that have no draft.
    """
    st.title("Blackmouth")
    if people.is_exposed():
        address = config.get_option("server.address") or "0.0.0.0"
        st.error(say(_EXPOSED, address=numbers.plain(address)))
        return
    known = people.settings()
    if known is None:
        st.error(say(_UNREAD))
        return
    with st.container(key="answer"):
        st.markdown(_answer(person))
    if person.standing is Standing.NO_ROLE:
        _ask(person, known.ask)
        st.button(say("Log out"), on_click=st.logout, key="log-out")
        return
    if is_kept:
        st.success(say(_KEPT))
    if typed:
        st.markdown(say(_TAKEN))
        for text in typed:
            st.code(text, language=None, wrap_lines=True)
    is_anew = person.standing is Standing.EXPIRED
    words = say("Log in anew") if is_anew else say("Log in")
    st.button(words, on_click=st.login, type="primary", key="log-in")


def _strip(person: Person) -> None:
    """Draw who is here, and the way out."""
    with st.container(
        horizontal=True,
        horizontal_alignment="right",
        vertical_alignment="center",
        key="who-is-here",
    ):
        # No Markdown: it would make a link of an address.
        st.html(f"<small>{escape(person.name)} · {person.role}</small>", width="content")
        st.button(say("Log out"), on_click=st.logout, type="tertiary", key="log-out")


def _answer(person: Person) -> str:
    if person.standing is Standing.EXPIRED:
        return say("**Your login has ended.** Log in anew to go on; drafts are kept.")
    if person.standing is Standing.NO_ROLE:
        name = numbers.plain(person.name)
        return say("You are logged in as **{name}** and have **no role here yet**.", name=name)
    return say("These pages are for a team. **Log in** to see them.")


def _ask(person: Person, ask: str) -> None:
    """Say how to ask for a role."""
    whom = f": {numbers.plain(ask)}" if ask else ""
    st.markdown(
        say(
            "Ask whoever manages the roles of this team{whom}. Tell them the name above, "
            "as it stands there, and whether you read, decide or enter data.",
            whom=whom,
        )
    )
    if person.is_email_unverified:
        st.caption(
            say(
                "Your provider does not confirm your e-mail address, so it counts for nothing "
                "here: your role goes by the name above."
            )
        )
