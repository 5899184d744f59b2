"""A season halfway, drawn by hand: the ground for tests of options, kept draws and pages."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.options.baseline import PARTS, Baseline, Limit, Rules
from analytics.weeks import days_from, week_of_days

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float32]

THROUGH = dt.date(2036, 1, 27)  # a Sunday
RELEASE_RATES = (
    {
        "size_class": "legal",
        "method": "any",
        "wound_class": "any",
        "rate_prop": 0.1,
        "rate_se": 0.03,
        "source": "invented",
    },
    {
        "size_class": "sublegal",
        "method": "any",
        "wound_class": "any",
        "rate_prop": 0.2,
        "rate_se": 0.04,
        "source": "invented",
    },
)
DROP_OFF = (
    {
        "method": "any",
        "rate_prop": 0.05,
        "rate_se": 0.01,
        "base": "encounters",
        "source": "invented",
    },
)
CLASSES = (
    "encounter_legal_marked_fish",
    "encounter_legal_unmarked_fish",
    "encounter_sublegal_marked_fish",
    "encounter_sublegal_unmarked_fish",
)
_PER_FISH = (0.6, 0.4, 0.55, 0.45)


def small_baseline(
    *,
    n_draws: int = 200,
    areas: Sequence[str] = ("OMB", "VEL"),
    methods: Sequence[str] = ("mooching", "trolling", ""),
    n_weeks: int = 6,
    n_closed_weeks: int = 2,
    weekdays: str = "1234567",
    spread: float = 1.0,
    seed: int = 5,
    **given: Any,
) -> Baseline:
    """Return a baseline: open for `n_weeks` to come, then closed for `n_closed_weeks` more.

    Parameters
    ----------
    n_draws : int
    areas, methods : sequence of str
    n_weeks, n_closed_weeks : int
        Both 0: a season that is over.
    weekdays : str
        ISO digits of today's open days.
    spread : float
        0 for draws that are all alike.
    seed : int
    **given
        Fields of `Baseline` in the place of those made here.
    """
    rng = np.random.default_rng(seed)
    d, a, m, w = n_draws, len(areas), len(methods), n_weeks + n_closed_weeks
    n = 7 * w

    def around(mean: Any, cv: float, *shape: int) -> Floats:
        noise = np.exp(spread * cv * rng.standard_normal(shape) - (spread * cv) ** 2 / 2)
        return (np.asarray(mean) * noise).astype(np.float32)

    # The parts so far: trips first, then fish per trip; the methods in falling order.
    share = np.arange(m, 0, -1) / np.arange(m, 0, -1).sum()
    size = 1.0 + np.arange(a) / 2
    trips = around(2000 * size[:, None] * share, 0.1, d, a, m)
    per_trip = np.array([1.0, 0.4, 0.15, 0.7, 0.0])
    by_method = trips[..., None] * around(per_trip, 0.05, d, a, m, len(PARTS))
    by_method[..., 0] = trips
    keys = [*(rate_key(row) for row in (*RELEASE_RATES, *DROP_OFF))]
    keys += [f"length {area}" for area in ("", *areas)]
    normal = {key: (spread * rng.standard_normal(d)).astype(np.float32) for key in keys}
    per_fish = {name: around(one, 0.05, d, a) for name, one in zip(CLASSES, _PER_FISH, strict=True)}
    days = days_from(THROUGH + dt.timedelta(days=1), n)
    weekday = (np.arange(n) % 7 + 1).astype(str)
    is_open = (np.arange(n) < 7 * n_weeks) & np.isin(weekday, list(weekdays))
    rate = around(1.25, 0.15, d, a, 1) * around(1, 0.1, d, a, w)
    lengths = {
        (area, kind): np.round(np.linspace(low, high, 60))
        for area in ("", *areas)
        for kind, low, high in (("legal", 560.0, 760.0), ("sublegal", 380.0, 558.0))
    }
    made = Baseline(
        season="2035-36",
        through=THROUGH,
        areas=tuple(areas),
        methods=tuple(methods),
        weeks=tuple(week_of_days(days[: 7 * w : 7])),
        days=days,
        week=np.arange(n) // 7,
        rules=rules_of(np.tile(is_open, (a, 1))),
        rules_to_date=rules_of(np.ones((a, 1), dtype=bool)),
        to_date=totals_of(by_method, per_fish, normal),
        by_method=by_method,
        deep_hook_share=np.full((d, a, m), np.nan, dtype=np.float32),
        effort=around(np.where(np.isin(weekday, ["6", "7"]), 90, 30), 0.2, d, a, n),
        rate=rate.astype(np.float32),
        sublegal=np.clip(around(0.55, 0.1, d, a, w), 0, 0.95),
        class_per_fish=per_fish,
        uncapped_mean=around(0.5, 0.1, d, a),
        uncapped_size=around(1.2, 0.2, d),
        party_size_share=np.tile([0.25, 0.45, 0.2, 0.1], (a, 1)),
        rates=RELEASE_RATES,
        drop_off_rates=DROP_OFF,
        normal=normal,
        lengths=lengths,
    )
    return replace(made, **given)


def small_limits(areas: Sequence[str] = ("OMB", "VEL")) -> tuple[Limit, ...]:
    """Return limits of several kinds: one area, several, and one that is passed already."""
    every = tuple(areas)
    return (
        Limit("kept-all", every, ("kept_fish",), 3200.0),
        Limit(f"sublegal-{every[0]}", every[:1], ("released_sublegal_fish",), 2200.0),
        Limit(
            "unmarked-all",
            every,
            ("encounter_legal_unmarked_fish", "encounter_sublegal_unmarked_fish"),
            5000.0,
        ),
        Limit("deaths-all", every, ("total_deaths_fish",), 1000.0),
        Limit("encounters-far", every, ("encounter_fish",), 1_000_000.0),
    )


def rules_of(
    is_open: NDArray[np.bool_],
    *,
    min_length_mm: float = 559.0,
    daily_limit_fish: float = 2.0,
    is_mark_selective: bool = False,
) -> Rules:
    """Return rules that are alike on all days but for the openings, shape (A, N)."""
    shape = is_open.shape
    return Rules(
        is_open,
        np.full(shape, min_length_mm),
        np.full(shape, daily_limit_fish),
        np.full(shape, is_mark_selective),
    )


def rate_key(row: Mapping[str, object]) -> str:
    """Return the key of the normal numbers of a row of `release_rates` or `drop_off`."""
    if "base" in row:
        return f"drop_off {row['method']}"
    return f"{row['size_class']} {row['method']} {row['wound_class']}"


def totals_of(
    by_method: Floats, per_fish: Mapping[str, Floats], normal: Mapping[str, Floats]
) -> dict[str, Floats]:
    """Return every total of the result rows from its parts, deaths at the rates of this module."""
    trips, kept, legal, sublegal, unknown = np.moveaxis(by_method.sum(axis=2), -1, 0)
    released = legal + sublegal + unknown

    def rate(row: Mapping[str, Any]) -> Floats:
        return np.clip(row["rate_prop"] + row["rate_se"] * normal[rate_key(row)], 0, 1)[:, None]

    rates = [rate(row) for row in (*RELEASE_RATES, *DROP_OFF)]
    dead, lost = legal * rates[0] + (sublegal + unknown) * rates[1], (kept + released) * rates[2]
    pools = (kept + legal, kept + legal, sublegal, sublegal)
    return {
        "boat_trips": trips / 2,
        "angler_trips": trips,
        "angler_hours": trips * 5,
        "kept_fish": kept,
        "released_legal_fish": legal,
        "released_sublegal_fish": sublegal,
        "released_unknown_fish": unknown,
        "released_fish": released,
        "encounter_fish": kept + released,
        **{name: per_fish[name] * pool for name, pool in zip(CLASSES, pools, strict=True)},
        "release_deaths_fish": dead,
        "drop_off_deaths_fish": lost,
        "total_deaths_fish": kept + dead + lost,
    }
