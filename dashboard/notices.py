"""What a reader should know before using the figures, and what to do when there are none."""

from __future__ import annotations

import os
from datetime import date
from typing import TYPE_CHECKING

import streamlit as st

from analytics.people import Action
from analytics.quantities import Status
from analytics.units import short_day
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
from dashboard.catalogue import phrase, say, say_n
from dashboard.desk import demo_season

if TYPE_CHECKING:
    from pathlib import Path

    from analytics.bulletin.archive import BulletinMetadata
    from analytics.errors import BlackmouthError
    from dashboard.filters import Choice


def glossary(*, level: float) -> str:
    """Return what the words and marks of the page mean (Markdown)."""
    mild, strong = (words for _, words in reasons.CAUTION_SIGNS)
    lines = [
        say(
            "- **{level} CI**: the interval that, over many such samples, holds the true figure "
            "{level} of the time. {coverage}",
            level=numbers.level(level),
            coverage=COVERAGE,
        ),
        say(
            "- **{pse}**, the percent standard error: the standard error in percent of "
            "the figure. **{mild}** {when_mild}; **{strong}** {when_strong}. The two limits "
            "are those of a published survey standard (see Methods and cautions); a "
            "figure exactly on one belongs below it, and a zero has no {pse}.",
            pse=reasons.PSE,
            mild=reasons.MILD,
            when_mild=mild,
            strong=reasons.STRONG,
            when_strong=strong,
        ),
        say(
            "- **{too_few}**: its upper end lies over {useless_times:.0f} times the "
            "figure, or the error is larger than the figure. The download holds the "
            "numbers.",
            too_few=reasons.TOO_FEW.capitalize(),
            useless_times=reasons.USELESS_TIMES,
        ),
        say("- **No clear change**: the interval of the change holds “no change”."),
        say(
            "- **Not comparable**: the two weeks had other open days (an opening, a closure, a "
            "week cut short)."
        ),
        say("- **Site-day**: one landing site on one day, the unit that is selected and sampled."),
        say(
            "- **Degrees of freedom**: how many site-days an error rests on, less one for each "
            "group of days they were selected from; the fewer, the less the error itself is known."
        ),
    ]
    lines += [f"- **{word}**: {meaning}" for word, meaning in reasons.STATUS_WORDS.values()]
    return "\n".join(lines)


SHOWN_AT_ONCE = 6
#: Set to 1 by the command that opens the demo season.
DEMO_VARIABLE = "BLACKMOUTH_DEMO"

INVENTED = phrase("Invented demonstration data: Ondrell Sound and its fish do not exist.")

#: Said by pages that write where the dashboard is open on bulletins alone.
NO_STORE = phrase("No store is open. Start with `blackmouth open --store DIR`.")
CAUTION = caution("page")


def _sees_the_store() -> bool:
    """Whether the person here may see paths and commands: not those who only read."""
    return people.may(Action.SEE_STORE)


def invented() -> None:
    """Say under the title that the data are invented, where the demo season is shown."""
    if os.environ.get(DEMO_VARIABLE) == "1":
        st.caption(say(INVENTED))


def empty_archive(folder: Path | None) -> None:
    """Say what to do when there is no bulletin to show."""
    st.markdown("#### There is no bulletin to show yet.")
    if not _sees_the_store():
        st.markdown(say("An analyst makes the first one; come back to this page then."))
        return
    if folder is None:
        st.markdown(say("No folder of bulletins was named. Start the dashboard with its command:"))
        st.code("blackmouth open --store DIR", language="text")
        st.markdown(say("Without `--store` it opens the demo season."))
        return
    if store_access.store_path() is not None:
        st.markdown(
            say(
                "Take the week's files in on the page *Data desk*, then make one on the page *New "
                "bulletin*; both are in the menu under *Biologist*. Or see first what comes out:"
            )
        )
        demo_season.offer()
        return
    st.markdown(
        say("Import the week's field tables, make a bulletin, then come back to this page:")
    )
    st.code(
        "blackmouth import FOLDER --store DIR\n"
        "blackmouth bulletin --store DIR\n"
        "blackmouth open --store DIR",
        language="text",
    )
    st.caption(say("Looked in: {folder}", folder=numbers.plain(folder)))


def older(english: str) -> str:
    """Return that a bulletin is older than what a page shows, in words, and what to do."""
    words = say(english)
    if not _sees_the_store():
        return f"{words} {say('Ask an analyst to make it again, and it will.')}"
    again = say("Make it again from the store with `blackmouth bulletin`, and it will.")
    return f"{words} {again}"


