"""What the public can know: figures of every publication of a season, and the sums they stand in.

A week's figure that two publications give alike is one unknown; one that was revised is two. A
figure of the season so far is one of each publication. Sums tie them: areas to all areas, weeks to
the season, in every publication.

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
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.sparse import csr_array

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import pyarrow as pa

    from analytics.arrays import Bools, Floats, Ints

#: Area and week of a figure; None for all areas, and for the season so far.
Domain = tuple[str | None, str | None]

#: Boats that a published figure rests on at least (shared by fisheries as the rule of three; that
#: it holds for boats of anglers is our choice).
FEWEST_BOATS = 3
#: Relative difference under which a figure was not revised.
_ALIKE = 1e-9


def are_alike(one: Floats, other: Floats) -> bool:
    """Whether figures are the same but for rounding."""
    return np.allclose(one, other, rtol=_ALIKE, atol=0)


@dataclass(frozen=True, slots=True, eq=False)
class CellState:
    """What the figures of a domain stand on, and how they went out.

    Parameters
    ----------
    boats : pyarrow.Table
        Of an area and week, one row a boat that counts: ``sample_id``, its numbers ``y0``, ``y1``,
        … by atom, null where it gave none, and what its site-day adds to the figure, ``c0``, ….
    rows : list of dict
        Result rows of the published quantities.
    """

    boats: pa.Table
    rows: list[dict[str, Any]]


@dataclass(frozen=True, slots=True, eq=False)
class Publication:
    """One publication of a season, with what it withheld.

    Parameters
    ----------
    season, through : str
        Season, and the last ISO week in it.
    domains : tuple of (area or None, week or None), length D
    values : ndarray of float, shape (D, K)
        Totals that add up, as `analytics.publishing.totals.ATOMS`; of partial domains too.
    boats : ndarray of int, shape (D,)
        Interviewed boats that a domain rests on, donors' boats where it is imputed.
    shown : ndarray of bool, shape (D,)
        Domains whose figures went out.
    states : mapping of (area or None, week or None) to CellState, optional
        Of domains whose figures no publication before had so; None: an older program published and
        kept none.
    """

    season: str
    through: str
    domains: tuple[Domain, ...]
    values: Floats
    boats: Ints
    shown: Bools
    states: Mapping[Domain, CellState] | None = None

    @property
    def is_sensitive(self) -> Bools:
        """Domains that rest on too few boats; none seen and nothing estimated tells of nobody."""
        few = (self.boats > 0) & (self.boats < FEWEST_BOATS)
        found: Bools = few | ((self.boats == 0) & (self.values != 0).any(axis=1))
        return found

    def is_same(self, other: Publication) -> bool:
        """Whether another publication is of the same figures on the same boats."""
        return (
            (self.season, self.through, self.domains)
            == (other.season, other.through, other.domains)
            and np.array_equal(self.boats, other.boats)
            and are_alike(self.values, other.values)
        )


@dataclass(frozen=True, slots=True, eq=False)
class Knowledge:
    """V unknowns with K values each, what ties them, and what earlier publications gave away.

    `variable` (D,): the unknown of each domain of the publication in hand. `known` (V,): given in
    an earlier publication. `is_sensitive` (V,): on too few boats. `sums`: one (R, V) for each of
    the K values, whose rows come to 0: a margin less what it is the sum of, and a figure less the
    same figure of another publication, where only other values of the domain were revised.
    """

    variable: Ints
    values: Floats
    known: Bools
    is_sensitive: Bools
    sums: tuple[csr_array, ...]


def knowledge(now: Publication, before: Sequence[Publication]) -> Knowledge:
    """Return what the public can know of a publication and of those before it."""
    found: dict[Domain, list[int]] = {}
    values: list[Floats] = []
    known: set[int] = set()
    sensitive: set[int] = set()
    lines: dict[tuple[tuple[int, float], ...], None] = {}
    variable: dict[Domain, int] = {}
    for one in (*before, now):
        variable = {}
        for domain, row in zip(one.domains, one.values, strict=True):
            # That the season so far did not change would tell that a withheld week holds nothing.
            if domain[1] is None:
                found.pop(domain, None)
            variable[domain] = _unknown(domain, row, found, values)
        place = np.array([variable[domain] for domain in one.domains], dtype=np.int64)
        sensitive |= set(place[one.is_sensitive].tolist())
        if one is not now:
            known |= set(place[one.shown].tolist())
        lines |= dict.fromkeys(_lines(variable))
    size, n_values = len(values), now.values.shape[1]
    every = np.array(values, dtype=float).reshape(size, n_values)
    return Knowledge(
        variable=np.array([variable[domain] for domain in now.domains], dtype=np.int64),
        values=every,
        known=np.isin(np.arange(size), list(known)),
        is_sensitive=np.isin(np.arange(size), list(sensitive)),
        sums=tuple(
            _matrix([*lines, *_alike(found, every[:, value])], size) for value in range(n_values)
        ),
    )


def _unknown(
    domain: Domain, row: Floats, found: dict[Domain, list[int]], values: list[Floats]
) -> int:
    """Return the unknown of a domain's figures, a new one where they were revised."""
    mine = found.setdefault(domain, [])
    for one in mine:
        if are_alike(values[one], row):
            return one
    mine.append(len(values))
    values.append(np.asarray(row, dtype=float))
    return mine[-1]


def _alike(found: dict[Domain, list[int]], value: Floats) -> list[tuple[tuple[int, float], ...]]:
    """Return each unknown less the one before it of its domain that has the same value."""
    lines: list[tuple[tuple[int, float], ...]] = []
    for mine in found.values():
        for at, one in enumerate(mine):
            same = (
                other
                for other in reversed(mine[:at])
                if np.isclose(value[other], value[one], rtol=_ALIKE, atol=0)
            )
            other = next(same, None)
            if other is not None:
                lines.append(((one, 1.0), (other, -1.0)))
    return lines


def _lines(variable: dict[Domain, int]) -> list[tuple[tuple[int, float], ...]]:
    """Return every sum of a publication, the margin first."""
    parts: dict[Domain, list[list[int]]] = {}
    by_area: dict[Domain, list[int]] = {}
    by_week: dict[Domain, list[int]] = {}
    for (area, week), place in variable.items():
        if area is not None:
            by_area.setdefault((None, week), []).append(place)
        if week is not None:
            by_week.setdefault((area, None), []).append(place)
    for group in (by_area, by_week):
        for margin, cells in group.items():
            parts.setdefault(margin, []).append(sorted(cells))
    return [
        ((variable[margin], 1.0), *((cell, -1.0) for cell in cells))
        for margin, groups in parts.items()
        if margin in variable
        for cells in groups
    ]


def _matrix(lines: list[tuple[tuple[int, float], ...]], size: int) -> csr_array:
    row = [at for at, line in enumerate(lines) for _ in line]
    column = [place for line in lines for place, _ in line]
    sign = [one for line in lines for _, one in line]
    return csr_array((sign, (row, column)), shape=(len(lines), size))


# Figures that went out already: kept until forms of three boats change them.


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
    table[np.abs(table) < 1e-9 * np.abs(table).max(axis=0, initial=0.0)] = 0.0
    counted: Ints = np.array([boats[one] for one in order], dtype=np.int64)
    return replace(
        now,
        domains=tuple(order),
        values=table,
        boats=counted,
        shown=np.ones(len(order), dtype=bool),
    )
