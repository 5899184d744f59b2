"""Count the fish of test fishing by area, week and class, and say how far areas lie apart."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np
import pyarrow.compute as pc

from analytics.fish.measured import measured_fish, unplaced_test_fish
from analytics.fish.pools import CompositionSample
from analytics.weeks import week_number

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from analytics.data.snapshot import Snapshot
    from analytics.survey.design import Design

    Floats = NDArray[np.float64]

_EARTH_KM = 6371.0
#: Why there is no sample where nobody test fished; no row needs to say it.
NO_TEST_FISHING = "no fish of test fishing in the data"


def composition_sample(snapshot: Snapshot, design: Design) -> CompositionSample:
    """Return the test fishing of a season through its last week.

    Parameters
    ----------
    snapshot : Snapshot
    design : Design
        Its areas are the codes.

    Returns
    -------
    CompositionSample
        Fish without length, mark, area or day, and of days outside the openings, are left out and
        counted.
    """
    distance = area_distances(snapshot, design.areas)
    if "test_fishing" not in snapshot["fish"]["source"].to_pylist():
        return _nothing(distance, NO_TEST_FISHING)
    asked = {"season": design.season, "through": design.through}
    unplaced = _unplaced_words(unplaced_test_fish(snapshot, **asked))
    fish = measured_fish(snapshot, **asked)
    fish = fish.filter(pc.equal(fish["source"], "test_fishing")).to_pandas()
    fish = fish[fish["area"].isin(design.areas)]
    known = fish[fish["total_mm"].notna() & fish["marked"].notna()]
    n_unknown = len(fish) - len(known)
    unknown = [f"{n_unknown} fish of unknown length or mark"] if n_unknown else []
    left_out = (*unknown, *unplaced)
    lengths, line = minimum_lengths(snapshot, design)
    if not len(known) or not len(lengths):
        return _nothing(distance, _why_none(fish, unplaced, lengths, design.through), left_out)
    codes = {name: code for code, name in enumerate(design.areas)}
    area = known["area"].map(codes).to_numpy(np.int64)
    week = known["week"].map(week_number).to_numpy(np.int64)
    step = np.searchsorted(lengths, known["total_mm"].to_numpy(np.float64), side="right")
    cells, place = np.unique(np.stack([area, week]), axis=1, return_inverse=True)
    n = np.zeros((cells.shape[1], 2 * (len(lengths) + 1)))
    kind = 2 * (len(lengths) - step) + ~known["marked"].to_numpy(bool)
    np.add.at(n, (place.ravel(), kind), 1.0)
    return CompositionSample(cells[0], cells[1], n, distance, line, left_out)


def minimum_lengths(
    snapshot: Snapshot, design: Design
) -> tuple[Floats, dict[tuple[int, int], int]]:
    """Return the minimum lengths of a season, mm, and which of them holds in each area and week.

    Where openings of one week differ, the one of most days holds for the week, of as many the
    longest.

    Parameters
    ----------
    snapshot : Snapshot
    design : Design

    Returns
    -------
    lengths : ndarray of float, shape (L,)
        Sorted.
    line : dict of (int, int) to int
        Place among them by code of the area and week as whole weeks since an origin.
    """
    codes = {name: code for code, name in enumerate(design.areas)}
    days: dict[tuple[int, int], Counter[float]] = {}
    for opening in snapshot["seasons"].to_pylist():
        minimum = opening["min_length_mm"]
        if opening["season"] != design.season or minimum is None or opening["area"] not in codes:
            continue
        first, last = opening["open_date"].toordinal(), opening["close_date"].toordinal()
        for week in range((first - 1) // 7, (last - 1) // 7 + 1):
            many = min(last, 7 * week + 7) - max(first, 7 * week + 1) + 1
            days.setdefault((codes[opening["area"]], week), Counter())[float(minimum)] += many
    held = {key: max(counts, key=lambda one: (counts[one], one)) for key, counts in days.items()}
    lengths = np.unique(np.array(list(held.values()), dtype=np.float64))
    places = {float(length): place for place, length in enumerate(lengths)}
    return lengths, {key: places[length] for key, length in held.items()}


def area_distances(snapshot: Snapshot, areas: tuple[str, ...]) -> Floats:
    """Return distances, km, between the mean positions of the sites of areas, shape (A, A).

    NaN where no site of an area has a position. Great-circle distance by the haversine formula.
    """
    sites = snapshot["sites"].to_pandas().dropna(subset=["longitude", "latitude"])
    means = sites.groupby("area")[["longitude", "latitude"]].mean().reindex(list(areas))
    longitude, latitude = np.radians(means.to_numpy(np.float64)).T
    half_lat = np.sin((latitude[:, None] - latitude) / 2) ** 2
    half_lon = np.sin((longitude[:, None] - longitude) / 2) ** 2
    part = half_lat + np.cos(latitude[:, None]) * np.cos(latitude) * half_lon
    distance: Floats = 2 * _EARTH_KM * np.arcsin(np.sqrt(np.clip(part, 0.0, 1.0)))
    return distance


def _unplaced_words(groups: dict[str, int]) -> tuple[str, ...]:
    return tuple(f"{n} fish {words}" for words, n in groups.items() if n)


def _why_none(fish: pd.DataFrame, unplaced: tuple[str, ...], lengths: Floats, through: str) -> str:
    if not len(fish):
        why = f" ({', '.join(unplaced)})" if unplaced else ""
        return f"no fish of test fishing on an open day of the season through {through}{why}"
    if not len(lengths):
        return f"no minimum length in the season, so none of {len(fish)} measured fish has a side"
    if fish["marked"].isna().all():
        return f"no mark was read on any of {len(fish)} fish of test fishing"
    return f"none of {len(fish)} fish of test fishing has both a known length and a known mark"


def _nothing(distance: Floats, why: str, left_out: tuple[str, ...] = ()) -> CompositionSample:
    none = np.zeros(0, dtype=np.int64)
    return CompositionSample(none, none, np.zeros((0, 4)), distance, {}, left_out, why)
