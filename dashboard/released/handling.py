"""How to release a fish: advice with its source, and the published deaths that support it."""

from __future__ import annotations

import pyarrow as pa

from analytics.wording.numbers import Measurement, NumberKind
from dashboard import html_tables
from dashboard.catalogue import phrase, say
from dashboard.charts.forest import ForestRow

ANSWER = phrase(
    "Where the hook sits decides most of it: of fish hooked in the jaw **2.3 %** died, of fish "
    "hooked in the gills **81.6 %** (Lindsay et al. 2004). What is left in the hands of the angler "
    "is to keep the hook out of the throat, and the fish in the water."
)
ADVICE = (
    phrase(
        "**Keep the fish in the water** while the hook comes out; do not lift it by line or gills."
    ),
    phrase("**Single barbless hooks** can be twisted out with a tool, without touching the fish."),
    phrase("**Cut the leader of a swallowed hook** close to the mouth; do not dig for it."),
    phrase(
        "**Expect swallowed hooks when mooching:** of 522 young Chinook caught by drift mooching, "
        "40.6 % were hooked in the gut (Grover et al. 2002). Have the cutter at hand."
    ),
    phrase(
        "**Tell the sampler** how many fish went back, how large, and how many were hooked deep: "
        "the figures of these pages rest on it."
    ),
)
ADVICE_SOURCE = phrase(
    "The first three are common handling rules; local rules decide. The fourth is published; the "
    "last is our own request."
)
#: Wound sites with the share of fish that died, and how often the site was hit.
#: Lindsay et al. (2004), printed percentages.
WOUNDS = (
    (phrase("jaw"), 0.023, 0.815),
    (phrase("tongue"), 0.178, 0.051),
    (phrase("eye"), 0.0, 0.004),
    (phrase("gills"), 0.816, 0.051),
    (phrase("oesophagus and stomach"), 0.673, 0.078),
)
SOURCES = (
    phrase(
        "Lindsay et al. (2004), Hooking mortality by anatomical location and its use in estimating "
        "mortality of spring Chinook salmon caught and released in a river sport fishery, N. Am. "
        "J. Fish. Manage. 24."
    ),
    phrase("Grover et al. (2002), Am. Fish. Soc. Symp. 30."),
)
NOT_HERE = phrase(
    "These published rates are of adult spring Chinook in a river and have no intervals here: they "
    "show the order of the wound sites, not the deaths of this fishery. For those see *Deaths*."
)
DECIDES = phrase(
    "Figures and advice inform. The rules of the agency in charge decide what may be kept and how "
    "fish must be released, and what needs a licence or a permit stays with those who hold one."
)
TITLE = phrase(
    "Of fish hooked in the gills 81.6\u00a0% died, in the jaw 2.3\u00a0% (Lindsay et al. 2004)"
)
NAMES = (("sea", phrase("share of fish that died")),)
_HEADS = (phrase("Wound site"), phrase("Died"), phrase("Share of fish hooked there"))


def forest_rows() -> list[ForestRow]:
    """Return deaths by wound site in print, the most deadly first."""
    return [
        ForestRow(
            say(name), Measurement(died, sort=NumberKind.SHARE), words=say("Lindsay et al. (2004)")
        )
        for name, died, _ in ranked()
    ]


def ranked() -> list[tuple[str, float, float]]:
    """Return the wound sites, the most deadly first."""
    return sorted(WOUNDS, key=lambda one: -one[1])


def table() -> str:
    """Return deaths by wound site in print as an HTML table."""
    lines = [
        html_tables.line(_HEADS, say(name), (f"{100 * died:.1f}\u00a0%", f"{100 * hit:.1f}\u00a0%"))
        for name, died, hit in ranked()
    ]
    return html_tables.table(_HEADS, lines)


def in_print() -> pa.Table:
    """Return deaths by wound site in print as a table to take away."""
    return pa.table(
        {
            "wound_site": [name for name, _, _ in WOUNDS],
            "rate_prop": [died for _, died, _ in WOUNDS],
            "share_prop": [hit for _, _, hit in WOUNDS],
            "source": [SOURCES[0]] * len(WOUNDS),
        }
    )
