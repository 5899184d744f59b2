"""Measured fish: kept fish on the dock, and fish met by a test-fishing boat."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa

from analytics.simulation.sampling import in_schema
from analytics.simulation.scenario import METHODS

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from analytics.arrays import Floats, Ints
    from analytics.simulation.fishery import Population
    from analytics.simulation.sampling import Sample
    from analytics.simulation.scenario import Sound


_MEASURED_PROP, _WEIGHED_PROP, _SHORT_PROP = 0.7, 0.6, 0.003
_TEST_FISH_A_WEEK = 9.0
SHALLOW = ("jaw", "tongue", "eye")
DEEP = ("gills", "oesophagus_stomach")
_SHALLOW_PROPS, _DEEP_PROPS = (0.93, 0.055, 0.015), (0.4, 0.6)


def fish_table(
    sound: Sound,
    population: Population,
    sample: Sample,
    *,
    rng: np.random.Generator,
    through: str | None = None,
) -> pa.Table:
    """Return the `fish` table of one sampled season.

    Most kept fish of the interviewed boats are measured. A test boat meets about nine fish an area
    and week, in the true composition of what the anglers met there (size class by mark).
    """
    parts = [
        _dockside(sound, population, sample, rng),
        _test_fishing(sound, population, rng, through or population.frame.weeks[-1]),
    ]
    return pa.concat_tables(parts)


def _dockside(
    sound: Sound, population: Population, sample: Sample, rng: np.random.Generator
) -> pa.Table:
    kept = population.true.kept[sample.trips]
    row = np.repeat(np.arange(len(kept)), kept)
    number = np.arange(len(row)) - np.searchsorted(row, row, side="left")
    is_marked = number < population.true.kept_marked[sample.trips][row]
    measured = rng.random(len(row)) < _MEASURED_PROP
    row, number, is_marked = row[measured], number[measured], is_marked[measured]
    trip = sample.trips[row]
    frame = population.frame
    ids = np.char.add(np.char.add(sample.interview_id[row], "-F"), (number + 1).astype(str))
    lengths = legal_lengths(sound, len(row), rng)
    short = rng.random(len(row)) < _SHORT_PROP
    lengths = np.where(short, sound.min_length_mm - 1 - rng.exponential(9, len(row)), lengths)
    columns = {
        "fish_id": ids,
        "source": np.full(len(row), "dockside"),
        "interview_id": sample.interview_id[row],
        "date": frame.dates[frame.day[population.trips.unit[trip]]],
        "area": np.array(sound.area_ids)[population.trips.area[trip]],
        "method": np.array(METHODS)[population.trips.method[trip]],
        "kept": np.ones(len(row), dtype=bool),
        "marked": is_marked,
    }
    return in_schema("fish", columns | _sizes(lengths, rng))


def _test_fishing(
    sound: Sound, population: Population, rng: np.random.Generator, through: str
) -> pa.Table:
    cells = _composition(sound, population, through)
    met = rng.poisson(_TEST_FISH_A_WEEK, len(cells["props"]))
    cell = np.repeat(np.arange(len(met)), met)
    edges = np.cumsum(cells["props"], axis=1)[:, :-1]
    size_mark = (rng.random(len(cell))[:, None] > edges[cell]).sum(axis=1)
    is_legal, is_marked = size_mark < 2, size_mark % 2 == 0
    method = rng.choice(len(METHODS), len(cell), p=(0.3, 0.5, 0.2))
    number = np.arange(len(cell)) - np.searchsorted(cell, cell, side="left") + 1
    stem = np.char.add(np.char.add("T-", cells["area"]), np.char.add("-", cells["week"]))
    ids = np.char.add(np.char.add(stem[cell], "-"), np.char.zfill(number.astype(str), 2))
    lengths = np.where(
        is_legal, legal_lengths(sound, len(cell), rng), sublegal_lengths(sound, len(cell), rng)
    )
    columns = {
        "fish_id": ids,
        "source": np.full(len(cell), "test_fishing"),
        "date": cells["date"][cell],
        "area": cells["area"][cell],
        "method": np.array(METHODS)[method],
        "kept": np.zeros(len(cell), dtype=bool),
        "marked": is_marked,
        "wound_site": _wounds(sound, method, rng),
    }
    return in_schema("fish", columns | _sizes(lengths, rng))


def _composition(sound: Sound, population: Population, through: str) -> dict[str, NDArray[Any]]:
    """Return area, week, a day and the true shares (LM, LU, SM, SU) of every open area-week met."""
    frame, true = population.frame, population.true
    day = frame.day[population.trips.unit]
    n_weeks = int(frame.week_index[-1]) + 1
    code = population.trips.area * n_weeks + frame.week_index[day]
    marked = true.kept_marked + true.legal_marked
    legal = true.kept + true.legal
    classes = (marked, legal - marked, true.sublegal_marked, true.sublegal - true.sublegal_marked)
    counts = np.stack(
        [np.bincount(code, part, minlength=len(sound.areas) * n_weeks) for part in classes], axis=1
    )
    first_day = np.searchsorted(frame.week_index, np.arange(n_weeks))
    area, week = np.divmod(np.arange(len(counts)), n_weeks)
    labels = frame.week[first_day[week]]
    met = (counts.sum(axis=1) > 0) & (labels <= through)
    first_open = [
        np.flatnonzero(frame.is_open[a] & (frame.week_index == w))[0]
        for a, w in zip(area[met], week[met], strict=True)
    ]
    return {
        "area": np.array(sound.area_ids)[area[met]],
        "week": labels[met],
        "date": frame.dates[first_open],
        "props": counts[met] / counts[met].sum(axis=1, keepdims=True),
    }


def legal_lengths(sound: Sound, n: int, rng: np.random.Generator) -> Floats:
    """Draw total lengths, mm, so that most kept fish weigh 5 to 15 lb (common practice)."""
    return sound.min_length_mm + rng.gamma(3.2, 45.0, n)


def sublegal_lengths(sound: Sound, n: int, rng: np.random.Generator) -> Floats:
    """Draw total lengths, mm, under the legal length."""
    return np.maximum(sound.min_length_mm - 2 - rng.gamma(2.2, 55.0, n), 200.0)


def _sizes(total_mm: Floats, rng: np.random.Generator) -> dict[str, Any]:
    """Return lengths (mm) and weights (g); fork to total 0.928 to 0.95, condition K 1.1 to 1.3."""
    total = np.floor(total_mm)
    fork = np.round(total * rng.uniform(0.928, 0.95, len(total)))
    condition = np.clip(rng.normal(1.2, 0.045, len(total)), 1.1, 1.3)
    weight = np.round(condition * (fork / 10) ** 3 / 100)
    unweighed = rng.random(len(total)) >= _WEIGHED_PROP
    return {
        "total_length_mm": total,
        "fork_length_mm": fork,
        "weight_g": pa.array(weight, mask=unweighed),
    }


def _wounds(sound: Sound, method: Ints, rng: np.random.Generator) -> NDArray[np.str_]:
    is_deep = rng.random(len(method)) < np.array(sound.habits.method_deep_prop)[method]
    shallow = rng.choice(np.array(SHALLOW), len(method), p=_SHALLOW_PROPS)
    return np.where(is_deep, rng.choice(np.array(DEEP), len(method), p=_DEEP_PROPS), shallow)


# The fish of the demo's holding trials one by one, as ``blackmouth holding`` reads them.

_LEGAL_PROP, _TAKEN_OUT_PROP, _TAKEN_OUT_HOURS = 0.25, 0.04, 48.0
#: Fall of the log-odds of being among the dead, per mm of total length; usual hours to death.
_LOG_ODDS_PER_MM, _USUAL_HOURS = 0.006, 14.0


def held_fish_csv(
    sound: Sound, trials: Iterable[dict[str, Any]], *, rng: np.random.Generator
) -> str:
    """Return every held fish of some rows of ``holding_trials`` as CSV text.

    Columns ``held_id, trial_id, group, total_length_mm, hours, died``. In each group as many fish
    die as its row says; small fish first, most of them within a day. A few survivors are taken out
    after two days.
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
