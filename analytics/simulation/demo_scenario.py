"""Ondrell Sound: an invented sound with invented names, read from ``demo_sound.toml``.

Nothing here is a real place, and the years lie in the 2030s. Rates, sizes and habits are chosen so
that the facts of the trade hold (common practice, no source): many more sublegal than legal fish in
most areas, trips of 3 to 8 hours with 1 to 4 anglers, a daily limit of 1 or 2.
"""

from __future__ import annotations

import tomllib
from importlib.resources import files

from pydantic import TypeAdapter

from analytics.simulation.scenario import Sound


def demo_sound() -> Sound:
    """Return the demo's sound: six areas, twenty ramps, five seasons and one in progress."""
    content = (files("analytics.simulation") / "demo_sound.toml").read_text(encoding="utf-8")
    return TypeAdapter(Sound).validate_python(tomllib.loads(content))
