r"""Which figures to withhold: the fewest, so that every one of them stays unsure.

Cell suppression as a mixed-integer program (after Fischetti & Salazar 2001, Solving the cell
suppression problem on tabular data with linear constraints, Management Science 47; from memory). A
reader knows the published figures, that sums hold, and that nothing is under 0. What this leaves
of a withheld figure is found by linear programming, and has to reach `PROTECTION` of its value to
either side. Where it does not, the prices (duals) of that program give a row that every safe choice
satisfies, and the choice is made again. The program is solved by HiGHS.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from analytics.errors import BlackmouthError
from analytics.publishing.knowledge import sparse_rows
from analytics.publishing.totals import ATOMS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analytics.arrays import Bools, Floats
    from analytics.publishing.knowledge import Knowledge

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
