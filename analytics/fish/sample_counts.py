"""Count the fish of test fishing by area, week and class, and say how far areas lie apart."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow.compute as pc

from analytics.data.calendar import week_start
from analytics.fish.measured import measured_fish
from analytics.fish.pools import SIZE_MARK, CompositionSample

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
        Fish whose side of the legal line or whose mark is not known are left out and counted.
    """
    distance = area_distances(snapshot, design.areas)
    if "test_fishing" not in snapshot["fish"]["source"].to_pylist():
        return _nothing(distance, NO_TEST_FISHING)
    fish = measured_fish(snapshot, season=design.season, through=design.through)
    fish = fish.filter(pc.equal(fish["source"], "test_fishing")).to_pandas()
    fish = fish[fish["area"].isin(design.areas)]
    known = fish[fish["is_legal"].notna() & fish["marked"].notna()]
    n_left_out = len(fish) - len(known)
    if not len(known):
        return _nothing(distance, _why_none(fish), n_left_out)
    codes = {name: code for code, name in enumerate(design.areas)}
    area = known["area"].map(codes).to_numpy(np.int64)
    week = known["week"].map(lambda one: week_start(one).toordinal() // 7).to_numpy(np.int64)
    is_legal, marked = (known[name].to_numpy(bool) for name in ("is_legal", "marked"))
    cells, place = np.unique(np.stack([area, week]), axis=1, return_inverse=True)
    n = np.zeros((cells.shape[1], len(SIZE_MARK)))
    np.add.at(n, (place.ravel(), 2 * ~is_legal + ~marked), 1.0)
    return CompositionSample(cells[0], cells[1], n, distance, n_left_out)


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


def _why_none(fish: pd.DataFrame) -> str:
    if not len(fish):
        return "no fish of test fishing on an open day of the season"
    if fish["min_length_mm"].isna().all():
        return f"no minimum length in the season, so none of {len(fish)} measured fish has a side"
    if fish["marked"].isna().all():
        return f"no mark was read on any of {len(fish)} fish of test fishing"
    return f"none of {len(fish)} fish of test fishing has both a known length and a known mark"


def _nothing(distance: Floats, why: str, n_left_out: int = 0) -> CompositionSample:
    none = np.zeros(0, dtype=np.int64)
    return CompositionSample(none, none, np.zeros((0, 4)), distance, n_left_out, why)