def unreadable(error: BlackmouthError) -> None:
    """Say that a bulletin cannot be read, and what to do."""
    if not _sees_the_store():
        st.error(
            say("The bulletins cannot be read now. Nothing was changed; please tell an analyst.")
        )
        return
    st.error(say("The bulletins cannot be read: {error}", error=numbers.plain(error)))
    st.markdown(
        say(
            "Nothing was changed. Take the damaged bulletin's folder away and make the bulletin "
            "again from the store with `blackmouth bulletin --store DIR`; the store still holds "
            "the data."
        )
    )


def damaged(names: list[str]) -> None:
    """Say which bulletins are left out because they cannot be read."""
    if names and not _sees_the_store():
        left_out = say_n(len(names), "{n} bulletin", "{n} bulletins")
        st.warning(
            say(
                "Left out, because it cannot be read: {left_out}. Please tell an analyst.",
                left_out=left_out,
            )
        )
    elif names:
        st.warning(
            say(
                "Left out, because it cannot be read: {names}. Make it again from the "
                "store with `blackmouth bulletin`; the store still holds the data.",
                names=numbers.plain(", ".join(names)),
            )
        )


def unmet(wishes: list[str]) -> None:
    """Say what a link asked for that cannot be had, and where to see what is shown instead."""
    if wishes:
        asked = "; ".join(numbers.plain(wish) for wish in wishes)
        st.warning(
            say(
                "The link could not be followed in everything: {asked}. What is shown in "
                "its place stands in the filters.",
                asked=asked,
            )
        )


def standing(choice: Choice) -> None:
    """Say which week and version the figures stand for, and whether they can still change."""
    card = choice.index.card
    where = ", ".join(numbers.plain(choice.index.name(area)) for area in choice.domains)
    st.markdown(
        say(
            "{dates} · {areas} · season {season}",
            dates=numbers.week_dates(choice.week),
            areas=where,
            season=numbers.plain(card.season),
        )
    )
    st.caption(as_of(choice))


def as_of(choice: Choice) -> str:
    """Return which data the figures rest on, and whether they can still change (Markdown)."""
    card = choice.index.card
    words = say(
        "Through week {week}, as of version {version} of the data; made on {day} at {time} UTC.",
        week=card.through,
        version=card.version,
        day=made_words(card),
        time=card.made_utc[11:16],
    )
    if card.preliminary:
        words = say("**Preliminary.** {words} Later data can change these figures.", words=words)
    else:
        words = say("**Final**, unless late data come. {words}", words=words)
    if choice.newest:
        return words
    return say("{words} **There is a newer bulletin of this season.**", words=words)


def made_words(card: BulletinMetadata) -> str:
    """Return the day on which a bulletin was made."""
    return short_day(date.fromisoformat(card.made_utc[:10]), with_year=True)


def reservations(choice: Choice) -> None:
    """List what the figures of the week rest on where that is little, then the findings."""
    st.header(say("What to know before using these figures"), anchor=False)
    index, week = choice.index, choice.week
    of_strata = strata_notes(index, areas=choice.areas, week=week)
    thin = thin_notes(index, areas=choice.shown, week=week)
    if of_strata and choice.areas:
        st.markdown(say("Boats also land outside the area they fished: every area is listed."))
    if of_strata or thin:
        _list([*of_strata, *thin])
    else:
        st.markdown(_nothing_thin(choice))
    findings = finding_notes(index)
    if findings:
        with st.expander(say("Findings in the data behind this bulletin ({n})", n=len(findings))):
            _list(findings)


def _nothing_thin(choice: Choice) -> str:
    trips = [choice.index.row(area, choice.week, "angler_trips") for area in choice.domains]
    if all(row is not None and row.status == Status.NO_DESIGN for row in trips):
        return say(
            "No site-day of this week was drawn by a design: there are rates, and no totals."
        )
    areas = (*choice.domains, *choice.shown)
    if has_marks(choice.index, areas=areas, week=choice.week):
        return say(
            "Weekdays and weekend days were sampled everywhere and nothing was filled in or "
            "missing; still, the figures marked ! or !! above are uncertain."
        )
    return say(
        "Weekdays and weekend days were sampled everywhere; nothing was filled in or missing."
    )


def note_head(author: str) -> str:
    """Return what stands over the note of an analyst, as it stands in the data."""
    name = numbers.plain(author)
    return say("Analyst's note ({name})", name=name) if name else say("Analyst's note")


def foot() -> None:
    """Close the page: who decides, and the cold water."""
    st.divider()
    st.caption(CAUTION)
    with st.expander(say("On the water in winter")):
        st.markdown(COLD_WATER)


def _list(lines: list[str]) -> None:
    safe = [f"- {numbers.plain(line)}" for line in lines]
    st.markdown("\n".join(safe[:SHOWN_AT_ONCE]))
    if len(safe) > SHOWN_AT_ONCE:
        with st.popover(say("{n} more", n=len(safe) - SHOWN_AT_ONCE)):
            st.markdown("\n".join(safe[SHOWN_AT_ONCE:]))
