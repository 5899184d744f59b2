"""Seasons of two areas, every boat of which is known under today's rules and under others.

Boats go out, meet fish and would keep some, whatever the rules; the rules decide which days are
open and where the catch is cut. So the truth of a season under other rules is a sum over the same
boats.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa

from analytics.data.snapshot import Snapshot
from analytics.weeks import days_from

if TYPE_CHECKING:
    from numpy.typing import NDArray

SEASON, AREAS = "2040-41", ("EAST", "WEST")
MONDAY = date(2040, 11, 5)
N_WEEKS, N_TOLD = 16, 8
THROUGH = "2040-W52"
#: From here on the first area is closed; the second is open at weekends with a limit of one.
CLOSE_WEEK = N_TOLD + 3
LIMIT = 2
RAMPS = 2
LEGAL_SHARE, WOULD_KEEP, SIZE = 0.4, 0.9, 1.2
RATES = {"legal": (0.12, 0.03), "sublegal": (0.2, 0.04)}
LOST = (0.05, 0.01)
DAYS = days_from(MONDAY, 7 * N_WEEKS)


@dataclass(frozen=True, slots=True, eq=False)
class Boats:
    """Every boat of a season, B of them, with what it meets and would keep.

    Parameters
    ----------
    area, ramp, day, anglers, legal, sublegal, wanted : ndarray of int, shape (B,)
        Places of area and ramp, day of the season; fish met by size, and legal ones that would be
        kept without a limit.
    rates : mapping of str to float
        True rates of death: legal, sublegal, and lost.
    """

    area: NDArray[np.int64]
    ramp: NDArray[np.int64]
    day: NDArray[np.int64]
    anglers: NDArray[np.int64]
    legal: NDArray[np.int64]
    sublegal: NDArray[np.int64]
    wanted: NDArray[np.int64]
    rates: dict[str, float]

    def totals(self, *, is_open: NDArray[np.bool_], limit: NDArray[np.int64]) -> dict[str, float]:
        """Return the season's totals where days are open (A, N) under daily limits (A, N)."""
        out = is_open[self.area, self.day]
        kept = np.minimum(self.wanted, self.anglers * limit[self.area, self.day])[out].sum()
        legal, sublegal = self.legal[out].sum(), self.sublegal[out].sum()
        dead = (legal - kept) * self.rates["legal"] + sublegal * self.rates["sublegal"]
        lost = (legal + sublegal) * self.rates["lost"]
        return {
            "angler_trips": float(self.anglers[out].sum()),
            "kept_fish": float(kept),
            "encounter_fish": float(legal + sublegal),
            "total_deaths_fish": float(kept + dead + lost),
        }


def simulate_boats(rng: np.random.Generator) -> Boats:
    """Draw a season: levels of effort and catch rate that walk, weekends, weather, and boats."""
    shape = (len(AREAS), N_WEEKS)
    level = np.log([[5.0], [7.0]]) + np.cumsum(rng.normal(0, 0.12, shape), axis=1)
    rate = np.log([[1.6], [1.1]]) + np.cumsum(rng.normal(0, 0.1, shape), axis=1)
    week = np.arange(7 * N_WEEKS) // 7
    weekend = np.where(np.arange(7 * N_WEEKS) % 7 >= 5, 2.0, 1.0)
    fair = np.where(rng.random(7 * N_WEEKS) < 0.07, 0.0, 1.0)
    noise = np.exp(rng.normal(-0.045, 0.3, (len(AREAS), 7 * N_WEEKS)))
    mean = np.exp(level[:, week]) * weekend * fair * noise
    count = rng.poisson(np.repeat(mean[:, None, :], RAMPS, axis=1))
    area, ramp, day = (np.repeat(one.ravel(), count.ravel()) for one in np.indices(count.shape))
    anglers = rng.choice([1, 2, 3], size=len(area), p=[0.3, 0.5, 0.2])
    met = anglers * np.exp(rate[area, week[day]])
    legal = rng.poisson(met * LEGAL_SHARE * rng.gamma(SIZE, 1 / SIZE, len(area)))
    sublegal = rng.poisson(met * (1 - LEGAL_SHARE) * rng.gamma(3.0, 1 / 3.0, len(area)))
    true = {name: float(np.clip(rng.normal(*one), 0.0, 1.0)) for name, one in RATES.items()}
    true["lost"] = float(np.clip(rng.normal(*LOST), 0.0, 1.0))
    wanted = rng.binomial(legal, WOULD_KEEP)
    return Boats(area, ramp, day, anglers, legal, sublegal, wanted, true)


