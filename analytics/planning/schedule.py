"""A week's schedule drawn at random by the design of each stratum, with its probabilities.

The two draws that the estimators know are made and no others: ``site_day`` takes site-days of a
stratum, each with the same chance, without replacement; ``day_site`` takes days so, and then sites
of a day one after the other by their single-draw probability. Balance over ramps and days comes
from the strata alone. Every stratum has a generator of its own, so that a change in one area leaves
the rest of the schedule as it was.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.codes import coded
from analytics.data.schema import TABLES, site_day_id
from analytics.errors import UsageError
from analytics.planning import samplers as staff
from analytics.survey.build import inclusion_of_sites

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    import pyarrow as pa

    from analytics.arrays import Bools, Floats, Ints
    from analytics.planning.plan import PlannedStratum
    from analytics.planning.samplers import Sampler

#: A week is drawn anew so many times before it is refused.
MOST_TRIES = 200
#: The largest number that every reader of the table keeps exactly.
MOST_SEED = 2**53 - MOST_TRIES
#: Redraws by which the inclusion probabilities of a schedule with few samplers are estimated.
REDRAWS = 20_000
#: Below this share of feasible draws a schedule is refused (our choice, no source).
FEWEST_FEASIBLE = 0.5
#: By this part an inclusion probability may bend, beside its Monte Carlo error (our choice).
MOST_BENT = 0.02
#: Standard errors of a probability estimated by redraws.
_ERRORS = 3.0


@dataclass(frozen=True, slots=True)
class DrawnSiteDay:
    """One site-day of a schedule, planned or in the reserve.

    `order`: its place in the draw of the stratum, 1 first. `inclusion_prob`: the chance to be
    planned. `single_draw`: that of one draw within the day, where days are drawn first.
    """

    site: str
    date: date
    order: int
    is_reserve: bool
    inclusion_prob: float
    single_draw: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Schedule:
    """What was drawn, stratum by stratum, and how.

    `seed`: of the draw that was taken; `tries`: draws until the samplers could do one;
    `feasible_prop`: the share of draws that they can do. `assigned`: who goes, by site and date;
    empty where no samplers were named.
    """

    season: str
    seed: int
    strata: tuple[tuple[PlannedStratum, tuple[DrawnSiteDay, ...]], ...]
    tries: int = 1
    feasible_prop: float = 1.0
    assigned: Mapping[tuple[str, date], str] = field(default_factory=dict)

    @property
    def planned(self) -> tuple[DrawnSiteDay, ...]:
        """The planned site-days, by date and site."""
        found = [one for _, drawn in self.strata for one in drawn if not one.is_reserve]
        return tuple(sorted(found, key=lambda one: (one.date, one.site)))


def draw_schedule(
    strata: Sequence[PlannedStratum],
    *,
    season: str,
    seed: int,
    samplers: Sequence[Sampler] = (),
) -> Schedule:
    """Draw the schedule of a week.

    Parameters
    ----------
    strata : sequence of PlannedStratum
        Its strata, each with the units to draw.
    season : str
    seed : int
        The next ones follow where the samplers cannot do what was drawn.
    samplers : sequence of Sampler, optional
        Who can go; anybody, where none is named.

    Raises
    ------
    UsageError
        If a stratum gets more than its frame, or if too few of all draws can be done by the
        samplers, or an inclusion probability bends because of them.
    """
    _require_room(strata, seed)
    chosen = [one for one in strata if one.n]

    def drawn(number: int) -> Schedule:
        return Schedule(season, number, tuple((one, _draw(one, number)) for one in chosen))

    if not samplers or not chosen:
        return drawn(seed)
    staff.require_samplers(samplers)
    feasible = _require_unbent(chosen, seed, samplers)
    area_of = {site: one.area for one in chosen for site in one.sites}
    for tries in range(1, MOST_TRIES + 1):
        found = drawn(seed + tries - 1)
        shifts = [(one.site, area_of[one.site], one.date) for one in found.planned]
        assigned = staff.assign(shifts, samplers)
        if assigned is not None:
            return replace(found, tries=tries, feasible_prop=feasible, assigned=assigned)
    raise UsageError(
        f"none of {MOST_TRIES} draws could be done by the samplers; name more of them, or plan "
        "fewer shifts"
    )


def _require_room(strata: Sequence[PlannedStratum], seed: int) -> None:
    if not 0 <= seed <= MOST_SEED:
        raise UsageError(f"seed {seed}; allowed: a whole number from 0 to {MOST_SEED}")
    for one in strata:
        if not 0 <= one.n <= one.frame_size:
            raise UsageError(
                f"{one.n} drawn in stratum {one.name}; allowed: 0 to {one.frame_size}, its frame"
            )
        if one.sites_a_day < 1:
            raise UsageError(
                f"{one.sites_a_day} sites a day in stratum {one.name}; allowed: 1 or more"
            )


def inclusion_of(stratum: PlannedStratum) -> Floats:
    """Return the probability that a site-day of each site is planned, shape (k,)."""
    share = stratum.n / stratum.frame_size
    if not stratum.is_of_days:
        return np.full(len(stratum.sites), share)
    single = np.array(stratum.draw_probability)
    is_drawn = single > 0
    found = np.zeros(len(single))
    found[is_drawn] = inclusion_of_sites(single[is_drawn], n_drawn=stratum.sites_a_day)
    return share * found


def generator_of(stratum: PlannedStratum, seed: int) -> np.random.Generator:
    """Return the generator of a stratum: of the seed, and of what the stratum is called."""
    name = f"{stratum.area}|{stratum.week}|{stratum.day_group}"
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


def _draw(stratum: PlannedStratum, seed: int) -> tuple[DrawnSiteDay, ...]:
    """Draw one stratum: the first are planned, the rest is the reserve in its order."""
    rng, chance = generator_of(stratum, seed), inclusion_of(stratum)
    if stratum.is_of_days:
        return _draw_days(stratum, rng, chance)
    cells = [(at, day) for at in range(len(stratum.sites)) for day in stratum.dates]
    order = rng.permutation(len(cells))
    return tuple(
        DrawnSiteDay(
            site=stratum.sites[at],
            date=day,
            order=place,
            is_reserve=place > stratum.n,
            inclusion_prob=float(chance[at]),
            single_draw=None,
        )
        for place, (at, day) in enumerate((cells[one] for one in order), 1)
    )


def _draw_days(
    stratum: PlannedStratum, rng: np.random.Generator, chance: Floats
) -> tuple[DrawnSiteDay, ...]:
    """Draw days, then the order of the sites of each: those after the first few are its reserve."""
    single = np.array(stratum.draw_probability)
    n_drawn = int((single > 0).sum())
    days = rng.permutation(len(stratum.dates))
    found: list[DrawnSiteDay] = []
    for place, day in enumerate(days):
        # A site that is never drawn rings last, and is none of the frame.
        order = np.argsort(_rings(rng, single, ()))[:n_drawn]
        for turn, at in enumerate(order):
            one = DrawnSiteDay(
                site=stratum.sites[at],
                date=stratum.dates[day],
                order=len(found) + 1,
                is_reserve=place >= stratum.n or turn >= stratum.sites_a_day,
                inclusion_prob=float(chance[at]),
                single_draw=float(single[at]),
            )
            found.append(one)
    return tuple(found)


def _rings(rng: np.random.Generator, single: Floats, shape: tuple[int, ...]) -> Floats:
    """Return times whose order is that of successive draws of sites, shape (*shape, k).

    They are those at which independent exponential clocks ring whose rates are the single-draw
    probabilities (Rosen 1972, Asymptotic theory for successive sampling, Ann. Math. Stat. 43; from
    memory).
    """
    with np.errstate(divide="ignore"):
        rings: Floats = rng.standard_exponential((*shape, len(single))) / single
    return rings


def drawn_for_samplers(schedule: Schedule) -> str:
    """Return, as a code, how a schedule was drawn that named samplers can do."""
    if schedule.feasible_prop >= 1:
        return coded("drawn_for_any")
    share = f"{100 * schedule.feasible_prop:.0f}"
    share = "over 99" if share == "100" else share
    return coded("drawn_for_samplers", part=share, tries=schedule.tries)


# Many draws at once: how often the samplers can do one, and what that does to the probabilities.


def redraw(stratum: PlannedStratum, rng: np.random.Generator, *, n_draws: int) -> Bools:
    """Return which site-days of a stratum many draws plan, shape (n_draws, k, D)."""
    k, n_dates = len(stratum.sites), len(stratum.dates)
    if not stratum.is_of_days:
        place = _ranks(rng.random((n_draws, k * n_dates)))
        return (place < stratum.n).reshape(n_draws, k, n_dates)
    is_day = _ranks(rng.random((n_draws, n_dates))) < stratum.n
    rings = _rings(rng, np.array(stratum.draw_probability), (n_draws, n_dates))
    is_site = (_ranks(rings, axis=2) < stratum.sites_a_day) & np.isfinite(rings)
    both: Bools = (is_site & is_day[:, :, None]).transpose(0, 2, 1)
    return both


def _ranks(values: Floats, axis: int = 1) -> Ints:
    ranks: Ints = np.argsort(np.argsort(values, axis=axis), axis=axis)
    return ranks


def _require_unbent(
    strata: Sequence[PlannedStratum], seed: int, samplers: Sequence[Sampler]
) -> float:
    """Return the share of draws that can be done; refuse where that bends a probability.

    Sites of a date are alike in their stratum but for single-draw probabilities, so the dates are
    compared: with the samplers' days off the dates of a stratum need not stay equally likely.
    """
    rng = np.random.default_rng([seed, zlib.crc32(b"redraws")])
    planned = [redraw(one, rng, n_draws=REDRAWS) for one in strata]
    by_place: dict[tuple[str, date], Ints] = {}
    for one, sampled in zip(strata, planned, strict=True):
        for at, day in enumerate(one.dates):
            count = sampled[:, :, at].sum(axis=1)
            by_place[one.area, day] = by_place.get((one.area, day), np.int64(0)) + count
    can_do = staff.can_be_done(by_place, samplers)
    share = float(can_do.mean())
    if share < FEWEST_FEASIBLE:
        dates = {day for _, day in by_place}
        a_date = [
            np.sum([n for (_, on), n in by_place.items() if on == day], axis=0) for day in dates
        ]
        half = int(np.median(np.max(a_date, axis=0)))
        at_work = [sum(day not in who.off for who in samplers) for day in dates]
        raise UsageError(
            f"{share:.0%} of random schedules can be done by these samplers; allowed: "
            f"{FEWEST_FEASIBLE:.0%} or more; half of them put {half} shifts or more on one date, "
            f"where {min(at_work)} to {max(at_work)} samplers are at work; plan fewer shifts, or "
            "name more samplers or days"
        )
    for one, sampled in zip(strata, planned, strict=True):
        _require_even(one, sampled, can_do)
    return share


def _require_even(stratum: PlannedStratum, sampled: Bools, can_do: Bools) -> None:
    """Refuse where a date of a stratum is drawn less or more often than by its design."""
    whole = sampled.sum(axis=1).mean()
    found = sampled[can_do].sum(axis=1)
    bent = np.abs(found.mean(axis=0) / whole - 1)
    error = found.std(axis=0) / np.sqrt(can_do.sum()) / whole
    worst = int(np.argmax(bent - _ERRORS * error))
    if bent[worst] > MOST_BENT + _ERRORS * error[worst]:
        raise UsageError(
            f"with these samplers {stratum.dates[worst]} in area {stratum.area} would be drawn "
            f"with a chance {bent[worst]:.0%} off that of its design; allowed: {MOST_BENT:.0%}; "
            "plan fewer shifts, or name samplers for that day"
        )


# The schedule as a table of the store.


def planned_site_days(schedule: Schedule) -> pa.Table:
    """Return a schedule in the schema of the table ``planned_site_days``, planned and reserve."""
    import pyarrow as pa  # noqa: PLC0415

    rows = [
        {
            "sample_id": site_day_id(one.site, f"{one.date:%Y-%m-%d}"),
            "season": schedule.season,
            "site": one.site,
            "date": one.date,
            "stratum_name": stratum.name,
            "frame_size": stratum.frame_size,
            "inclusion_prob": one.inclusion_prob,
            "draw_order": one.order,
            "is_reserve": one.is_reserve,
            "sampler": None if one.is_reserve else schedule.assigned.get((one.site, one.date)),
            "seed": schedule.seed,
            "state": "planned",
            "reason": None,
            "draw_probability": one.single_draw,
        }
        for stratum, drawn in schedule.strata
        for one in drawn
    ]
    return pa.Table.from_pylist(rows, TABLES["planned_site_days"].arrow_schema)
