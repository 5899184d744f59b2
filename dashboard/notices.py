"""What a reader should know before using the figures, and what to do when there are none."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from dashboard import sentences, text

if TYPE_CHECKING:
    from pathlib import Path

    from analytics.errors import BlackmouthError
    from dashboard.filters import Choice

SHOWN_AT_ONCE = 6

CAUTION = (
    "This page informs; it decides nothing. Local rules, and the agency in charge, decide what is "
    "open and what may be kept."
)
COLD_WATER = (
    "Winter water is cold: about 1 minute to get the breath under control, 10 minutes of useful "
    "movement, 1 hour before unconsciousness (the 1-10-1 rule, as taught by the US Coast Guard "
    "Auxiliary). Wear the life jacket; stay ashore when in doubt."
)


def empty_shelf(folder: Path | None) -> None:
    """Say what to do when there is no bulletin to show."""
    st.markdown("#### There is no bulletin to show yet.")
    if folder is None:
        st.markdown("No shelf of bulletins was named. Start the dashboard with its command:")
        st.code("blackmouth open --store DIR", language="text")
        st.markdown("Without `--store` it opens the demo season.")
        return
    st.markdown("Import the week's field tables, make a bulletin, then come back to this page:")
    st.code(
        "blackmouth import FOLDER --store DIR\n"
        "blackmouth bulletin --store DIR\n"
        "blackmouth open --store DIR",
        language="text",
    )
    st.caption(f"Looked in: {text.plain(folder)}")


def unreadable(error: BlackmouthError) -> None:
    """Say that a bulletin cannot be read, and what to do."""
    st.error(f"The bulletins cannot be read: {text.plain(error)}")
    st.markdown(
        "Nothing was changed. Take the damaged folder away from the shelf and make the bulletin "
        "again from the store with `blackmouth bulletin --store DIR`; the store still holds the "
        "data."
    )


def damaged(names: list[str]) -> None:
    """Say which bulletins are left out because they cannot be read."""
    if names:
        st.warning(
            f"Left out, because it cannot be read: {text.plain(', '.join(names))}. Make it again "
            "from the store with `blackmouth bulletin`; the store still holds the data."
        )


def unmet(wishes: list[str]) -> None:
    """Say what a link asked for that is not there, and what is shown in its place."""
    if wishes:
        asked = ", ".join(text.plain(wish[:60]) for wish in wishes)
        st.warning(
            f"The link asks for {asked}, which is not on the shelf. "
            "What is shown in its place stands in the filters above."
        )


def standing(choice: Choice) -> None:
    """Say which week and version the figures stand for, and whether they can still change."""
    card = choice.book.card
    made = f"Through week {card.through}, as of version {card.version} of the data."
    if card.preliminary:
        made = f"**Preliminary.** {made} Later data can change these figures."
    if not choice.newest:
        made += " **A newer bulletin of this season is on the shelf.**"
    where = ", ".join(text.plain(choice.book.name(area)) for area in choice.domains)
    st.markdown(f"{text.week_dates(choice.week)} · {where} · season {text.plain(card.season)}")
    st.caption(made)


def reservations(choice: Choice) -> None:
    """List thin and borrowed strata of the week, then the findings of the bulletin."""
    st.header("What to know before using these figures", anchor=False)
    notes = sentences.strata_notes(choice.book, areas=choice.areas, week=choice.week)
    if notes:
        if choice.areas:
            st.markdown("Boats also land outside the area they fished: every area is listed.")
        _list(notes)
    else:
        st.markdown("No stratum of the week is thin, filled in or partly lost.")
    findings = sentences.finding_notes(choice.book)
    if findings:
        with st.expander(f"Findings in the data behind this bulletin ({len(findings)})"):
            _list(findings)
    with st.expander("What the words and marks mean"):
        st.markdown(sentences.glossary(level=choice.book.card.level))


def foot() -> None:
    """Close the page: who decides, and the cold water."""
    st.divider()
    st.caption(CAUTION)
    with st.expander("On the water in winter"):
        st.markdown(COLD_WATER)


def _list(lines: list[str]) -> None:
    safe = [f"- {text.plain(line)}" for line in lines]
    st.markdown("\n".join(safe[:SHOWN_AT_ONCE]))
    if len(safe) > SHOWN_AT_ONCE:
        with st.popover(f"{len(safe) - SHOWN_AT_ONCE} more"):
            st.markdown("\n".join(safe[SHOWN_AT_ONCE:]))