def truths(boats: Boats) -> tuple[dict[str, float], dict[str, float]]:
    """Return the season's totals under today's rules and under the change."""
    is_open = np.ones((len(AREAS), len(DAYS)), dtype=bool)
    limit = np.full(is_open.shape, LIMIT)
    today = boats.totals(is_open=is_open, limit=limit)
    ahead = np.arange(len(DAYS)) >= 7 * N_TOLD
    is_open[0, 7 * CLOSE_WEEK :] = False
    is_open[1, ahead & (np.arange(len(DAYS)) % 7 < 5)] = False
    limit[1, ahead] = 1
    return today, boats.totals(is_open=is_open, limit=limit)


def sampled(boats: Boats, rng: np.random.Generator) -> Snapshot:
    """Sample the weeks so far: two weekdays and one weekend day a ramp and week, every boat."""
    pick = np.zeros((len(AREAS), RAMPS, 7 * N_TOLD), dtype=bool)
    for week in range(N_TOLD):
        for ramp in np.ndindex(len(AREAS), RAMPS):
            pick[(*ramp, 7 * week + rng.choice(5, 2, replace=False))] = True
            pick[(*ramp, 7 * week + 5 + rng.integers(2))] = True
    so_far = boats.day < 7 * N_TOLD
    seen = so_far.copy()
    seen[so_far] = pick[boats.area[so_far], boats.ramp[so_far], boats.day[so_far]]
    area, ramp, day = np.nonzero(pick)
    where = (boats.area[so_far], boats.ramp[so_far], boats.day[so_far])
    count = np.zeros(pick.shape, dtype=np.int64)
    np.add.at(count, where, 1)
    places = np.array(AREAS)
    key = [f"{places[a]}{r}-{d}" for a, r, d in zip(area, ramp, day, strict=True)]
    site_days = pd.DataFrame(
        {
            "sample_id": key,
            "site": [f"{places[a]}{r}" for a, r in zip(area, ramp, strict=True)],
            "date": DAYS[day],
            "boats_returned": count[area, ramp, day],
        }
    )
    kept = np.minimum(boats.wanted, boats.anglers * LIMIT)[seen]
    mine = zip(boats.area[seen], boats.ramp[seen], boats.day[seen], strict=True)
    interviews = pd.DataFrame(
        {
            "interview_id": [f"I{place:06d}" for place in range(int(seen.sum()))],
            "sample_id": [f"{places[a]}{r}-{d}" for a, r, d in mine],
            "area": places[boats.area[seen]],
            "anglers": boats.anglers[seen],
            "hours_fished": 5.0,
            "trip_complete": True,
            "method": "trolling",
            "kept": kept,
            "released_legal": boats.legal[seen] - kept,
            "released_sublegal": boats.sublegal[seen],
        }
    )
    return Snapshot.of(
        _rules() | {"site_days": _table(site_days), "interviews": _table(interviews)}
    )


def _rules() -> dict[str, pa.Table]:
    ramps = [(area, f"{area}{ramp}") for area in AREAS for ramp in range(RAMPS)]
    rates = [
        {"size_class": name, "method": "any", "wound_class": "any", "rate_prop": p, "rate_se": se}
        for name, (p, se) in RATES.items()
    ]
    opening = {
        "season": SEASON,
        "open_date": DAYS[0],
        "close_date": DAYS[-1],
        "min_length_mm": 560.0,
        "daily_limit_fish": LIMIT,
        "mark_selective": False,
    }
    lost = {"method": "any", "rate_prop": LOST[0], "rate_se": LOST[1], "base": "encounters"}
    frames = {
        "areas": [{"area": area, "area_name": area.title()} for area in AREAS],
        "sites": [{"site": site, "site_name": site, "area": area} for area, site in ramps],
        "seasons": [opening | {"area": area} for area in AREAS],
        "release_rates": [one | {"source": "invented"} for one in rates],
        "drop_off": [lost | {"source": "invented"}],
    }
    return {name: _table(pd.DataFrame(rows)) for name, rows in frames.items()}


def _table(frame: pd.DataFrame) -> pa.Table:
    for name in ("date", "open_date", "close_date"):
        if name in frame:
            frame[name] = pd.to_datetime(frame[name]).dt.date
    return pa.Table.from_pandas(frame, preserve_index=False)
