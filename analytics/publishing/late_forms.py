"""Late forms: figures that go out as they did before until forms of three boats change them.

The difference of two publications of a figure is a cell of its own. It rests on the boats whose
numbers came, went or were corrected between them, and where there are none on those that count with
another weight. On one or two boats the figure of an area and week goes out as it did before, and
with it those of that week that rest on the same boats with other weights: what a site-day adds to
its areas belongs together. Sums of areas and weeks are sums of what goes out. Every difference of
two publications is then a sum of differences that each rest on `FEWEST_BOATS` or more. What did not
change goes out with the interval that it had.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.publishing.knowledge import FEWEST_BOATS, are_alike, without_rounding

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import pyarrow as pa

    from analytics.arrays import Floats, Ints
    from analytics.publishing.knowledge import CellState, Domain, Publication


@dataclass(frozen=True, slots=True, eq=False)
class _Version:
    """What a figure of an area and week was in some publication, or that it was not there."""

    values: Floats
    boats: int
    state: CellState | None
    is_there: bool = True

    def is_same(self, other: _Version) -> bool:
        """Whether another version is this one but for rounding."""
        return self.is_there == other.is_there and are_alike(self.values, other.values)


def keep_published(
    now: Publication, before: Sequence[Publication]
) -> tuple[Publication, dict[Domain, CellState], int]:
    """Return a publication with figures as they went out where few boats changed them.

    Parameters
    ----------
    now : Publication
        As it is estimated, with the `states` of every area and week.
    before : sequence of Publication
        Those of the season that went out, in their order. What an older program published says
        nothing of boats: its figures are not compared.

    Returns
    -------
    Publication, dict of (area or None, week or None) to CellState, int
        With the domains that go out as they did before, unchanged ones too, and how many areas and
        weeks are kept.
    """
    states = now.states or {}
    cells = {
        domain: _Version(values, int(boats), states.get(domain))
        for domain, values, boats in zip(now.domains, now.values, now.boats, strict=True)
        if None not in domain
    }
    nothing = _Version(np.zeros(now.values.shape[1]), 0, None, is_there=False)
    kept: dict[Domain, _Version] = {}
    of_weights: dict[Domain, _Version] = {}
    went_out = _versions(before, nothing, now.domains)
    for domain, versions in went_out.items():
        mine = cells.get(domain, nothing)
        if None in domain or (domain[1] or "") > now.through:
            continue
        is_new = not any(one.is_same(mine) for one in versions)
        differ = [_difference(mine, one) for one in versions] if is_new else []
        if any(one.n_boats < FEWEST_BOATS for one in differ):
            kept[domain] = versions[-1]
        if differ and differ[-1].is_of_weights:
            of_weights[domain] = versions[-1]
    # What one site-day adds to its areas belongs together: here all of it waits.
    waiting = {week for _, week in kept}
    kept |= {domain: one for domain, one in of_weights.items() if domain[1] in waiting}
    made = _with(now, cells, kept, nothing)
    old: dict[Domain, CellState] = {}
    for domain, values in zip(made.domains, made.values, strict=True):
        for one in went_out.get(domain, ()):
            if one.is_there and one.state is not None and are_alike(one.values, values):
                old[domain] = one.state
    return made, old, len(kept)


def _versions(
    before: Sequence[Publication], nothing: _Version, domains: Iterable[Domain]
) -> dict[Domain, list[_Version]]:
    """Return the versions of each domain that went out, the one that was last at the end."""
    earlier = [one for published in before for one in published.domains]
    found: dict[Domain, list[_Version]] = {one: [] for one in (*domains, *earlier)}
    for published in before:
        if published.states is None:
            continue
        place = {domain: at for at, domain in enumerate(published.domains)}
        for domain, versions in found.items():
            if (domain[1] or "") > published.through:
                continue
            new, at = nothing, place.get(domain)
            if at is not None:
                state = published.states.get(domain)
                new = _Version(published.values[at], int(published.boats[at]), state)
            same = next((one for one in versions if one.is_same(new)), new)
            versions[:] = [*(one for one in versions if one is not same), same]
    return found


@dataclass(frozen=True, slots=True)
class _Difference:
    """What the difference of two versions rests on.

    `n_boats`: the fewest boats of any total; `is_of_weights`: their numbers are the same, and what
    they count with is not.
    """

    n_boats: int
    is_of_weights: bool


def _difference(now: _Version, then: _Version) -> _Difference:
    atoms = [at for at in range(len(now.values)) if not are_alike(now.values[at], then.values[at])]
    numbers = [_n_between(now, then, [f"y{at}"]) for at in atoms]
    weights = [_n_between(now, then, [f"y{at}", f"c{at}"]) for at in atoms]
    fewest = [one or other for one, other in zip(numbers, weights, strict=True)]
    return _Difference(min(fewest, default=FEWEST_BOATS), not any(numbers))


def _n_between(now: _Version, then: _Version, columns: list[str]) -> int:
    """Count boats that differ in some columns."""
    new, old = (_counted(_boats(one), ["sample_id", *columns]) for one in (now, then))
    return max((new - old).total(), (old - new).total())


def _boats(version: _Version) -> pa.Table | None:
    return None if version.state is None else version.state.boats


def _counted(boats: pa.Table | None, columns: list[str]) -> Counter[tuple[object, ...]]:
    if boats is None:
        return Counter()
    rows = zip(*(boats[one].to_pylist() for one in columns), strict=True)
    return Counter(
        (unit, *map("{:.9g}".format, numbers)) for unit, *numbers in rows if None not in numbers
    )


def _with(
    now: Publication,
    cells: Mapping[Domain, _Version],
    kept: Mapping[Domain, _Version],
    nothing: _Version,
) -> Publication:
    """Return a publication whose kept figures, and the sums that they stand in, are the old ones.

    A sum counts the boats of its parts without those that came to a kept one, at least.
    """
    values = dict(zip(now.domains, now.values.copy(), strict=True))
    boats = dict(zip(now.domains, now.boats.tolist(), strict=True))
    for (area, week), old in kept.items():
        new = cells.get((area, week), nothing)
        there, was = (_counted(_boats(one), ["sample_id", "y0"]) for one in (new, old))
        more = (there - was).total()
        for margin in ((area, None), (None, week), (None, None)):
            values[margin] = values.get(margin, nothing.values) + old.values - new.values
            boats[margin] = max(boats.get(margin, old.boats) - more, 0)
        values[area, week], boats[area, week] = old.values, old.boats
        if not old.is_there:
            del values[area, week], boats[area, week]
    for area, week in [one for one in kept if one not in values]:
        for margin in ((area, None), (None, week)):
            is_empty = not any(None not in one and set(margin) & set(one) for one in values)
            if is_empty and margin in values:
                del values[margin], boats[margin]
    order = sorted(values, key=lambda one: (one[0] or "", one[1] or ""))
    table = np.array([values[one] for one in order], dtype=float).reshape(-1, now.values.shape[1])
    # What is taken from a sum may be all that its column has: what rounding leaves is no total.
    terms = np.array([*now.values, *(one.values for one in kept.values())])
    table = without_rounding(table, terms.reshape(-1, now.values.shape[1]))
    counted: Ints = np.array([boats[one] for one in order], dtype=np.int64)
    return replace(
        now,
        domains=tuple(order),
        values=table,
        boats=counted,
        shown=np.ones(len(order), dtype=bool),
    )
