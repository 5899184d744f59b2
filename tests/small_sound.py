"""A small invented sound, quick enough for many seasons."""

from __future__ import annotations

from dataclasses import replace

from analytics.simulation.scenario import Opening, Season, Sound, demo_sound


def small_sound() -> Sound:
    """Return a small sound with the same features of design, quick enough for many seasons.

    Three areas, nine ramps and nine weeks: one area that closes and opens again, one with
    closed weekdays, one that is mark-selective; boats that fish next door.
    """
    demo = demo_sound()
    openings = {
        "SOR": (Opening(start=(11, 1), end=(11, 23)), Opening(start=(12, 8), end=(12, 31))),
        "DRU": (Opening(start=(11, 6), end=(12, 31), weekdays="4567", day_groups="45|67"),),
        "OMB": (Opening(start=(11, 1), end=(12, 31), mark_selective=True),),
    }
    areas = tuple(
        replace(
            area,
            openings=openings[area.area],
            neighbours=tuple(name for name in area.neighbours if name in openings),
        )
        for area in demo.areas
        if area.area in openings
    )
    ramps = tuple(ramp for ramp in demo.ramps if ramp.area in openings and ramp.site != "OMB4")
    seasons = (Season(season="2030-31", year=2030),)
    return Sound(name="Small Ondrell", areas=areas, ramps=ramps, seasons=seasons)
