"""The demo season beside an empty store: a dashboard of its own on a copy that is thrown away."""

from __future__ import annotations

import atexit
import os
import re
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from typing import IO

import streamlit as st

from analytics.people import Action
from analytics.wording import numbers
from dashboard import people, url_state
from dashboard.catalogue import say

#: Opens the demo as its command does; the first time, its bulletins are made.
COMMAND = (sys.executable, "-m", "analytics.cli", "open")
_ADDRESS = re.compile(r"http://\S+")
#: A desktop named by these would open a tab of its own beside the link.
_DESKTOP = ("DISPLAY", "WAYLAND_DISPLAY")
#: How often a page that waits asks; how much of what was written is shown.
_SECONDS, _LONGEST = 1.0, 300


@dataclass(slots=True)
class _Demo:
    """The dashboard of the demo, one for all windows of this one, and what it writes."""

    child: subprocess.Popen[bytes] | None = None
    words: IO[bytes] | None = None


@dataclass(frozen=True, slots=True)
class Standing:
    """Where the demo stands: its address once it answers, `said` what it wrote last."""

    is_running: bool
    address: str
    said: str


_DEMO = _Demo()


def offer() -> None:
    """Draw the button that opens the demo, and its link; nothing where a team is served.

    The demo listens on the machine of this dashboard alone, which others cannot reach.
    """
    if people.is_team():
        return
    now = standing()
    if now.address:
        _draw_way(now.address)
    elif now.is_running:
        st.fragment(_wait, run_every=_SECONDS)()
    else:
        st.button(say("Open the demo season"), on_click=start, key="demo-start")
        if now.said:
            st.error(numbers.plain(say("The demo could not be opened: {said}", said=now.said)))


def start() -> None:
    """Start the demo where none is running; it ends with this dashboard."""
    people.require(Action.SEE_STORE)
    if standing().is_running:
        return
    _forget()
    _DEMO.words = tempfile.TemporaryFile("a+b")  # noqa: SIM115 - written to while the demo runs
    environment = {name: value for name, value in os.environ.items() if name not in _DESKTOP}
    try:
        _DEMO.child = subprocess.Popen(
            COMMAND,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=_DEMO.words,
            start_new_session=True,
        )
    except OSError as error:
        _DEMO.words.write(str(error).encode())
        return
    atexit.register(_DEMO.child.terminate)


def standing() -> Standing:
    """Return where the demo stands now."""
    said = ""
    if _DEMO.words is not None:
        _DEMO.words.seek(0)
        said = _DEMO.words.read().decode("utf-8", errors="replace").strip()
    is_running = _DEMO.child is not None and _DEMO.child.poll() is None
    found = _ADDRESS.search(said) if is_running else None
    last = said.rpartition("\n")[2][-_LONGEST:]
    return Standing(is_running, found.group() if found else "", last)


def end() -> None:
    """End the demo; its copy goes with it."""
    people.require(Action.SEE_STORE)
    if _DEMO.child is not None:
        _DEMO.child.terminate()
        _DEMO.child.wait()
    _forget()


def _forget() -> None:
    if _DEMO.child is not None:
        atexit.unregister(_DEMO.child.terminate)
    if _DEMO.words is not None:
        _DEMO.words.close()
    _DEMO.child = _DEMO.words = None


def _draw_way(address: str) -> None:
    with st.container(horizontal=True):
        st.link_button(say("Go to the demo season"), address, type="primary")
        st.button(say("End the demo"), on_click=end, key="demo-end")
    st.caption(
        say(
            "It runs at {address} on this machine, in a tab of its own and on a copy: "
            "what you change there is gone when it ends, and your store is not touched.",
            address=address,
        )
    )


def _wait() -> None:
    url_state.read_in_language()
    now = standing()
    if now.address or not now.is_running:
        st.rerun()
    st.markdown(say("The demo season is being opened; the first time takes a minute or two."))
    st.caption(numbers.plain(now.said))
