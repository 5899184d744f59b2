"""The colours stand out, run one way, and stay apart in every colour vision."""

from __future__ import annotations

import itertools
import tomllib
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest

from analytics import palette
from dashboard import style


@pytest.mark.parametrize("colours", [palette.LIGHT, palette.DARK])
def test_figures_stand_out_from_their_cells(colours):
    for scale in (colours.sea_scale, colours.copper_scale):
        for at, cell in enumerate(scale):
            assert _contrast(palette.on_scale(scale, at / (len(scale) - 1)), cell) >= 4.3


def _luminance(colour: str) -> float:
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize(
    ("colours", "background"), [(palette.LIGHT, "#FBFAF6"), (palette.DARK, "#10181D")]
)
def test_text_and_marks_stand_out(colours, background):
    # Web Content Accessibility Guidelines 2.2 (W3C 2023): 4.5 for text, 3 for marks.
    for name in ("ink", "quiet", "copper", "sea"):
        assert _contrast(getattr(colours, name), background) >= 4.5, name


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_theme_is_readable(theme):
    path = Path(find_spec("dashboard").origin).parent / ".streamlit" / "config.toml"
    colours = tomllib.loads(path.read_text())["theme"][theme]
    # Streamlit writes white on the chips of chosen areas.
    assert _contrast("#FFFFFF", colours["primaryColor"]) >= 4.5
    for name in ("textColor", "linkColor"):
        assert _contrast(colours[name], colours["backgroundColor"]) >= 4.5
    assert colours["backgroundColor"] == {"light": "#FBFAF6", "dark": "#10181D"}[theme]


def test_captions_and_chosen_chips_take_colours_that_are_tested():
    for colours in (palette.LIGHT, palette.DARK):
        sheet = style.sheet(colours)
        captions = sheet[sheet.index("[data-testid=stCaptionContainer]") :]
        assert captions[: captions.index("}")].endswith("color: var(--bm-quiet); opacity: 1;")
        chip = sheet[sheet.index("[data-selected=true]") :]
        assert "color: var(--bm-ink);" in chip[: chip.index("}")]
        assert f"--bm-quiet: {colours.quiet};" in sheet
        assert f"--bm-ink: {colours.ink};" in sheet


@pytest.mark.parametrize("colours", [palette.LIGHT, palette.DARK])
def test_heat_scales_run_one_way_in_lightness(colours):
    for scale in (colours.sea_scale, colours.copper_scale):
        steps = [b - a for a, b in itertools.pairwise(map(_luminance, scale))]
        assert all(step > 0 for step in steps) or all(step < 0 for step in steps)


# Full deficiency, on linear RGB: Machado, Oliveira and Fernandes (2009), A physiologically-based
# model for simulation of color vision deficiency, IEEE TVCG 15 (from memory).
DEFICIENCIES = {
    "protan": (
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deutan": (
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritan": (
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}


def _lab(colour: str, matrix: tuple[tuple[float, ...], ...]) -> np.ndarray:
    """Return CIELAB (D65) of a colour as seen with a deficiency."""
    parts = np.array([int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)])
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    seen = np.clip(np.array(matrix) @ linear, 0, 1)
    to_xyz = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    x, y, z = np.cbrt(np.array(to_xyz) @ seen / np.array([0.9505, 1.0, 1.089]))
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


@pytest.mark.parametrize("colours", [palette.LIGHT, palette.DARK])
@pytest.mark.parametrize("matrix", DEFICIENCIES.values(), ids=DEFICIENCIES)
def test_the_chosen_week_is_told_apart_in_every_colour_vision(colours, matrix):
    assert _apart(colours.sea, colours.copper, matrix) > 40


def test_the_measure_sees_red_and_green_fall_together():
    assert _apart("#C04030", "#4E7A20", DEFICIENCIES["deutan"]) < 10


def _apart(one: str, other: str, matrix: tuple[tuple[float, ...], ...]) -> float:
    return float(np.hypot.reduce(_lab(one, matrix) - _lab(other, matrix)))
