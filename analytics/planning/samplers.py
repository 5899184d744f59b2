"""Who can go where and when: whether samplers can do a schedule, and who takes which shift."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from analytics.errors import UsageError
from analytics.weeks import week_start

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from analytics.arrays import Bools, Ints

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


def require_samplers(samplers: Sequence[Sampler], areas: Sequence[str]) -> None:
    """Raise `UsageError` for a name given twice or empty, an unknown area, or shifts below 1."""
    names = [one.name for one in samplers]
    for one in samplers:
        if not one.name.strip():
            raise UsageError("a sampler without a name; allowed: a name for each, each once")
        if names.count(one.name) > 1:
            raise UsageError(f"sampler {one.name} is named twice; allowed: each once")
        unknown = sorted(one.areas - set(areas))
        if unknown:
            raise UsageError(
                f"sampler {one.name}: no area {', '.join(unknown)}; there are: {', '.join(areas)}"
            )
        if one.most_shifts is not None and one.most_shifts < 1:
            raise UsageError(f"sampler {one.name}: {one.most_shifts} shifts; allowed: 1 or more")


def can_be_done(counts: Mapping[tuple[str, date], Ints], samplers: Sequence[Sampler]) -> Bools:
    """Return which of R draws the samplers can do.

    Parameters
    ----------
    counts : mapping of (area, date) to int array, shape (R,)
        Site-days of each draw.
    samplers : sequence of Sampler
    """
    places = list(counts)
    wanted = np.column_stack([counts[place] for place in places]).astype(np.int64)
    dates = sorted({day for _, day in places})
    is_on = np.array([[day == one for day in dates] for _, one in places])
    per_date = wanted @ is_on.astype(np.int64)
    at_work = np.array([sum(day not in one.off for one in samplers) for day in dates])
    found: Bools = np.asarray((per_date <= at_work).all(axis=1))
    if not _is_bound(samplers, len(dates)):
        return found
    rows, place = np.unique(wanted[found], axis=0, return_inverse=True)
    flows = (_flow(dict(zip(places, row, strict=True)), samplers) for row in rows)
    works = np.array([flow is not None for flow in flows], dtype=bool)
    found[found] = works[place.ravel()]
    return found


def _is_bound(samplers: Sequence[Sampler], n_dates: int) -> bool:
    """Return whether anything but the number at work on a date binds the samplers."""
    return any(
        one.areas or (one.most_shifts is not None and one.most_shifts < n_dates) for one in samplers
    )


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


# Samplers as people write them.

_PARTS = 4
_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def samplers_of(text: str, *, week: str) -> tuple[Sampler, ...]:
    """Return samplers as written, one a line: ``name | areas | days off | most shifts``.

    Parameters
    ----------
    text : str
        Only the name must be there; areas and days off are separated by blanks or commas, days by
        their first three letters: ``Ada | SOR KET | Tue Wed | 4``. Empty lines are left out.
    week : str
        The ISO week whose days are meant.

    Raises
    ------
    UsageError
        If a line has more parts, an unknown weekday, or a number of shifts that is none.
    """
    monday = week_start(week).date()
    lines = [line for line in text.splitlines() if line.strip()]
    return tuple(_sampler_of(line, monday) for line in lines)


def _sampler_of(line: str, monday: date) -> Sampler:
    parts = [part.strip() for part in line.split("|")]
    if len(parts) > _PARTS:
        raise UsageError(
            f"sampler {line!r} has {len(parts)} parts; allowed: name | areas | days off | shifts"
        )
    name, areas, off, most = [*parts, "", "", ""][:_PARTS]
    days = [word.lower()[:3] for word in off.replace(",", " ").split()]
    unknown = [word for word in days if word not in _WEEKDAYS]
    if unknown:
        raise UsageError(f"sampler {name}: no weekday {unknown[0]!r}; allowed: Mon to Sun")
    if most and not (most.isascii() and most.isdecimal()):
        raise UsageError(f"sampler {name}: {most!r} shifts; allowed: a whole number, 1 or more")
    return Sampler(
        name,
        areas=frozenset(areas.replace(",", " ").split()),
        off=frozenset(monday + timedelta(days=_WEEKDAYS.index(word)) for word in days),
        most_shifts=int(most) if most else None,
    )
