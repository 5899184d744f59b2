"""Released fish: what becomes of the fish that go back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from dashboard import filters, notices, page_frame, url_state
from dashboard.catalogue import phrase, say
from dashboard.page_frame import Chosen, draw_page, lead
from dashboard.released import classes, deaths, handling, lengths, shares, species, trials

if TYPE_CHECKING:
    from dashboard.filters import Choice
    from dashboard.released.records import Released

#: Choices that some parts have and others have not.
CHOICES = ("span", "species")


def _body(chosen: Chosen, released: Released) -> None:
    choice = chosen.choice
    part = filters.switch(
        say("Part"), tuple(PARTS), key="part", words=lambda one: say(PARTS[one][0])
    )
    _, needed, draw = PARTS[part]
    for key in CHOICES:
        # A choice of another part is no choice here; a part that has it notes it once more.
        url_state.note(key, "", is_unsaid=True)
    if needed and needed not in choice.index.card.tables:
        lead(
            notices.older(
                phrase("This bulletin was kept before bulletins reported on released fish.")
            )
        )
        return
    draw(choice, released)


def _deaths(choice: Choice, released: Released) -> None:
    """Draw the deaths, then what they rest on."""
    for part in (deaths, handling, trials):
        part.draw(choice, released)


def _handling(choice: Choice, released: Released) -> None:
    """Draw how to let a fish go; the same for every bulletin."""
    lead(say(handling.ANSWER))
    st.markdown("\n".join(f"- {say(one)}" for one in handling.ADVICE))
    st.caption(say(handling.ADVICE_SOURCE))
    st.header(say("Published deaths by wound site"), anchor=False)
    found = handling.published_rows()
    page_frame.forest_signs(found, handling.PUBLISHED_NAMES)
    page_frame.forest_panel(
        found, title=say(handling.TITLE), key="released-wounds", of=say("Share that died")
    )
    st.caption(say(handling.NOT_HERE))
    st.html(handling.published_table())
    st.caption(say("Sources: ") + " ".join(map(say, handling.SOURCES)))
    page_frame.download(say("the published rates"), handling.in_print(), choice, "wounds_in_print")
    st.caption(say(handling.DECIDES))


#: Words of each button, the table that a bulletin must have been kept with, what draws it.
PARTS = {
    "share": (phrase("Sublegal share"), "shares", shares.draw),
    "classes": (phrase("Size and mark"), "composition", classes.draw),
    "deaths": (phrase("Deaths"), "deaths", _deaths),
    "lengths": (phrase("Lengths"), "lengths", lengths.draw),
    "species": (phrase("Other species"), "bycatch", species.draw),
    "handling": (phrase("Releasing fish"), "", _handling),
}

draw_page(phrase("Released fish"), "released", view="released", body=_body)
