"""Ondrell Sound: an invented sound with invented names, and a small one for many simulations.

Nothing here is a real place, and the years lie in the 2030s. Rates, sizes and habits are chosen so
that the facts of the trade hold (common practice, no source): many more sublegal than legal fish in
most areas, trips of 3 to 8 hours with 1 to 4 anglers, a daily limit of 1 or 2.
"""

from __future__ import annotations

from analytics.simulation.scenario import Area, Opening, Pulse, Ramp, Season, Sound

# The open ocean, far from any coast: nobody can take the ramps for real ones.
_LONGITUDE, _LATITUDE = -140.0, 47.0

_AREAS = (
    Area(
        area="VEL",
        name="Velmark Reach",
        openings=(Opening(start=(11, 1), end=(4, 15)),),
        neighbours=("SOR",),
        encounters_per_angler_hour=0.22,
        legal_prop=0.30,
        method_mix=(0.25, 0.60, 0.15),
        listed_prop=0.92,
        peak_week=8,
    ),
    Area(
        area="SOR",
        name="Sorrin Narrows",
        openings=(
            Opening(start=(11, 1), end=(12, 31)),
            Opening(start=(2, 1), end=(4, 30), daily_limit_fish=1),
        ),
        neighbours=("VEL", "DRU"),
        encounters_per_angler_hour=0.30,
        legal_prop=0.16,
        method_mix=(0.55, 0.30, 0.15),
        listed_prop=0.88,
        peak_week=15,
    ),
    Area(
        area="DRU",
        name="Druskell Bank",
        openings=(Opening(start=(12, 1), end=(4, 30), weekdays="4567", day_groups="45|67"),),
        neighbours=("SOR", "OMB"),
        encounters_per_angler_hour=0.17,
        legal_prop=0.42,
        method_mix=(0.15, 0.60, 0.25),
        listed_prop=0.95,
        peak_week=12,
    ),
    Area(
        area="OMB",
        name="Ombrey Basin",
        openings=(Opening(start=(11, 1), end=(4, 30), mark_selective=True),),
        neighbours=("DRU", "KET"),
        encounters_per_angler_hour=0.25,
        legal_prop=0.22,
        method_mix=(0.35, 0.50, 0.15),
        listed_prop=0.85,
        peak_week=6,
    ),
    Area(
        area="KET",
        name="Ketterwyn Channel",
        openings=(Opening(start=(11, 16), end=(3, 31), day_groups="1234|567", daily_limit_fish=1),),
        neighbours=("OMB",),
        encounters_per_angler_hour=0.15,
        legal_prop=0.27,
        method_mix=(0.30, 0.45, 0.25),
        listed_prop=0.90,
        peak_week=10,
    ),
    Area(
        area="ILV",
        name="Ilvermoss Inlet",
        openings=(Opening(start=(1, 1), end=(4, 15), daily_limit_fish=1),),
        neighbours=("KET",),
        encounters_per_angler_hour=0.36,
        legal_prop=0.12,
        method_mix=(0.50, 0.20, 0.30),
        listed_prop=0.80,
        peak_week=16,
    ),
)

# area, name, boats on a calm weekend day, share of boats that fish a neighbouring area
_RAMPS = (
    ("VEL", "Tansel Slip", 22, 0.08),
    ("VEL", "Oxhollow Ramp", 15, 0.15),
    ("VEL", "Varnhead Landing", 11, 0.05),
    ("VEL", "Merrowgate Ramp", 7, 0.10),
    ("SOR", "Ferricombe Ramp", 19, 0.18),
    ("SOR", "Duskwell Slip", 12, 0.10),
    ("SOR", "Yarlock Landing", 8, 0.12),
    ("DRU", "Skarrow Ramp", 16, 0.12),
    ("DRU", "Plenholt Landing", 11, 0.20),
    ("DRU", "Crumwick Slip", 8, 0.08),
    ("OMB", "Larkenspar Ramp", 24, 0.06),
    ("OMB", "Sibberwell Slip", 16, 0.10),
    ("OMB", "Hathervane Landing", 11, 0.15),
    ("OMB", "Quillstane Ramp", 7, 0.05),
    ("KET", "Nettlespar Ramp", 14, 0.20),
    ("KET", "Gorsewain Slip", 9, 0.10),
    ("KET", "Threndle Landing", 7, 0.15),
    ("ILV", "Penwhistle Ramp", 12, 0.05),
    ("ILV", "Orlesbeck Landing", 8, 0.10),
    ("ILV", "Wexenmere Slip", 5, 0.12),
)

_SEASONS = (
    Season(season="2030-31", year=2030, log_abundance=0.00),
    Season(season="2031-32", year=2031, log_abundance=0.20),
    Season(season="2032-33", year=2032, log_abundance=-0.25),
    Season(season="2033-34", year=2033, log_abundance=-0.10),
    Season(season="2034-35", year=2034, log_abundance=0.10),
    Season(
        season="2035-36",
        year=2035,
        log_abundance=0.15,
        through="2036-W07",
        pulses=(
            Pulse(area="VEL", week=10.5, log_height=0.65),
            Pulse(area="OMB", week=5.0, log_height=0.3),
            Pulse(area="OMB", week=11.5, log_height=-0.8),
            Pulse(area="DRU", week=12.5, log_height=0.6),
            Pulse(area="KET", week=7.0, log_height=-0.7),
        ),
    ),
)


def demo_sound() -> Sound:
    """Return the demo's sound: six areas, twenty ramps, five seasons and one in progress."""
    return Sound(name="Ondrell Sound", areas=_AREAS, ramps=_ramps(), seasons=_SEASONS)


def _ramps() -> tuple[Ramp, ...]:
    ranks: dict[str, int] = {}
    ramps = []
    for rank, (area, name, boats, away) in enumerate(_RAMPS):
        ranks[area] = ranks.get(area, 0) + 1
        ramps.append(
            Ramp(
                site=f"{area}{ranks[area]}",
                name=name,
                area=area,
                weekend_boats=float(boats),
                away_prop=away,
                longitude=round(_LONGITUDE + 0.06 * (rank % 5), 3),
                latitude=round(_LATITUDE - 0.05 * (rank // 4) + 0.01 * (rank % 4), 3),
            )
        )
    return tuple(ramps)
