"""Which figures to withhold, and which go out as they did before until more forms change them.

**Suppression** takes the fewest, so that every one of them stays unsure. It is a mixed-integer
program (after Fischetti & Salazar 2001, Solving the cell suppression problem on tabular data with
linear constraints, Management Science 47; from memory). A reader knows the published figures, that
sums hold, and that nothing is under 0. What this leaves of a withheld figure is found by linear
programming, and has to reach `PROTECTION` of its value to either side. Where it does not, the
prices (duals) of that program give a row that every safe choice satisfies, and the choice is made
again. The program is solved by HiGHS.

**Late forms**: the difference of two publications of a figure is a cell of its own. It rests on the
boats whose numbers came, went or were corrected between them, and where there are none on those
that count with another weight. On one or two boats the figure of an area and week goes out as it
did before, and with it those of that week that rest on the same boats with other weights: what a
site-day adds to its areas belongs together. Sums of areas and weeks are sums of what goes out.
Every difference of two publications is then a sum of differences that each rest on `FEWEST_BOATS`
or more. What did not change goes out with the interval that it had.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from analytics.errors import BlackmouthError
from analytics.publishing.publications import FEWEST_BOATS, are_alike, sparse_rows, without_rounding
from analytics.publishing.totals import ATOMS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    import pyarrow as pa

    from analytics.arrays import Bools, Floats, Ints
    from analytics.publishing.publications import CellState, Domain, Knowledge, Publication


#: How far the range of a withheld figure reaches to either side at least, relative to it.
PROTECTION = 0.2
#: A withheld 0 that rests on few boats could be this much, or the part above of its sums if less.
OF_NOTHING = 1.0
#: Ranges are made a little wider than they have to be, so that rounding takes nothing.
_ROOM = 1.001
#: What a reader takes for the most that a figure can be: this many times the largest.
_MOST = 10.0
_TOLERANCE = 1e-7
#: What the last figure costs more than its like, relative to the dearest.
_EQUAL = 1e-6
#: Of a range that earlier publications made too narrow, this part is kept; under `_LOST` of what it
#: should be nothing is left to keep.
_REST, _LOST = 0.99, 1e-3
#: Published totals that are sums of several atoms: fish released, and fish met.
_TOGETHER = (
    [ATOMS.index("released_sublegal_fish"), ATOMS.index("released_other_fish")],
    [at for at, name in enumerate(ATOMS) if name.endswith("_fish")],
)
#: Branches of one program; beyond it the best choice so far is taken, which is as safe.
_BRANCHES = 100_000
#: Status of a program that nothing solves.
_INFEASIBLE = 2
#: Programs after which no further row is added.
_ROUNDS = 10_000


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """Which figures of a publication are withheld, shape (D,), and how good that is.

    `weight`: what is lost; `bound`: no safe choice loses less.
    """

    withheld: Bools
    weight: float
    bound: float


def choose(known: Knowledge, weight: Floats) -> Choice:
    """Return the safe choice that loses least.

    Parameters
    ----------
    known : Knowledge
    weight : ndarray of float, shape (D,)
        What is lost with each figure.
    """
    size = len(known.known)
    costs = np.zeros(size)
    # Among equal choices the one whose figures come first.
    order = np.arange(1, len(weight) + 1) / max(len(weight), 1)
    costs[known.variable] = weight + _EQUAL * weight.max(initial=0.0) * order
    low = (known.is_sensitive & ~known.known).astype(float)
    high = (~known.known).astype(float)
    # What earlier publications withheld and this one does not give stays withheld.
    earlier = ~np.isin(np.arange(size), known.variable) & ~known.known
    low[earlier] = 1.0
    if not low.any():
        return Choice(np.zeros(len(weight), dtype=bool), 0.0, 0.0)
    game = _Game.of(known)
    cuts = game.single_sums()
    for _ in range(_ROUNDS):
        solved = _solve(costs, low, high, cuts)
        if solved is None:
            # By rounding no choice keeps to every row: nothing goes out that is not known already.
            mine = (high > 0)[known.variable]
            bound = float(costs @ low)
            return Choice(mine, float(weight[mine].sum()), bound)
        withheld, bound = solved
        found = game.cuts(withheld)
        if not found:
            mine = withheld[known.variable]
            return Choice(mine, float(weight[mine].sum()), bound)
        cuts += found
    raise BlackmouthError("no safe choice of figures to withhold was found")


#: A row of the program: coefficients by unknown, which have to come to at least 0.
_Cut = dict[int, float]


def _solve(
    costs: Floats, low: Floats, high: Floats, cuts: list[_Cut]
) -> tuple[Bools, float] | None:
    """Return the cheapest choice that keeps to some rows and a bound to its cost; None if none."""
    rows = []
    if cuts:
        table = sparse_rows([cut.items() for cut in cuts], len(costs))
        rows = [LinearConstraint(table, lb=0.0)]
    done = milp(
        costs,
        integrality=np.ones(len(costs), dtype=np.int64),
        bounds=Bounds(low, high),
        constraints=rows,
        options={"mip_rel_gap": 0.0, "node_limit": _BRANCHES},
    )
    if done.status == _INFEASIBLE:
        return None
    if done.x is None:
        raise BlackmouthError(f"figures to withhold could not be chosen: {done.message}")
    return done.x > 0.5, float(done.mip_dual_bound)


@dataclass(frozen=True, slots=True, eq=False)
class _Game:
    """What a reader can do: deviations of each unknown that leave every sum as it is.

    `down`, `up` (V, K): how far each can move; `level` (2, V, K): how far it has to be able to, up
    and down.
    """

    known: Knowledge
    down: Floats
    up: Floats
    level: Floats

    @classmethod
    def of(cls, known: Knowledge) -> _Game:
        values = np.abs(known.values)
        most = _MOST * values.max(axis=0, initial=0.0) + _MOST
        up = np.broadcast_to(most, values.shape)
        rise, fall = PROTECTION * values, PROTECTION * values
        smallest = np.full(values.shape, np.inf)
        for k, sums in enumerate(known.sums):
            for row in range(sums.shape[0]):
                places = sums.indices[sums.indptr[row] : sums.indptr[row + 1]]
                largest = values[places, k].max()
                smallest[places, k] = np.minimum(smallest[places, k], largest)
        nothing = np.minimum(OF_NOTHING, PROTECTION * np.where(np.isfinite(smallest), smallest, 0))
        few = known.is_sensitive[:, None] & (values == 0)
        rise = np.where(few, nothing, rise)
        game = cls(known, values, up, _ROOM * np.stack([rise, fall]))
        return game._attainable()

    def _attainable(self) -> _Game:
        """Lower the level of figures that what has already gone out gives away."""
        free = ~self.known.known
        if not self.known.known.any():
            return self
        level = self.level.copy()
        level[:, ~free] = 0.0
        for k in range(self.down.shape[1]):
            for way, at, reach, _ in self._reaches(free, k, level[:, :, k] > 0, level):
                if reach < level[way, at, k]:
                    lost = reach < _LOST * level[way, at, k]
                    level[way, at, k] = 0.0 if lost else _REST * reach
        self._make_up(level, free)
        return _Game(self.known, self.down, self.up, level)

    def _make_up(self, level: Floats, free: Bools) -> None:
        """Raise levels of some values of a figure for what others of a published sum have lost."""
        if level.shape[2] != len(ATOMS):
            return
        for way, at in np.argwhere((level < self.level).any(axis=2) & free).tolist():
            for group in _TOGETHER:
                lacks = float(self.level[way, at, group].sum() - level[way, at, group].sum())
                for k in group if lacks > 0 else ():
                    if level[way, at, k] < self.level[way, at, k]:
                        continue
                    moves, _ = self._moves(free, at, k, way)
                    reach = moves[at] if way == 0 else -moves[at]
                    more = min(lacks, max(_REST * reach - level[way, at, k], 0.0))
                    level[way, at, k] += more
                    lacks -= more

    def single_sums(self) -> list[_Cut]:
        """Return a row for each unknown and sum: what else is withheld has to make up for it."""
        found: dict[tuple[tuple[int, float], ...], None] = {}
        for k, sums in enumerate(self.known.sums):
            row = np.repeat(np.arange(sums.shape[0]), np.diff(sums.indptr))
            for at, line, sign in zip(sums.indices, row, sums.data, strict=True):
                for way in (0, 1):
                    prices = np.zeros(sums.shape[0])
                    prices[line] = sign if way == 0 else -sign
                    cut = self._cut(int(at), k, way, prices)
                    found[tuple(sorted(cut.items()))] = None
        return [dict(one) for one in found if one]

    def cuts(self, withheld: Bools) -> list[_Cut]:
        """Return rows that a choice breaks; none where every withheld figure is safe."""
        found: list[_Cut] = []
        for k in range(self.down.shape[1]):
            asked = (self.level[:, :, k] > 0) & withheld
            for way, at, reach, prices in self._reaches(withheld, k, asked, self.level):
                if reach < self.level[way, at, k] * (1 - _TOLERANCE):
                    found.append(self._cut(at, k, way, prices))
        return found

    def _reaches(
        self, free: Bools, k: int, asked: Bools, level: Floats
    ) -> Iterator[tuple[int, int, float, Floats]]:
        """Yield way and place of figures, how far each can move, and the prices of that.

        What moves one figure as far as `level` often moves others, too, and serves for them. Of
        `asked` (2, V) nothing is left.
        """
        while asked.any():
            way, at = map(int, np.unravel_index(int(np.argmax(asked)), asked.shape))
            moves, prices = self._moves(free, at, k, way)
            yield way, at, moves[at] if way == 0 else -moves[at], prices
            asked[way, at] = False
            asked &= np.stack([moves, -moves]) < level[:, :, k]

    def _moves(self, withheld: Bools, at: int, k: int, way: int) -> tuple[Floats, Floats]:
        """Return the moves of all unknowns that take a withheld one farthest; prices of sums."""
        free = np.flatnonzero(withheld)
        matrix = self.known.sums[k][:, free]
        rows = np.flatnonzero(np.diff(matrix.indptr))
        goal = np.zeros(len(free))
        goal[np.searchsorted(free, at)] = -1.0 if way == 0 else 1.0
        ends = zip((-self.down[free, k]).tolist(), self.up[free, k].tolist(), strict=True)
        done = linprog(
            goal, A_eq=matrix[rows].toarray(), b_eq=np.zeros(len(rows)), bounds=list(ends)
        )
        prices = np.zeros(matrix.shape[0])
        prices[rows] = -np.asarray(done.eqlin.marginals)
        moves = np.zeros(len(withheld))
        moves[free] = done.x
        return moves, prices

    def _cut(self, at: int, k: int, way: int, prices: Floats) -> _Cut:
        """Return the row that prices give: if `at` is withheld, the others have to allow for it."""
        level = self.level[way, at, k]
        if level <= 0:
            return {}
        cost = -self.known.sums[k].T @ prices
        cost[at] += 1.0 if way == 0 else -1.0
        reach = np.where(cost > 0, cost * self.up[:, k], -cost * self.down[:, k])
        reach = np.where(np.abs(cost) < 1e-11, 0.0, reach)
        reach[self.known.known] = 0.0
        share = np.minimum(reach / level, 1.0)
        share[at] -= 1.0
        return {int(one): float(share[one]) for one in np.flatnonzero(share)}


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
