"""Our colours, for light and dark: one sea, one copper, one grey; safe for colour-blind readers.

Blue-green and copper stay apart in every common colour-vision deficiency (a test computes it), and
no meaning rests on colour alone.
"""

from __future__ import annotations

from dataclasses import dataclass

#: Plotly takes the font of the page; nothing is fetched.
FONT = '"Source Sans", sans-serif'


@dataclass(frozen=True, slots=True)
class Palette:
    """Colours of one theme.

    Parameters
    ----------
    ink, quiet, grid : str
        Text, secondary text, grid lines.
    sea, copper : str
        Estimates; the chosen week and the share.
    band : str
        Behind the chosen week.
    sea_scale, copper_scale : tuple of str
        From none to most, for heat maps.
    """

    ink: str
    quiet: str
    grid: str
    sea: str
    copper: str
    band: str
    sea_scale: tuple[str, ...]
    copper_scale: tuple[str, ...]


LIGHT = Palette(
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
    ink="#E4E8E6",
    quiet="#A3AFB5",
    grid="#2A3841",
    sea="#6FBFD3",
    copper="#F0A35E",
    band="rgba(240,163,94,0.16)",
    sea_scale=("#1B2B33", "#26505F", "#357F94", "#6FBFD3", "#D3F1F6"),
    copper_scale=("#2C221A", "#5E3C1F", "#9A6230", "#F0A35E", "#FFE3C4"),
)


def palette(*, dark: bool) -> Palette:
    """Return the colours of the dark or the light theme."""
    return DARK if dark else LIGHT
