"""What one interview says: the measures of effort and catch, as SQL over its columns."""

from __future__ import annotations

from analytics.survey.reduce import Analysis, Measure

#: Releases of unknown size as they add to sums. Samplers fill the class only when they need it, so
#: an empty cell adds nothing; the class's own total still counts only boats that gave it.
UNKNOWN_SIZE = "coalesce(released_unknown, 0)"


#: Quantities that are totals of one measure; ratios name two of them.
TOTALS: tuple[str, ...] = (
    "boat_trips",
    "angler_trips",
    "angler_hours",
    "kept_fish",
    "released_legal_fish",
    "released_sublegal_fish",
    "released_unknown_fish",
    "released_fish",
    "encounter_fish",
)
RATIOS: dict[str, tuple[str, str]] = {
    "kept_per_angler_trip": ("kept_fish", "angler_trips"),
    "encounters_per_angler_hour": ("encounter_fish", "angler_hours"),
    "encounters_per_angler_trip": ("encounter_fish", "angler_trips"),
    "sublegal_prop": ("released_sublegal_fish", "encounter_fish"),
    "sublegal_per_kept": ("released_sublegal_fish", "kept_fish"),
}
#: Ratios that stand beside modelled rates and are no quantity of their own.
BESIDE_MODELS: dict[str, tuple[str, str]] = {"kept_per_angler_hour": ("kept_fish", "angler_hours")}


def catch_measures() -> dict[str, Measure]:
    """Return the measures of effort and catch by name.

    Returns
    -------
    dict of str to Measure
    """
    said = "released_legal + released_sublegal"
    released, full = f"{said} + {UNKNOWN_SIZE}", f"{said} + released_unknown"
    sql = {
        "boat_trips": "1",
        "angler_trips": "anglers",
        "angler_hours": "anglers * hours_fished",
        "kept_fish": "kept",
        "released_legal_fish": "released_legal",
        "released_sublegal_fish": "released_sublegal",
        "released_unknown_fish": "released_unknown",
    }
    optional = ("released_unknown",)
    return {name: Measure(name, expression) for name, expression in sql.items()} | {
        "released_fish": Measure("released_fish", released, optional, full),
        "encounter_fish": Measure(
            "encounter_fish", f"kept + {released}", optional, f"kept + {full}"
        ),
    }


def catch_analyses() -> dict[str, Analysis]:
    """Return the analysis behind every quantity of effort and catch."""
    totals = {name: Analysis((name,)) for name in TOTALS}
    return totals | {name: Analysis(pair) for name, pair in (RATIOS | BESIDE_MODELS).items()}


#: The effort that boats on the water are counted for.
EFFORT = {"boat_hours": Measure("boat_hours", "hours_fished")}
