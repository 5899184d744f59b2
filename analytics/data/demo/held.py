"""The fish of the demo's holding trials one by one, as ``blackmouth held`` reads them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analytics.data.demo.measured import legal_lengths, sublegal_lengths

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analytics.data.demo.places import Sound

_LEGAL_PROP, _TAKEN_OUT_PROP, _TAKEN_OUT_HOURS = 0.25, 0.04, 48.0
#: Fall of the log-odds of being among the dead, per mm of total length; usual hours to death.
_LOG_ODDS_PER_MM, _USUAL_HOURS = 0.006, 14.0


def held_fish_csv(
    sound: Sound, trials: Iterable[dict[str, Any]], *, rng: np.random.Generator
) -> str:
    """Return every held fish of some trials as CSV text.

    In each group of a trial as many fish die as its row of ``holding_trials`` says; small fish
    first, most of them within a day. A few survivors are taken out after two days.

    Parameters
    ----------
    sound : Sound
        For the legal length.
    trials : iterable of dict
        Rows of ``holding_trials``.
    rng : numpy.random.Generator
        The only source of chance.

    Returns
    -------
    str
        Columns ``held_id, trial_id, group, total_length_mm, hours, died``.
    """
    parts = [_group(sound, row, rng) for row in trials]
    return pd.concat(parts, ignore_index=True).to_csv(index=False, lineterminator="\n")


def _group(sound: Sound, row: dict[str, Any], rng: np.random.Generator) -> pd.DataFrame:
    n, end = row["held"], row["hours"]
    is_legal = rng.random(n) < _LEGAL_PROP
    length = np.where(is_legal, legal_lengths(sound, n, rng), sublegal_lengths(sound, n, rng))
    # The largest keys of u^(1/w) are a draw without replacement by weights w.
    key = np.log(rng.random(n)) * np.exp(_LOG_ODDS_PER_MM * (length - sound.min_length_mm))
    died = np.zeros(n, dtype=bool)
    died[np.argsort(-key)[: row["died"]]] = True
    hours_to_death = np.clip(np.ceil(rng.exponential(_USUAL_HOURS, n)), 1, end)
    is_out = rng.random(n) < _TAKEN_OUT_PROP
    return pd.DataFrame(
        {
            "held_id": [f"{row['trial_id']}-{row['group']}-{one:02d}" for one in range(1, n + 1)],
            "trial_id": row["trial_id"],
            "group": row["group"],
            "total_length_mm": np.floor(length).astype(int),
            "hours": np.where(died, hours_to_death, np.where(is_out, _TAKEN_OUT_HOURS, end)),
            "died": np.where(died, "true", "false"),
        }
    )
