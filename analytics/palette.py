"""Our colours, for light and dark: one sea, one copper, one grey; safe for colour-blind readers.

Blue-green and copper stay apart in every common colour-vision deficiency (a test computes it), and
no meaning rests on colour alone. Pages and documents take them from here, and the end of an axis.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


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


#: How many times the highest number the axis reaches for the ends of intervals.
BEYOND = 2.5


def axis_top(values: Sequence[float], highs: Sequence[float], *, is_share: bool) -> float:
    """Return the end of an axis from zero; of shares it is never beyond 1.

    The highest interval end, but no more than 2.5 times the highest number, so that one very
    uncertain number does not flatten the rest.
    """
    top = max(values, default=0.0)
    end = 1.08 * (max(top, min(max(highs, default=0.0), BEYOND * top)) or 1.0)
    return min(end, 1.0) if is_share else end
