"""How far the figures of one basis are from adding up, for every domain of result rows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analytics.fish.mark_composition import CLASSES

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd

KEPT, RELEASED, MET, UNKNOWN = (
    "kept_fish",
    "released_fish",
    "encounter_fish",
    "released_unknown_fish",
)
LEGAL, SUBLEGAL = "released_legal_fish", "released_sublegal_fish"
DEATHS = ("release_deaths_fish", "drop_off_deaths_fish")
SUBLEGAL_CLASSES = [name for name in CLASSES if "sublegal" in name]
LEGAL_CLASSES = [name for name in CLASSES if "sublegal" not in name]


def law_errors(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the relative error of each law (columns) in each domain (rows); NaN where it has none.

    A release of unknown size that nobody recorded adds nothing to the sums.
    """
    wide = rows.assign(area=rows["area"].fillna("*"), week=rows["week"].fillna("*")).pivot_table(
        index=["area", "week"], columns="quantity", values="estimate", dropna=False, observed=True
    )
    wide = wide.reindex(columns=sorted({*rows["quantity"], *CLASSES}))
    unknown = wide[UNKNOWN].fillna(0.0)
    laws = {
        "kept + released = met": (wide[KEPT] + wide[RELEASED], wide[MET]),
        "sizes = released": (wide[LEGAL] + wide[SUBLEGAL] + unknown, wide[RELEASED]),
        "classes + unknown = met": (
            wide[list(CLASSES)].sum(axis=1, skipna=False) + unknown,
            wide[MET],
        ),
        "share x met = sublegal": (wide["sublegal_prop"] * wide[MET], wide[SUBLEGAL]),
        "per kept x kept = sublegal": (wide["sublegal_per_kept"] * wide[KEPT], wide[SUBLEGAL]),
        "deaths": (
            wide["release_deaths_fish"] + wide["drop_off_deaths_fish"] + wide[KEPT],
            wide["total_deaths_fish"],
        ),
        "sublegal classes = sublegal": (
            wide[SUBLEGAL_CLASSES].sum(axis=1, skipna=False),
            wide[SUBLEGAL],
        ),
        "legal classes = kept + legal": (
            wide[LEGAL_CLASSES].sum(axis=1, skipna=False),
            wide[KEPT] + wide[LEGAL],
        ),
    }
    scale = np.maximum(wide[MET].abs(), 1e-300)
    errors = {name: (one - other).abs() / scale for name, (one, other) in laws.items()}
    # A sum with a figure where one of its parts has none could not be checked.
    errors["parts of released"] = _without_parts(wide, RELEASED, (LEGAL, SUBLEGAL))
    errors["parts of deaths"] = _without_parts(wide, "total_deaths_fish", DEATHS)
    return rows.iloc[:0].reindex(columns=[]).reindex(wide.index).assign(**errors)


def _without_parts(wide: pd.DataFrame, whole: str, parts: Iterable[str]) -> pd.Series:
    """Return 1 where a sum has a figure and one of its parts has none, else 0."""
    return (wide[whole].notna() & wide[[*parts]].isna().any(axis=1)).astype(float)
