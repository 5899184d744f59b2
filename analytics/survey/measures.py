"""What one interview says: the measures of effort and catch, as SQL over its columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.survey.reduce import Analysis, Measure

if TYPE_CHECKING:
    import pyarrow as pa


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


def unknown_size_sql(interviews: pa.Table) -> str:
    """Return SQL of releases of unknown size: 0 where the survey never records that class.

    A column empty in every interview is a class that is not in use; an empty cell elsewhere is a
    number that was not recorded.
    """
    column = interviews["released_unknown"]
    return "0" if column.null_count == len(column) else "released_unknown"


def catch_measures(interviews: pa.Table) -> dict[str, Measure]:
    """Return the measures of effort and catch by name.

    Parameters
    ----------
    interviews : pyarrow.Table
        In its schema.

    Returns
    -------
    dict of str to Measure
    """
    released = f"(released_legal + released_sublegal + {unknown_size_sql(interviews)})"
    sql = {
        "boat_trips": "1",
        "angler_trips": "anglers",
        "angler_hours": "anglers * hours_fished",
        "kept_fish": "kept",
        "released_legal_fish": "released_legal",
        "released_sublegal_fish": "released_sublegal",
        "released_unknown_fish": "released_unknown",
        "released_fish": released,
        "encounter_fish": f"kept + {released}",
    }
    return {name: Measure(name, expression) for name, expression in sql.items()}


def catch_analyses() -> dict[str, Analysis]:
    """Return the analysis behind every quantity of effort and catch."""
    totals = {name: Analysis((name,)) for name in TOTALS}
    return totals | {name: Analysis(pair) for name, pair in RATIOS.items()}
