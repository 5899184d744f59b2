"""Our colours, for light and dark: one sea, one copper, one grey; safe for colour-blind readers.

Blue-green and copper stay apart in every common colour-vision deficiency (a test computes it), and
no meaning rests on colour alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import plotly.graph_objects as go
import plotly.io as pio

from analytics.codes import has_code
from analytics.quantities import Status
from dashboard.reasons import lacks_error

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from dashboard.bulletin_index import Row


#: Plotly takes the font of the page; nothing is fetched.
FONT = '"Source Sans", sans-serif'


@dataclass(frozen=True, slots=True)
class Palette:
    """Colours of one theme, by the name of its template.

    `ink`, `quiet` and `grid` are text, secondary text and grid lines; `sea` estimates, `copper` the
    chosen week and the share; `band` stands behind the chosen week; the scales of heat maps run
    from none to most.
    """

    name: str
    ink: str
    quiet: str
    grid: str
    sea: str
    copper: str
    band: str
    sea_scale: tuple[str, ...]
    copper_scale: tuple[str, ...]


LIGHT = Palette(
    name="blackmouth-light",
    ink="#1D2A33",
    quiet="#5B6770",
    grid="#E3DFD4",
    sea="#1B6378",
    copper="#A84B14",
    band="rgba(168,75,20,0.10)",
    sea_scale=("#EAF1EF", "#A9CBD0", "#5E9CAB", "#1B6378", "#0B3645"),
    copper_scale=("#F8EFE4", "#EBC7A0", "#D59258", "#A84B14", "#5F2406"),
)
DARK = Palette(
    name="blackmouth-dark",
    ink="#E4E8E6",
    quiet="#A3AFB5",
    grid="#2A3841",
    sea="#6FBFD3",
    copper="#F0A35E",
    band="rgba(240,163,94,0.16)",
    sea_scale=("#1B2B33", "#26505F", "#357F94", "#6FBFD3", "#D3F1F6"),
    copper_scale=("#2C221A", "#5E3C1F", "#9A6230", "#F0A35E", "#FFE3C4"),
)


def on_scale(scale: Sequence[str], part: float) -> str:
    """Return the text colour, near black or white, that stands out at a part (0-1) of a scale."""
    at = min(max(part, 0.0), 1.0) * (len(scale) - 1)
    left = min(int(at), len(scale) - 2)
    ends = _channels(scale[left]), _channels(scale[left + 1])
    mixed = [a + (b - a) * (at - left) for a, b in zip(*ends, strict=True)]
    depth = _luminance(mixed)
    # Relative luminance and contrast: Web Content Accessibility Guidelines 2.2 (W3C 2023).
    return "#FFFFFF" if 1.05 / (depth + 0.05) > (depth + 0.05) / 0.055 else "#0B1217"


def _channels(colour: str) -> list[float]:
    return [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]


def _luminance(channels: Sequence[float]) -> float:
    linear = [
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in channels
    ]
    return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def palette(*, dark: bool) -> Palette:
    """Return the colours of the dark or the light theme."""
    return DARK if dark else LIGHT


def _template(palette: Palette) -> go.layout.Template:
    """Return the layout that figures share; an axis has it unless a figure says otherwise."""
    title = {"font": {"size": 12, "color": palette.quiet}, "standoff": 4}
    axis = {"fixedrange": True, "zeroline": False, "ticks": "", "title": title}
    axis |= {"color": palette.quiet, "gridcolor": palette.grid}
    return go.layout.Template(
        layout={
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "font": {"family": FONT, "size": 12, "color": palette.ink},
            "showlegend": False,
            "dragmode": False,
            "hovermode": "closest",
            "hoverlabel": {"font": {"family": FONT, "size": 13}},
            "xaxis": axis,
            "yaxis": axis,
        }
    )


for _palette in (LIGHT, DARK):
    pio.templates[_palette.name] = _template(_palette)


# One mark a status: the symbol in figures, its twin in legends and cells, its words.


@dataclass(frozen=True, slots=True)
class Mark:
    """How a status is drawn: plotly's name of the marker, the same as a character, its words."""

    symbol: str
    glyph: str
    words: str


PLAIN = Mark("circle", "●", "estimate")
GAP = Mark("x-thin", "×", "nothing to estimate from")
PARTIAL = Mark("x", "×", "without an area that was open and never sampled")
EMPTY = Mark("circle-x-open", "⊗", "sampled, but nothing to divide by")
WITHHELD = Mark("square-x-open", "⊠", "withheld: too uncertain to publish")
UNSURE = Mark("circle-open-dot", "⊙", "interval not available")
CLOSED = Mark("", "–", "no open day")
MARKS: dict[str, Mark] = {
    Status.OK: PLAIN,
    Status.CENSUS: Mark("square", "■", "every site-day sampled"),
    Status.ZERO_TOTAL: Mark("circle-open", "○", "none seen, or nothing else: no interval"),
    Status.COLLAPSED: Mark("diamond-open", "◇", "variance pooled with a neighbour"),
    Status.IMPUTED: Mark("triangle-up-open", "△", "imputed from neighbours"),
    Status.MODELLED: Mark("star", "★", "from a model"),
    Status.NO_SAMPLE: GAP,
    Status.NO_DESIGN: Mark("x-thin", "×", "interviews of convenience: rates and shares, no totals"),
}

_WITHOUT_ESTIMATE = (Status.NO_SAMPLE, Status.NO_DESIGN)
#: The code of a figure withheld from the public.
_WITHHELD = "withheld"


def mark(row: Row | None) -> Mark:
    """Return the mark of a row; a missing row is closed, one without an estimate says why.

    A lacking error outranks the status, so that no figure looks surer than its neighbours.
    """
    if row is None:
        return CLOSED
    if row.estimate is None:
        if has_code(row.method, _WITHHELD):
            return WITHHELD
        return MARKS[row.status] if row.status in _WITHOUT_ESTIMATE else EMPTY
    if row.status == Status.NO_SAMPLE:
        return PARTIAL
    if lacks_error(row):
        return UNSURE
    return PLAIN if row.status == Status.NO_DESIGN else MARKS.get(row.status, PLAIN)


def legend(rows: Iterable[Row | None]) -> list[Mark]:
    """Return the marks that occur among rows, in a fixed order and each once."""
    seen = {mark(row) for row in rows}
    order = dict.fromkeys((*MARKS.values(), PARTIAL, UNSURE, EMPTY, WITHHELD, CLOSED))
    return [one for one in order if one in seen]


def signs(rows: Iterable[Row | None]) -> list[tuple[str, str]]:
    """Return the glyphs of the marks among rows with their words; no row is no sign."""
    return [(one.glyph, one.words) for one in legend(row for row in rows if row)]
