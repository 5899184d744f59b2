"""What a reader should know before using the figures, and what to do when there are none."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import streamlit as st

from analytics.people import Action
from analytics.wording import numbers, reasons
from analytics.wording.week import (
    COLD_WATER,
    COVERAGE,
    caution,
    finding_notes,
    has_marks,
    strata_notes,
    thin_notes,
)
from dashboard import people, store_access
from dashboard.desk import demo_season

if TYPE_CHECKING:
    from pathlib import Path

    from analytics.errors import BlackmouthError
    from dashboard.filters import Choice


def glossary(*, level: float) -> str:
    """Return what the words and marks of the page mean (Markdown)."""
    mild, strong = (words for _, words in reasons.CAUTION_SIGNS)
    lines = [
        f"- **{numbers.level(level)} CI**: the interval that, over many such samples, holds the "
        f"true figure {numbers.level(level)} of the time. {COVERAGE}",
        f"- **{reasons.PSE}**, the percent standard error: the standard error in percent of the "
        f"figure. **{reasons.MILD}** {mild}; **{reasons.STRONG}** {strong}. The two limits are "
        "those of a published survey standard (see Methods and cautions); a figure exactly on one "
        f"belongs below it, and a zero has no {reasons.PSE}.",
        f"- **{reasons.TOO_FEW.capitalize()}**: its upper end lies over "
        f"{reasons.USELESS_TIMES:.0f} times the figure, or the error is larger than the figure. "
        "The download holds the numbers.",
        "- **No clear change**: the interval of the change holds “no change”.",
        "- **Not comparable**: the two weeks had other open days (an opening, a closure, a week "
        "cut short).",
        "- **Site-day**: one landing site on one day, the unit that is selected and sampled.",
        "- **Degrees of freedom**: how many site-days an error rests on, less one for each group "
        "of days they were selected from; the fewer, the less the error itself is known.",
    ]
    lines += [f"- **{word}**: {meaning}" for word, meaning in reasons.STATUS_WORDS.values()]
    return "\n".join(lines)


SHOWN_AT_ONCE = 6
#: Set to 1 by the command that opens the demo season.
DEMO_VARIABLE = "BLACKMOUTH_DEMO"

INVENTED = "Invented demonstration data: Ondrell Sound and its fish do not exist."

CAUTION = caution("page")


def _sees_the_store() -> bool:
    """Whether the person here may see paths and commands: not those who only read."""
    return people.may(Action.SEE_STORE)


def invented() -> None:
    """Say under the title that the data are invented, where the demo season is shown."""
    if os.environ.get(DEMO_VARIABLE) == "1":
        st.caption(INVENTED)


def empty_archive(folder: Path | None) -> None:
    """Say what to do when there is no bulletin to show."""
    st.markdown("#### There is no bulletin to show yet.")
    if not _sees_the_store():
        st.markdown("An analyst makes the first one; come back to this page then.")
        return
    if folder is None:
        st.markdown("No folder of bulletins was named. Start the dashboard with its command:")
        st.code("blackmouth open --store DIR", language="text")
        st.markdown("Without `--store` it opens the demo season.")
        return
    if store_access.store_path() is not None:
        st.markdown(
            "Take the week's files in on the page *Data desk*, then make one on the page *New "
            "bulletin*; both are in the menu under *Biologist*. Or see first what comes out:"
        )
        demo_season.offer()
        return
    st.markdown("Import the week's field tables, make a bulletin, then come back to this page:")
    st.code(
        "blackmouth import FOLDER --store DIR\n"
        "blackmouth bulletin --store DIR\n"
        "blackmouth open --store DIR",
        language="text",
    )
    st.caption(f"Looked in: {numbers.plain(folder)}")


def older(did: str) -> str:
    """Return what to do with a bulletin from before bulletins did something."""
    words = f"This bulletin was kept before bulletins {did}. "
    if not _sees_the_store():
        return words + "Ask an analyst to make it again, and it will."
    return words + "Make it again from the store with `blackmouth bulletin`, and it will."


def unreadable(error: BlackmouthError) -> None:
    """Say that a bulletin cannot be read, and what to do."""
    if not _sees_the_store():
        st.error("The bulletins cannot be read now. Nothing was changed; please tell an analyst.")
        return
    st.error(f"The bulletins cannot be read: {numbers.plain(error)}")
    st.markdown(
        "Nothing was changed. Take the damaged bulletin's folder away and make the bulletin "
        "again from the store with `blackmouth bulletin --store DIR`; the store still holds the "
        "data."
    )


def damaged(names: list[str]) -> None:
    """Say which bulletins are left out because they cannot be read."""
    if names and not _sees_the_store():
        left_out = numbers.count(len(names), "bulletin")
        st.warning(f"Left out, because it cannot be read: {left_out}. Please tell an analyst.")
    elif names:
        st.warning(
            f"Left out, because it cannot be read: {numbers.plain(', '.join(names))}. Make it "
            "again from the store with `blackmouth bulletin`; the store still holds the data."
        )


def unmet(wishes: list[str]) -> None:
    """Say what a link asked for that cannot be had, and where to see what is shown instead."""
    if wishes:
        asked = "; ".join(numbers.plain(wish) for wish in wishes)
        st.warning(
            f"The link could not be followed in everything: {asked}. "
            "What is shown in its place stands in the filters."
        )


def standing(choice: Choice) -> None:
    """Say which week and version the figures stand for, and whether they can still change."""
    card = choice.index.card
    where = ", ".join(numbers.plain(choice.index.name(area)) for area in choice.domains)
    st.markdown(
        f"{numbers.week_dates(choice.week)} · {where} · season {numbers.plain(card.season)}"
    )
    st.caption(as_of(choice))


def as_of(choice: Choice) -> str:
    """Return which data the figures rest on, and whether they can still change (Markdown)."""
    card = choice.index.card
    made = f"{card.made_utc[:10]} at {card.made_utc[11:16]} UTC"
    words = (
        f"Through week {card.through}, as of version {card.version} of the data; made on {made}."
    )
    if card.preliminary:
        words = f"**Preliminary.** {words} Later data can change these figures."
    else:
        words = f"**Final**, unless late data come. {words}"
    return words if choice.newest else f"{words} **There is a newer bulletin of this season.**"


def reservations(choice: Choice) -> None:
    """List what the figures of the week rest on where that is little, then the findings."""
    st.header("What to know before using these figures", anchor=False)
    index, week = choice.index, choice.week
    of_strata = strata_notes(index, areas=choice.areas, week=week)
    thin = thin_notes(index, areas=choice.shown, week=week)
    if of_strata and choice.areas:
        st.markdown("Boats also land outside the area they fished: every area is listed.")
    if of_strata or thin:
        _list([*of_strata, *thin])
    else:
        st.markdown(_nothing_thin(choice))
    findings = finding_notes(index)
    if findings:
        with st.expander(f"Findings in the data behind this bulletin ({len(findings)})"):
            _list(findings)
    with st.expander("What the words and marks mean"):
        st.markdown(glossary(level=index.card.level))


def _nothing_thin(choice: Choice) -> str:
    areas = (*choice.domains, *choice.shown)
    if has_marks(choice.index, areas=areas, week=choice.week):
        return (
            "Weekdays and weekend days were sampled everywhere and nothing was filled in or "
            "missing; still, the figures marked ! or !! above are uncertain."
        )
    return "Weekdays and weekend days were sampled everywhere; nothing was filled in or missing."


def foot() -> None:
    """Close the page: who decides, and the cold water."""
    st.divider()
    st.caption(CAUTION)
    with st.expander("On the water in winter"):
        st.markdown(COLD_WATER)


def _list(lines: list[str]) -> None:
    safe = [f"- {numbers.plain(line)}" for line in lines]
    st.markdown("\n".join(safe[:SHOWN_AT_ONCE]))
    if len(safe) > SHOWN_AT_ONCE:
        with st.popover(f"{len(safe) - SHOWN_AT_ONCE} more"):
            st.markdown("\n".join(safe[SHOWN_AT_ONCE:]))
