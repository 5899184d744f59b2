"""What a reader should know before using the figures, and what to do when there are none."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import streamlit as st

from dashboard import remarks, text

if TYPE_CHECKING:
    from pathlib import Path

    from analytics.errors import BlackmouthError
    from dashboard.filters import Choice

SHOWN_AT_ONCE = 6
#: Set to 1 by the command that opens the demo season.
DEMO_VARIABLE = "BLACKMOUTH_DEMO"

INVENTED = "Invented demonstration data: Ondrell Sound and its fish do not exist."

CAUTION = (
    "This page informs; it decides nothing. Local rules, and the agency in charge, decide what is "
    "open and what may be kept."
)
COLD_WATER = (
    "Winter water is cold: about 1 minute to get the breath under control, 10 minutes of useful "
    "movement, 1 hour before unconsciousness (the 1-10-1 rule, as taught by the US Coast Guard "
    "Auxiliary). Wear the life jacket; stay ashore when in doubt."
)


def invented() -> None:
    """Say under the title that the data are invented, where the demo season is shown."""
    if os.environ.get(DEMO_VARIABLE) == "1":
        st.caption(INVENTED)


def empty_shelf(folder: Path | None) -> None:
    """Say what to do when there is no bulletin to show."""
    st.markdown("#### There is no bulletin to show yet.")
    if folder is None:
        st.markdown("No folder of bulletins was named. Start the dashboard with its command:")
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
        "Nothing was changed. Take the damaged bulletin's folder away and make the bulletin "
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
    """Say what a link asked for that cannot be had, and where to see what is shown instead."""
    if wishes:
        asked = "; ".join(text.plain(wish) for wish in wishes)
        st.warning(
            f"The link could not be followed in everything: {asked}. "
            "What is shown in its place stands in the filters."
        )


def standing(choice: Choice) -> None:
    """Say which week and version the figures stand for, and whether they can still change."""
    card = choice.book.card
    made = f"Through week {card.through}, as of version {card.version} of the data."
    if card.preliminary:
        made = f"**Preliminary.** {made} Later data can change these figures."
    if not choice.newest:
        made += " **There is a newer bulletin of this season.**"
    where = ", ".join(text.plain(choice.book.name(area)) for area in choice.domains)
    st.markdown(f"{text.week_dates(choice.week)} · {where} · season {text.plain(card.season)}")
    st.caption(made)


def reservations(choice: Choice) -> None:
    """List what the figures of the week rest on where that is little, then the findings."""
    st.header("What to know before using these figures", anchor=False)
    book, week = choice.book, choice.week
    of_strata = remarks.strata_notes(book, areas=choice.areas, week=week)
    thin = remarks.thin_notes(book, areas=choice.shown, week=week)
    if of_strata and choice.areas:
        st.markdown("Boats also land outside the area they fished: every area is listed.")
    if of_strata or thin:
        _list([*of_strata, *thin])
    else:
        st.markdown(_nothing_thin(choice))
    findings = remarks.finding_notes(book)
    if findings:
        with st.expander(f"Findings in the data behind this bulletin ({len(findings)})"):
            _list(findings)
    with st.expander("What the words and marks mean"):
        st.markdown(remarks.glossary(level=book.card.level))


def _nothing_thin(choice: Choice) -> str:
    areas = (*choice.domains, *choice.shown)
    if remarks.has_marks(choice.book, areas=areas, week=choice.week):
        return (
            "Weekdays and weekend days were sampled everywhere and nothing was filled in or lost; "
            "still, the figures marked ! or !! above are uncertain."
        )
    return "Weekdays and weekend days were sampled everywhere; nothing was filled in or lost."


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
