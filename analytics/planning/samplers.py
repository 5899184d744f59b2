"""Who can go where and when: whether samplers can do a schedule, and who takes which shift."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass, field
from datetime import timedelta
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from analytics.errors import UsageError
from analytics.weeks import week_start

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence
    from datetime import date

    from analytics.arrays import Bools, Ints
    from analytics.planning.allocation import Bounded
    from analytics.planning.plan import PlannedStratum

#: Most areas of which every set is looked at; of more, each alone and all together.
_MOST_AREAS = 8
#: Site, landing area and date of a shift.
Shift = tuple[str, str, "date"]


@dataclass(frozen=True, slots=True)
class Sampler:
    """One sampler: at most one site-day a date.

    `areas`: those within reach, all where none is named. `off`: days off. `most_shifts`: in the
    week, for rest; as many as there are dates where it is not given.
    """

    name: str
    areas: frozenset[str] = field(default_factory=frozenset)
    off: frozenset[date] = field(default_factory=frozenset)
    most_shifts: int | None = None

    def can_go(self, area: str, day: date) -> bool:
        """Return whether an area is within reach on a day."""
        return day not in self.off and (not self.areas or area in self.areas)


def require_samplers(samplers: Sequence[Sampler]) -> None:
    """Raise `UsageError` for a name given twice or empty, or shifts below 1."""
    names = [one.name for one in samplers]
    for one in samplers:
        if not one.name.strip():
            raise UsageError("a sampler without a name; allowed: a name for each, each once")
        if names.count(one.name) > 1:
            raise UsageError(f"sampler {one.name} is named twice; allowed: each once")
        if one.most_shifts is not None and one.most_shifts < 1:
            raise UsageError(f"sampler {one.name}: {one.most_shifts} shifts; allowed: 1 or more")


def require_areas(samplers: Sequence[Sampler], areas: Collection[str]) -> None:
    """Raise `UsageError` as `require_samplers`, and for an area that is none of those there are."""
    require_samplers(samplers)
    there = ", ".join(sorted(areas)) or "none; import the table areas first"
    for one in samplers:
        if unknown := sorted(one.areas.difference(areas)):
            raise UsageError(
                f"sampler {one.name}: no area {', '.join(unknown)}; there are: {there}"
            )


def can_be_done(counts: Mapping[tuple[str, date], Ints], samplers: Sequence[Sampler]) -> Bools:
    """Return which of R draws the samplers can do.

    Where no set of areas asks for more than can go there, on a date (Hall 1935; from memory) and in
    the week, a draw can be done if no number of shifts binds, or if a simple rule finds who goes;
    only what is then left open is a flow to be solved.

    Parameters
    ----------
    counts : mapping of (area, date) to int array, shape (R,)
        Site-days of each draw.
    samplers : sequence of Sampler
    """
    places = list(counts)
    wanted = np.column_stack([counts[place] for place in places]).astype(np.int64)
    found = _within_cuts(wanted, places, samplers)
    n_dates = len({day for _, day in places})
    is_exact = len({area for area, _ in places}) <= _MOST_AREAS
    if is_exact and not any(_is_held(one, n_dates) for one in samplers):
        return found
    left = found.copy()
    left[found] = ~_by_rule(wanted[found], places, samplers)
    if left.any():
        rows, place = np.unique(wanted[left], axis=0, return_inverse=True)
        flows = (_flow(dict(zip(places, row, strict=True)), samplers) for row in rows)
        works = np.array([flow is not None for flow in flows], dtype=bool)
        found[left] = works[place.ravel()]
    return found


def _is_held(one: Sampler, n_dates: int) -> bool:
    return one.most_shifts is not None and one.most_shifts < n_dates


def _within_cuts(
    wanted: Ints, places: Sequence[tuple[str, date]], samplers: Sequence[Sampler]
) -> Bools:
    """Return which draws ask no set of areas for more than can go there, on a date or in all."""
    areas, dates = (list(dict.fromkeys(part)) for part in zip(*places, strict=True))
    if len(areas) <= _MOST_AREAS:
        sets = [set(some) for n in range(1, len(areas) + 1) for some in combinations(areas, n)]
    else:
        sets = [*({area} for area in areas), set(areas)]
    found = np.ones(len(wanted), dtype=bool)
    for some in sets:
        of_week, able = np.zeros(len(wanted), dtype=np.int64), [0] * len(samplers)
        for day in dates:
            mine = [at for at, (area, on) in enumerate(places) if on == day and area in some]
            can = [any(one.can_go(places[at][0], day) for at in mine) for one in samplers]
            asked = wanted[:, mine].sum(axis=1)
            found &= asked <= sum(can)
            of_week += asked
            able = [n + is_on for n, is_on in zip(able, can, strict=True)]
        found &= of_week <= sum(
            n if one.most_shifts is None else min(n, one.most_shifts)
            for n, one in zip(able, samplers, strict=True)
        )
    return found


def _by_rule(
    wanted: Ints, places: Sequence[tuple[str, date]], samplers: Sequence[Sampler]
) -> Bools:
    """Return which draws are done where each area in turn takes whoever has most shifts left.

    Areas that fewer can reach come first on a date; of as many shifts, whoever reaches fewer areas
    goes. A draw that this does not do may be done otherwise.
    """
    n_dates = len({day for _, day in places})
    most = [n_dates if one.most_shifts is None else one.most_shifts for one in samplers]
    reach = [sum(one.can_go(*place) for place in places) for one in samplers]
    left = np.tile(np.array(most) - np.array(reach) / (1.0 + sum(reach)), (len(wanted), 1))
    done, every = np.ones(len(wanted), dtype=bool), np.arange(len(wanted))
    for day in sorted({day for _, day in places}):
        is_free = np.ones(left.shape, dtype=bool)
        mine = [at for at, (_, on) in enumerate(places) if on == day]
        can = {at: np.array([one.can_go(*places[at]) for one in samplers]) for at in mine}
        for at in sorted(mine, key=lambda at: int(can[at].sum())):
            for turn in range(int(wanted[:, at].max(initial=0))):
                worth = np.where(is_free & can[at], left, -1.0)
                who, asks = worth.argmax(axis=1), wanted[:, at] > turn
                goes = asks & (worth[every, who] > 0)
                done &= goes | ~asks
                is_free[every[goes], who[goes]] = False
                left[every[goes], who[goes]] -= 1
    return done


def assign(
    shifts: Sequence[Shift], samplers: Sequence[Sampler]
) -> dict[tuple[str, date], str] | None:
    """Return who takes each shift, by site and date; None where the samplers cannot do them."""
    sites: dict[tuple[str, date], list[str]] = {}
    for site, area, day in sorted(shifts, key=lambda one: (one[2], one[0])):
        sites.setdefault((area, day), []).append(site)
    flow = _flow({place: len(found) for place, found in sites.items()}, samplers)
    if flow is None:
        return None
    return {
        (site, day): who
        for (area, day), found in sites.items()
        for site, who in zip(found, flow[area, day], strict=True)
    }


def _flow(
    wanted: Mapping[tuple[str, date], int], samplers: Sequence[Sampler]
) -> dict[tuple[str, date], list[str]] | None:
    """Return who goes to each area and date, by a largest flow; None where not all can be met.

    Source → area and date → sampler on that date → sampler → sink.
    """
    from scipy.sparse import csr_array  # noqa: PLC0415
    from scipy.sparse.csgraph import maximum_flow  # noqa: PLC0415

    places = [place for place, n in wanted.items() if n]
    days = sorted({day for _, day in places})
    n_days, n_who = len(days), len(samplers)
    on_day = 1 + len(places)
    alone = on_day + n_days * n_who
    sink = alone + n_who
    edges: list[tuple[int, int, int]] = []
    for at, place in enumerate(places, 1):
        edges.append((0, at, int(wanted[place])))
        day = days.index(place[1])
        edges += [
            (at, on_day + day * n_who + who, 1)
            for who, one in enumerate(samplers)
            if one.can_go(*place)
        ]
    for who, one in enumerate(samplers):
        edges += [(on_day + day * n_who + who, alone + who, 1) for day in range(n_days)]
        edges.append((alone + who, sink, n_days if one.most_shifts is None else one.most_shifts))
    start, end, size = np.array(edges, dtype=np.int32).T
    graph = csr_array((size, (start, end)), shape=(sink + 1, sink + 1))
    found = maximum_flow(graph, 0, sink)
    if found.flow_value < sum(wanted.values()):
        return None
    moved = found.flow.tocoo()
    going: dict[tuple[str, date], list[str]] = {place: [] for place in places}
    pairs = sorted(zip(moved.row.tolist(), moved.col.tolist(), moved.data.tolist(), strict=True))
    for first, second, n in pairs:
        if n > 0 and 1 <= first < on_day:
            going[places[first - 1]].append(samplers[(second - on_day) % n_who].name)
    return going


# What samplers can do at most, for an allocation.


def caps_of(
    strata: Sequence[PlannedStratum], samplers: Sequence[Sampler]
) -> tuple[tuple[Bools, float], ...]:
    """Return groups of strata with the most units that samplers can visit: each group once.

    The whole week; the strata on some dates; those of an area; each stratum. A unit is counted with
    the most sites that one of its group has.
    """
    groups: dict[tuple[bool, ...], int] = {}
    for mine in _groups(strata):
        some = [one for one, is_in in zip(strata, mine, strict=True) if is_in]
        places = {(one.area, day) for one in some for day in one.dates}
        most = 0
        for who in samplers:
            days = {day for area, day in places if who.can_go(area, day)}
            most += min(len(days), len(days) if who.most_shifts is None else who.most_shifts)
        sites = max(one.sites_a_day for one in some)
        groups[mine] = min(groups.get(mine, most), most // sites)
    return tuple((np.array(mine), float(most)) for mine, most in groups.items())


def _groups(strata: Sequence[PlannedStratum]) -> Iterator[tuple[bool, ...]]:
    yield (True,) * len(strata)
    for dates in {one.dates for one in strata}:
        yield tuple(set(one.dates) <= set(dates) for one in strata)
    for area in {one.area for one in strata}:
        yield tuple(one.area == area for one in strata)
    for at in range(len(strata)):
        yield tuple(place == at for place in range(len(strata)))


def require_samplers_for(
    strata: Sequence[PlannedStratum], bounds: Bounded, shifts: int | None
) -> None:
    """Raise `UsageError` for shifts, or two a stratum, that the samplers of a week cannot do."""
    least = (bounds.cost * bounds.low).sum()
    for group, most in bounds.caps:
        some = bounds.low[group].sum() * (shifts is None or shifts >= least)
        if group.all() and shifts is not None and shifts > most * bounds.cost.max():
            raise UsageError(
                f"{shifts} shifts; these samplers can do {most * bounds.cost.max():.0f} in the "
                "week; plan fewer, or name more samplers, days or hours"
            )
        if some > most:
            names = [one.name for one, is_in in zip(strata, group, strict=True) if is_in]
            where = "; ".join(names[:3]) + (" and others" if len(names) > 3 else "")
            raise UsageError(
                f"these samplers can do {most:.0f} site-days in {where}, and two a stratum take "
                f"{some}; name more samplers for those areas and days, or fewer shifts than "
                f"{least:.0f}, so that strata are left out"
            )


# Samplers as people write them.

#: What is written of each sampler, in this order; only the name must be there.
FIELDS = (
    *("sampler", "areas", "days_off", "most_shifts"),
    *("most_hours", "travel_hours", "rest_days"),
)
_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
#: Hours of a shift on the spot, and of rest before the next day's (our choice; local law decides).
SHIFT_HOURS, REST_HOURS = 9.0, 11.0


def samplers_of(text: str, *, week: str, shift_hours: float = SHIFT_HOURS) -> tuple[Sampler, ...]:
    """Return samplers as written, one a line, in the order of `FIELDS`.

    Parameters
    ----------
    text : str
        Lines with ``|`` between the fields, or CSV whose first line names them: ``sampler`` and any
        others of `FIELDS`. Areas and days off are separated by blanks or semicolons, days by their
        first three letters: ``Ada | SOR KET | Tue Wed | 4 | 38 | 2 | 1``. Empty lines are left out.
        The most hours a week hold shifts with the travel to and fro, by the longest way.
    week : str
        The ISO week whose days are meant.
    shift_hours : float
        Hours of one shift, without travel.

    Raises
    ------
    UsageError
        If a line has more fields, an unknown weekday, or a number that is none; hours that hold no
        shift; or shifts so long that the night between two is under `REST_HOURS`.
    """
    if not 0 < shift_hours <= 24:
        raise UsageError(f"shifts of {shift_hours:g} hours; allowed: over 0 and up to 24")
    monday = week_start(week).date()
    lines = [line for line in text.removeprefix("\ufeff").splitlines() if line.strip()]
    if lines and "|" not in lines[0] and lines[0].split(",")[0].strip().lower() == FIELDS[0]:
        rows = _csv_rows(lines)
    else:
        rows = [_parts_of(line) for line in lines]
    return tuple(_sampler_of(row, monday, shift_hours) for row in rows)


def _csv_rows(lines: Sequence[str]) -> list[dict[str, str]]:
    heads, *rows = [[part.strip() for part in row] for row in csv.reader(lines)]
    heads = [head.lower() for head in heads]
    unknown = [head for head in heads if head not in FIELDS]
    if unknown or len(set(heads)) < len(heads):
        raise UsageError(
            f"column {(unknown or heads)[0]!r} of samplers is unknown or named twice; allowed: "
            f"{', '.join(FIELDS)}, each once"
        )
    for row in rows:
        if len(row) > len(heads):
            raise UsageError(
                f"sampler {row[0]!r} has {len(row)} cells; allowed: {len(heads)}, as the first "
                "line; separate areas and days by blanks or semicolons"
            )
    return [dict(zip(heads, row, strict=False)) for row in rows]


def _parts_of(line: str) -> dict[str, str]:
    parts = [part.strip() for part in line.split("|")]
    if len(parts) > len(FIELDS):
        raise UsageError(f"sampler {line!r} has {len(parts)} parts; allowed: {' | '.join(FIELDS)}")
    return dict(zip(FIELDS, parts, strict=False))


def _sampler_of(row: Mapping[str, str], monday: date, shift_hours: float) -> Sampler:
    name = row.get("sampler", "")
    days = [word.lower()[:3] for word in _words(row.get("days_off", ""))]
    unknown = [word for word in days if word not in _WEEKDAYS]
    if unknown:
        raise UsageError(f"sampler {name}: no weekday {unknown[0]!r}; allowed: Mon to Sun")
    return Sampler(
        name,
        areas=frozenset(_words(row.get("areas", ""))),
        off=frozenset(monday + timedelta(days=_WEEKDAYS.index(word)) for word in days),
        most_shifts=_most_shifts(name, row, shift_hours),
    )


def _words(cell: str) -> list[str]:
    return cell.replace(",", " ").replace(";", " ").split()


def _most_shifts(name: str, row: Mapping[str, str], shift_hours: float) -> int | None:
    """Return the most shifts in the week by number, hours and rest; None where nothing binds."""
    most = row.get("most_shifts", "")
    if most and not (most.isascii() and most.isdecimal()):
        raise UsageError(f"sampler {name}: {most!r} shifts; allowed: a whole number, 1 or more")
    hours, travel, rest = (
        _number(name, row.get(field, ""), field)
        for field in ("most_hours", "travel_hours", "rest_days")
    )
    each = shift_hours + (travel or 0.0)
    if 24 - each < REST_HOURS:
        raise UsageError(
            f"sampler {name}: a shift of {shift_hours:g} h with {travel or 0:g} h of travel leaves "
            f"{max(24 - each, 0):g} h before the next day; allowed: {REST_HOURS:g} h or more"
        )
    by_hours = None if hours is None else math.floor(hours / each + 1e-9)
    if by_hours == 0:
        raise UsageError(
            f"sampler {name}: {hours:g} h in the week hold no shift of {each:g} h with its travel; "
            "allowed: enough for one, or leave the sampler out"
        )
    by_rest = None if rest is None else 7 - math.ceil(rest)
    known = [one for one in (int(most) if most else None, by_hours, by_rest) if one is not None]
    return min(known) if known else None


def _number(name: str, cell: str, field: str) -> float | None:
    if not cell:
        return None
    most = 6.0 if field == "rest_days" else 168.0
    try:
        found = float(cell)
    except ValueError:
        found = math.nan
    if not 0 <= found <= most:
        raise UsageError(
            f"sampler {name}: {cell!r} as {field}; allowed: a number from 0 to {most:g}"
        )
    return found
