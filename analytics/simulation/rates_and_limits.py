"""Rates, limits and holding trials of the demo, each with its stated truth."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd

from analytics.simulation.calendar_frame import table_of
from analytics.simulation.scenario import METHODS

if TYPE_CHECKING:
    import numpy as np
    import pyarrow as pa

    from analytics.simulation.scenario import Habits, Season, Sound

_SOURCE = "common practice, no source; the standard error is chosen for this demo"
_BY_WOUND = "invented for this demo"

#: Areas, quantity, and where the season stands against the limit: in progress, and when over.
_LIMITS: tuple[tuple[str, str, float, float], ...] = (
    ("OMB", "kept_fish", 0.62, 0.90),
    ("OMB", "released_sublegal_fish", 0.70, 1.04),
    ("VEL", "encounter_fish", 0.78, 0.85),
    ("VEL;SOR", "total_deaths_fish", 0.55, 0.93),
    ("DRU;KET", "kept_fish", 0.85, 0.97),
    ("VEL;SOR;DRU;OMB;KET;ILV", "total_deaths_fish", 0.52, 0.88),
    ("VEL;SOR;DRU;OMB;KET;ILV", "kept_fish", 1.03, 0.99),
    ("OMB", "encounter_legal_unmarked_fish;encounter_sublegal_unmarked_fish", 0.74, 0.96),
)

#: Fish held and the chance of dying of the hook, by wound; and of the handling (control).
_TRIALS: dict[str, tuple[int, float]] = {
    "jaw": (60, 0.03),
    "tongue": (12, 0.15),
    "eye": (6, 0.05),
    "gills": (14, 0.75),
    "oesophagus_stomach": (18, 0.60),
    "control": (50, 0.0),
}
_HANDLING_DEATH_PROP, _TRIAL_HOURS = 0.03, 96.0


def rate_tables(habits: Habits) -> dict[str, pa.Table]:
    """Return `release_rates` and `drop_off`, each with an error chosen for the demo.

    Rates by wound and the drop-off are the true ones; those of any wound are what a biologist would
    take where the wound was not reported.
    """
    legal, sublegal = habits.legal_wound_death_prop, habits.sublegal_wound_death_prop
    releases = [
        {
            "size_class": size,
            "method": "any",
            "wound_class": wound,
            "rate_prop": rate,
            "rate_se": error,
            "source": source,
        }
        for size, wound, rate, error, source in (
            ("legal", "any", habits.legal_death_prop, 0.02, _SOURCE),
            ("legal", "shallow", legal[0], 0.02, _BY_WOUND),
            ("legal", "deep", legal[1], 0.06, _BY_WOUND),
            ("sublegal", "any", habits.sublegal_death_prop, 0.04, _SOURCE),
            ("sublegal", "shallow", sublegal[0], 0.03, _BY_WOUND),
            ("sublegal", "deep", sublegal[1], 0.08, _BY_WOUND),
        )
    ]
    drop_off = {
        "method": "any",
        "rate_prop": habits.drop_off_prop,
        "rate_se": 0.01,
        "base": "encounters",
        "source": _SOURCE,
    }
    return {
        "release_rates": table_of("release_rates", releases),
        "drop_off": table_of("drop_off", [drop_off]),
    }


def limit_rows(habits: Habits, season: Season, truth: pd.DataFrame) -> list[dict[str, object]]:
    """Return the limits of one season, set so that its totals as reported stand where we want.

    `truth` holds the season's `truth_rows` through its last sampled week; reported releases die as
    the true ones of the area did.
    """
    by_area = truth[truth["area"].notna() & truth["week"].isna()]
    true, totals = (
        by_area[by_area["basis"] == basis].pivot_table(
            index="area", columns="quantity", values="value"
        )
        for basis in ("true", "as_reported")
    )
    died_prop = true["release_deaths_fish"] / true["released_fish"]
    totals["total_deaths_fish"] = (
        totals["kept_fish"]
        + died_prop * totals["released_fish"]
        + habits.drop_off_prop * totals["encounter_fish"]
    )
    return [
        {
            "limit_id": f"{season.season}-L{number}",
            "season": season.season,
            "areas": areas,
            "quantity": quantity,
            "limit_fish": _two_digits(
                float(totals.loc[areas.split(";"), quantity.split(";")].sum().sum())
                / (so_far if season.through else at_end)
            ),
        }
        for number, (areas, quantity, so_far, at_end) in enumerate(_LIMITS, start=1)
    ]


def holding_trial_rows(season: Season, *, rng: np.random.Generator) -> list[dict[str, object]]:
    """Return one holding trial of a season: fish held four days, by wound and a control."""
    return [
        {
            "trial_id": f"H{season.year}",
            "group": group,
            "held": held,
            "died": int(rng.binomial(held, 1 - (1 - hooking) * (1 - _HANDLING_DEATH_PROP))),
            "hours": _TRIAL_HOURS,
        }
        for group, (held, hooking) in _TRIALS.items()
    ]


def parameter_rows(sound: Sound) -> pd.DataFrame:
    """Return the numbers of the simulator that a program could estimate: the known truth."""
    habits = sound.habits
    known = {
        "release_death_prop legal shallow": habits.legal_wound_death_prop[0],
        "release_death_prop legal deep": habits.legal_wound_death_prop[1],
        "release_death_prop sublegal shallow": habits.sublegal_wound_death_prop[0],
        "release_death_prop sublegal deep": habits.sublegal_wound_death_prop[1],
        **{
            f"deep_hooked_prop {method}": prop
            for method, prop in zip(METHODS, habits.method_deep_prop, strict=True)
        },
        "drop_off_death_prop per encounter": habits.drop_off_prop,
        "handling_death_prop": _HANDLING_DEATH_PROP,
        "marked_prop": habits.marked_prop,
        "over_report_prop": habits.over_report_prop,
        "heap_prop": habits.heap_prop,
    }
    known |= {
        f"hooking_death_prop {group}": rate
        for group, (_, rate) in _TRIALS.items()
        if group != "control"
    }
    known |= {f"listed_prop {area.area}": area.listed_prop for area in sound.areas}
    return pd.DataFrame({"parameter": list(known), "value": list(known.values())})


def _two_digits(value: float) -> float:
    """Round to two significant digits, as limits are set."""
    if value <= 0:
        return 0.0
    return round(value, 1 - math.floor(math.log10(value)))
