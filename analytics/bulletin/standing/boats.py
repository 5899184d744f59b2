"""What boats would keep and how many anglers they carry, from the season's interviews."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from analytics.data import sql
from analytics.errors import WrongUse
from analytics.models.wanted import fit_wanted

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analytics.bulletin.prepare import Season
    from analytics.data.snapshot import Snapshot

    Floats = NDArray[np.float64]

#: Boats with more anglers than this count as boats of so many.
MOST_ANGLERS = 12
_BOATS = """
SELECT i.area, i.anglers, i.kept, max(q.daily_limit_fish) AS most
FROM interviews i JOIN site_days d USING (sample_id) JOIN days USING (sample_id)
LEFT JOIN seasons q ON q.season = $season AND q.area = i.area
    AND d.date BETWEEN q.open_date AND q.close_date
WHERE coalesce(i.trip_complete, true) AND i.anglers >= 1 AND i.kept IS NOT NULL
GROUP BY i.interview_id, i.area, i.anglers, i.kept ORDER BY i.interview_id
"""


@dataclass(frozen=True, slots=True, eq=False)
class Boats:
    """Boats of a season, D draws over A areas.

    Parameters
    ----------
    wanted_mean : ndarray of float, shape (D, A)
        Fish an angler would keep in a trip had he no daily limit; NaN where it cannot be told.
    wanted_size : ndarray of float, shape (D,)
    party : ndarray of float, shape (A, P)
        Share of boats with 1, 2, ... P anglers.
    assumed : tuple of (str, str)
        Topic and words.
    """

    wanted_mean: Floats
    wanted_size: Floats
    party: Floats
    assumed: tuple[tuple[str, str], ...]


def boats_of(
    snapshot: Snapshot,
    season: Season,
    *,
    areas: tuple[str, ...],
    rng: np.random.Generator,
    n_draws: int,
) -> Boats:
    """Fit what boats would keep, and count anglers aboard.

    An area without a boat so far takes the mean and the parties of all areas.

    Parameters
    ----------
    snapshot : Snapshot
    season : Season
        Prepared from it.
    areas : tuple of str
    rng : numpy.random.Generator
    n_draws : int

    Returns
    -------
    Boats
    """
    days = pa.table({"sample_id": pa.array(season.design.site_days.sample_id, pa.string())})
    tables = {name: snapshot[name] for name in ("site_days", "seasons")}
    found = sql.run(
        _BOATS,
        tables | {"days": days, "interviews": snapshot.source("interviews")},
        {"season": season.design.season},
    )
    area = np.asarray(found["area"].to_pylist(), dtype=str)
    anglers = np.asarray(found["anglers"].to_numpy(), dtype=np.int64)
    kept, most = (np.asarray(found[name].to_numpy(), dtype=np.float64) for name in ("kept", "most"))
    party = _party(area, anglers, areas)
    mean, size = np.full((n_draws, len(areas)), np.nan), np.full(n_draws, np.inf)
    try:
        wanted = fit_wanted(kept, anglers, most, area.tolist())
    except WrongUse as problem:
        why = f"What boats would keep had they no daily limit cannot be told: {problem}."
        return Boats(mean, size, party, (("Daily limit", why),))
    drawn, size = wanted.draws(rng, n_draws)
    known = np.flatnonzero(~np.isnan(wanted.mean)).tolist()
    n_boats = wanted.n_boats[known]
    weight = n_boats / max(int(n_boats.sum()), 1)
    mean[:] = (drawn[:, known] @ weight)[:, None] if known else np.nan
    for place in known:
        if wanted.areas[place] in areas:
            mean[:, areas.index(wanted.areas[place])] = drawn[:, place]
    words = [
        f"{name}: {wanted.reasons[name]}; what its boats would keep is that of all areas."
        for place, name in enumerate(wanted.areas)
        if place not in known
    ]
    without = [one for one in areas if one not in wanted.areas]
    if without:
        words.append(
            f"{', '.join(without)}: no boat so far; anglers aboard and what they would keep are "
            "those of all areas."
        )
    return Boats(mean, size, party, tuple(("Daily limit", one) for one in words))


def _party(area: NDArray[np.str_], anglers: NDArray[np.int64], areas: tuple[str, ...]) -> Floats:
    """Return the share of boats by anglers aboard, shape (A, P)."""
    aboard = np.minimum(anglers, MOST_ANGLERS)
    width = int(aboard.max(initial=1))
    whole = np.bincount(aboard, minlength=width + 1)[1:].astype(np.float64)
    if not whole.sum():
        whole[0] = 1.0
    rows = []
    for one in areas:
        mine = np.bincount(aboard[area == one], minlength=width + 1)[1:].astype(np.float64)
        counted = mine if mine.sum() else whole
        rows.append(counted / counted.sum())
    return np.stack(rows)
