"""The ground on which a season's options are weighed, put together from a snapshot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow.compute as pc

from analytics.bulletin.standing.ahead import ahead_of
from analytics.bulletin.standing.boats import MOST_ANGLERS, boats_of
from analytics.bulletin.standing.horizon import AFTER_CLOSE, MOST_WEEKS, horizon_of
from analytics.bulletin.standing.to_date import to_date_draws
from analytics.fish.measured import measured_fish
from analytics.season.baseline import Baseline

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import pyarrow as pa
    from numpy.typing import NDArray

    from analytics.bulletin.prepare import Season
    from analytics.bulletin.standing.horizon import Horizon
    from analytics.bulletin.standing.to_date import ToDate
    from analytics.bulletin.standing.weekly_levels import Weekly
    from analytics.data.snapshot import Snapshot

    Row = dict[str, Any]

#: Draws that a bulletin keeps.
N_DRAWS = 2_000
#: Seed of the draws: the same data give the same outlook.
SEED = 20_360_217


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """A baseline with what it was made from.

    Parameters
    ----------
    baseline : Baseline
    to_date : ToDate
    horizon : Horizon
    assumed : tuple of (str, str)
        Topic and words of every assumption.
    """

    baseline: Baseline
    to_date: ToDate
    horizon: Horizon
    assumed: tuple[tuple[str, str], ...]


def baseline_of(
    snapshot: Snapshot,
    season: Season,
    rates: Mapping[str, pa.Table],
    *,
    n_draws: int = N_DRAWS,
    seed: int = SEED,
    level: float = 0.95,
) -> Baseline:
    """Draw a season so far and its days to come.

    Parameters
    ----------
    snapshot : Snapshot
    season : Season
        Prepared from it in the usual way.
    rates : mapping of str to pyarrow.Table
        The bulletin's tables of modelled rates.
    n_draws : int
        D.
    seed : int
        The same data and seed give the same draws.
    level : float
        Confidence level.

    Returns
    -------
    Baseline
    """
    return ground_of(snapshot, season, rates, n_draws=n_draws, seed=seed, level=level).baseline


def ground_of(
    snapshot: Snapshot,
    season: Season,
    rates: Mapping[str, pa.Table],
    *,
    n_draws: int = N_DRAWS,
    seed: int = SEED,
    level: float = 0.95,
    rows: Iterable[Row] | None = None,
    past: Sequence[Weekly] | None = None,
) -> Ground:
    """Draw as `baseline_of`, with what the draws rest on.

    `rows` are as in `to_date_draws`, `past` as in `analytics.bulletin.standing.ahead.ahead_of`.
    """
    so_far, boat, to_come, luck = (
        np.random.default_rng(one) for one in np.random.SeedSequence(seed).spawn(4)
    )
    design = season.design
    to_date = to_date_draws(snapshot, season, rng=so_far, n_draws=n_draws, rows=rows)
    horizon = horizon_of(
        snapshot, season=design.season, through=design.through, areas=to_date.areas
    )
    boats = boats_of(snapshot, season, areas=to_date.areas, rng=boat, n_draws=n_draws)
    ahead = ahead_of(
        snapshot,
        season,
        to_date,
        rates,
        days=horizon.days,
        weeks=horizon.weeks,
        rng=to_come,
        past=past,
    )
    lengths = _lengths(snapshot, season)
    keys = [f"length {area}" for area in ("", *to_date.areas)]
    normal = dict(to_date.normal) | {key: luck.standard_normal(n_draws) for key in keys}
    baseline = Baseline(
        season=design.season,
        through=horizon.through,
        areas=to_date.areas,
        methods=to_date.methods,
        weeks=horizon.weeks,
        days=horizon.days,
        week=horizon.week,
        rules=horizon.rules,
        so_far=horizon.so_far,
        to_date={name: one.astype(np.float32) for name, one in to_date.to_date.items()},
        by_method=to_date.by_method.astype(np.float32),
        deep=to_date.deep.astype(np.float32),
        effort=ahead.effort,
        rate=ahead.rate,
        sublegal=ahead.sublegal,
        class_per_fish={
            name: one.astype(np.float32) for name, one in to_date.class_per_fish.items()
        },
        wanted_mean=boats.wanted_mean.astype(np.float32),
        wanted_size=boats.wanted_size.astype(np.float32),
        party=boats.party,
        rates=tuple(snapshot["release_rates"].to_pylist()),
        lost=tuple(snapshot["drop_off"].to_pylist()),
        normal={key: one.astype(np.float32) for key, one in normal.items()},
        lengths=lengths,
        level=level,
    )
    assumed = (*to_date.assumed, *ahead.words, *boats.assumed, *_words(horizon))
    return Ground(baseline, to_date, horizon, assumed)


def _lengths(snapshot: Snapshot, season: Season) -> dict[tuple[str, str], NDArray[np.float64]]:
    """Return total lengths by area and size; of sublegal fish from test fishing alone.

    Anglers may not land a fish under the line, so those at the dock stand for no others.
    """
    if not snapshot["fish"].num_rows:
        return {}
    fish = measured_fish(snapshot, season=season.design.season, through=season.design.through)
    fish = fish.filter(pc.is_valid(fish["is_legal"]))
    area = np.asarray(fish["area"].to_pylist(), dtype=str)
    long = np.asarray(fish["total_mm"].to_numpy(), dtype=np.float64)
    is_legal = np.asarray(fish["is_legal"].to_pylist(), dtype=bool)
    is_test = np.asarray(fish["source"].to_pylist(), dtype=str) == "test_fishing"
    kinds = {"legal": is_legal, "sublegal": ~is_legal & is_test}
    found = {}
    for name in ("", *sorted(set(area.tolist()))):
        here = np.ones(len(area), dtype=bool) if not name else area == name
        for kind, mine in kinds.items():
            if (here & mine).any():
                found[name, kind] = np.sort(long[here & mine])
    return found


def _words(horizon: Horizon) -> tuple[tuple[str, str], ...]:
    """Say what the days to come and the boats rest on."""
    told = [
        ("Daily limit", f"Boats with more than {MOST_ANGLERS} anglers count as boats of so many."),
    ]
    if len(horizon.days):
        last = horizon.days[-1].astype(object)
        told.insert(
            0,
            (
                "Days to come",
                f"From {horizon.days[0]} to {last}: {AFTER_CLOSE} days past the last planned "
                f"close, at most {MOST_WEEKS} weeks. Rules on a closed day are those of the "
                "area's nearest opening.",
            ),
        )
    return tuple(told)
