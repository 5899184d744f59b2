"""An attacker who has the published files alone, and says what they leave of a withheld figure.

Written apart from the product's own program: all totals in one system of equations, as they stand
in the files, with the sums and identities that anyone can read in the documents. It is given which
figures of a week later publications revised, which is more than a reader knows. Figures of the
season so far are new in each: that one did not change would tell that a withheld week holds
nothing.

Ends of intervals give the standard errors of what is shown: it is given how, which no file says.
Variances add up as their figures do where samples are independent (it is given where), which bounds
the variance of a withheld figure; and a total of what cannot be negative is no less than its
standard error (all of it in one unit of a sample).

The difference of two publications of a figure is attacked as a figure of its own, where few boats
came, went or were corrected between them (it is given which): it has to stay a fifth unsure, too.

Whether a figure is safe is decided by witnesses: what anyone could take for the figures, keeping to
all that is known, with this one a fifth above or below. One witness serves many figures. Where none
is found the range itself is, by linear programming.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.optimize import linprog
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

Key = tuple[str, str, str]
Line = dict[int, float]
#: Standard error and interval of a figure as they were estimated.
Error = tuple[float, float, float]
TOTALS = ("boat_trips", "angler_trips", "angler_hours", "kept_fish", "released_sublegal_fish")
TOTALS += ("released_fish", "encounter_fish")
RATIOS = {
    "kept_per_angler_trip": ("kept_fish", "angler_trips"),
    "encounters_per_angler_hour": ("encounter_fish", "angler_hours"),
    "sublegal_prop": ("released_sublegal_fish", "encounter_fish"),
}
#: What a total is known to be made of, as far as it is published.
PARTS = {
    "released_fish": ("released_sublegal_fish",),
    "encounter_fish": ("kept_fish", "released_fish"),
}
#: Written numbers are rounded to six places; a sum of some is off by so much for each, some more
#: since the solver is no more exact.
ROUNDED, SOLVER = 5e-7, 1e-6
#: Witnesses by chance, before figures are looked at one by one; no figure is taken for more than so
#: many times the largest.
N_WITNESSES, MOST = 12, 10.0
#: Digits of the ends of intervals that go out.
END_DIGITS = 8


def read(files: dict[str, bytes]) -> pd.DataFrame:
    """Return the published figures by area, week and quantity; a missing one is ''."""
    table = pd.read_csv(io.BytesIO(files["figures.csv"]), keep_default_na=False, dtype=str)
    for name in ("estimate", "ci_low", "ci_high"):
        table[name] = pd.to_numeric(table[name])
    return table.set_index(["area", "week", "quantity"])


@dataclass
class Found:
    """One withheld figure: what it is, and what is left of it."""

    place: int
    week: int
    key: Key
    truth: float
    low: float
    high: float

    @property
    def slack(self) -> float:
        """What rounding makes of the figure."""
        return slack_of(self.truth)

    @property
    def is_safe(self) -> bool:
        """Whether it stays unsure by a fifth to either side."""
        is_low = self.low <= 0.8 * self.truth + self.slack
        return is_low and self.high >= 1.2 * self.truth - self.slack

    def is_like(self, best: Found) -> bool:
        """Whether next to nothing is lost of the most that can be left."""
        low, high = max(best.low, 0.8 * self.truth), min(best.high, 1.2 * self.truth)
        is_low = self.truth - self.low >= 0.9 * (self.truth - low) - self.slack
        return is_low and self.high - self.truth >= 0.9 * (high - self.truth) - self.slack


def slack_of(truth: float) -> float:
    """Return what rounding makes of a figure."""
    return 1e-4 + 1e-6 * truth


@dataclass(frozen=True, eq=False)
class System:
    """Rows that deviations from the truth keep to, and how far each figure may go down and up."""

    place: np.ndarray
    rows: csr_array
    below: np.ndarray
    above: np.ndarray
    down: np.ndarray
    up: np.ndarray

    def parts(self) -> Iterator[System]:
        """Yield what hangs together, each on its own."""
        count, part = connected_components(abs(self.rows).T @ abs(self.rows), directed=False)
        row_part = part[self.rows.indices[self.rows.indptr[:-1]]] if self.rows.shape[0] else []
        for one in range(count):
            mine, rows = np.flatnonzero(part == one), np.flatnonzero(row_part == one)
            yield System(
                self.place[mine],
                self.rows[rows][:, mine],
                self.below[rows],
                self.above[rows],
                self.down[mine],
                self.up[mine],
            )

    def farthest(self, goal: np.ndarray) -> np.ndarray:
        """Return the deviations that go farthest toward a goal."""
        kept = np.isfinite(self.above)
        done = linprog(
            -goal,
            A_ub=_stacked(self.rows[kept], -self.rows),
            b_ub=np.concatenate([self.above[kept], -self.below]),
            bounds=np.stack([self.down, self.up], axis=1),
        )
        assert done.status == 0, done.message
        return done.x


def _stacked(above: csr_array, below: csr_array) -> csr_array:
    from scipy.sparse import vstack

    return csr_array(vstack([above, below]))


class Variances:
    """What ends of intervals give: variances of what is shown, and sums that they stand in."""

    def __init__(self) -> None:
        self.truth: list[float] = []
        self.of: dict[tuple[int, float], int] = {}
        self.ends: dict[int, tuple[float, float]] = {}
        self.sums: dict[frozenset[tuple[int, float]], None] = {}
        self.place: list[int] = []

    def hear(self, mine: Mapping[Key, int], figures: pd.DataFrame, errors: Mapping[Key, Error]):
        """Take in the intervals of a publication."""
        at = {}
        for key, (se, _, _) in errors.items():
            unknown = (mine[key], round(se, 9))
            if unknown not in self.of:
                self.of[unknown] = len(self.truth)
                self.truth.append(se**2)
                self.place.append(mine[key])
            at[key] = self.of[unknown]
        shown = figures[figures["ci_low"].notna()]
        cells = zip(shown.index, shown["estimate"], shown["ci_low"], shown["ci_high"], strict=True)
        for key, estimate, low, high in cells:
            if key in at and estimate > 0 and errors[key][0] > 0:
                found = errors_within(estimate, low, high, errors[key])
                before = self.ends.get(at[key], (0.0, np.inf))
                self.ends[at[key]] = (max(found[0], before[0]), min(found[1], before[1]))
        for margin, parts in sums_of(mine):
            keys = {margin, *parts}
            if not keys <= set(at):
                continue
            total = self.truth[at[margin]]
            if abs(total - sum(self.truth[at[one]] for one in parts)) <= 1e-6 * total:
                line = {at[margin]: 1.0} | {at[one]: -1.0 for one in parts}
                self.sums.setdefault(frozenset(line.items()))

    def least(self, targets: Iterable[int]) -> dict[int, float]:
        """Return the least standard error that is left of each withheld figure; 0 is left out."""
        truth, scale = np.array(self.truth), max(self.truth, default=0.0) or 1.0
        if not self.sums:
            return {}
        low, high = np.zeros(len(truth)), np.full(len(truth), MOST * scale)
        for at, (least, most) in self.ends.items():
            low[at], high[at] = least**2, most**2
        cells = [(row, at, v) for row, line in enumerate(self.sums) for at, v in line]
        rows, columns, values = zip(*cells, strict=True)
        matrix = csr_array(coo_array((values, (rows, columns)), (len(self.sums), len(truth))))
        slack = 1e-5 * (abs(matrix) @ truth) + 1e-9
        system = System(np.arange(len(truth)), matrix, -slack, slack, low - truth, high - truth)
        asked = np.isin(self.place, list(targets)) & (low == 0)
        found: dict[int, float] = {}
        for part in system.parts():
            mine = asked[part.place]
            if not mine.any() or not part.rows.shape[0]:
                continue
            size = truth[part.place]
            least = size + part.farthest(-1.0 * mine / np.maximum(size, 1e-3 * size.max()))
            for at in np.flatnonzero(mine & (least > 1e-6 * size)):
                goal = np.zeros(len(size))
                goal[at] = -1.0
                variance = size[at] + part.farthest(goal)[at]
                place = self.place[part.place[at]]
                found[place] = max(found.get(place, 0.0), math.sqrt(max(variance, 0.0)))
        return found


def errors_within(estimate: float, low: float, high: float, error: Error) -> tuple[float, float]:
    """Return between what the standard error is by the published ends of an interval."""
    se, *ends = error
    least, most = 0.0, np.inf
    for shown, end in zip((low, high), ends, strict=True):
        if not shown > 0 or not end > 0 or abs(math.log(end / estimate)) < 1e-9:
            continue
        # The end is as far out as shown, or nearer by less than one of its last digit.
        step = 10.0 ** (math.floor(math.log10(end)) - END_DIGITS + 1) + 1e-6
        inner = max(shown - step, 1e-300) if shown > estimate else shown + step
        size = abs(math.log(end / estimate))
        inside = max(math.log(inner / estimate) * (1 if shown > estimate else -1), 0.0)
        least = max(least, se * inside / size)
        most = min(most, se * abs(math.log(shown / estimate)) / size)
    # What the ends are off by themselves is no contradiction.
    return min(least, se), max(most, se)


def sums_of(mine: Iterable[Key]) -> list[tuple[Key, list[Key]]]:
    """Return every sum that a publication's figures stand in: the margin, and its parts."""
    by_area: dict[Key, list[Key]] = {}
    by_week: dict[Key, list[Key]] = {}
    for area, week, quantity in mine:
        if area:
            by_area.setdefault(("", week, quantity), []).append((area, week, quantity))
        if week:
            by_week.setdefault((area, "", quantity), []).append((area, week, quantity))
    every = [*by_area.items(), *by_week.items()]
    return [(margin, parts) for margin, parts in every if margin in mine]


class Attack:
    """Everything published of a season so far, as equations between what is not known."""

    def __init__(self) -> None:
        self.variances = Variances()
        self.known: dict[int, float] = {}
        self.since: dict[int, int] = {}
        self.truth: list[float] = []
        self.places: dict[Key, list[tuple[int, list[int | None]]]] = {}
        self.withheld: dict[int, tuple[int, Key]] = {}
        #: The unknown of each figure of each publication.
        self.heard: list[dict[Key, int]] = []
        #: Each with the publication that first gave it.
        self.equations: dict[frozenset[tuple[int, float]], int] = {}
        self.at_least: dict[frozenset[tuple[int, float]], int] = {}
        self.week = -1
        #: The least standard error left of a withheld figure.
        self.least: dict[int, float] = {}

    def hear(
        self, figures: pd.DataFrame, truths: Mapping[Key, float], errors: Mapping[Key, Error]
    ) -> None:
        """Take in one publication; `truths` of every total, those not shown included."""
        self.week += 1
        mine = self._unknowns(truths)
        self.heard.append(mine)
        cells = zip(figures.index, figures["estimate"], figures["status"], strict=True)
        for key, estimate, status in cells:
            if key[2] not in TOTALS:
                continue
            if not np.isnan(estimate):
                self.known[mine[key]] = estimate
                self.since.setdefault(mine[key], self.week)
            elif status == "suppressed" and key in mine:
                self.withheld[mine[key]] = (self.week, key)
        self._sums(mine)
        self.variances.hear(mine, figures, errors)
        self._identities(mine, figures["estimate"].to_dict())

    def _unknowns(self, truths: Mapping[Key, float]) -> dict[Key, int]:
        """Return the unknown of each figure: of a week an earlier one where it was not revised."""
        mine: dict[Key, int] = {}
        for name in TOTALS:  # parts before their sums
            for key, value in truths.items():
                if key[2] == name:
                    # A sum whose parts were revised is another, even if it comes to the same.
                    parts = [mine.get((*key[:2], one)) for one in PARTS.get(name, ())]
                    mine[key] = self._unknown(key, value, parts)
        return mine

    def _unknown(self, key: Key, value: float, parts: list[int | None]) -> int:
        found = self.places.setdefault(key, [])
        for place, of in found if key[1] else ():
            if of == parts and abs(self.truth[place] - value) <= 1e-8 * (1 + abs(value)):
                return place
        found.append((len(self.truth), parts))
        self.truth.append(value)
        return len(self.truth) - 1

    def _sums(self, mine: dict[Key, int]) -> None:
        for margin, parts in sums_of(mine):
            self._equation({mine[margin]: 1.0} | {mine[one]: -1.0 for one in parts})

    def _identities(self, mine: dict[Key, int], shown: Mapping[Key, float]) -> None:
        for area, week in {key[:2] for key in mine}:
            at = {name: mine[area, week, name] for name in TOTALS if (area, week, name) in mine}
            if len(at) < len(TOTALS):
                continue
            met, kept = at["encounter_fish"], at["kept_fish"]
            released, sublegal = at["released_fish"], at["released_sublegal_fish"]
            self._equation({met: 1.0, kept: -1.0, released: -1.0})
            line = frozenset({released: 1.0, sublegal: -1.0}.items())
            self.at_least.setdefault(line, -1)
            for name, (above, below) in RATIOS.items():
                value = shown.get((area, week, name), np.nan)
                # Only a ratio with a part that is not shown tells anything.
                if not np.isnan(value) and not {at[above], at[below]} <= set(self.known):
                    self._equation({at[above]: 1.0, at[below]: -value}, since=self.week)

    def _equation(self, line: Line, *, since: int = -1) -> None:
        self.equations.setdefault(frozenset(line.items()), since)

    def unsafe(
        self,
        figures: pd.DataFrame,
        truths: Mapping[Key, float],
        errors: Mapping[Key, Error] = MappingProxyType({}),
    ) -> list[Found]:
        """Take in one publication, and return the withheld figures that it leaves too sure.

        What earlier publications gave away (the season so far is never less than its weeks, one
        figure of a domain whose others were revised) has to stay as unsure as if nothing of this
        one had gone out.
        """
        self.hear(figures, truths, errors)
        self.least = self.variances.least(self.targets)
        narrow = [one for one in self.ranges(self.without_witness()) if not one.is_safe]
        best = self.ranges([one.place for one in narrow], is_silent=True)
        before = {one.place: one for one in best}
        return [one for one in narrow if not one.is_like(before[one.place])]

    @property
    def targets(self) -> list[int]:
        """The withheld figures, by their places."""
        return [place for place in self.withheld if place not in self.known]

    def ranges(self, places: Iterable[int], *, is_silent: bool = False) -> list[Found]:
        """Return what is left of some withheld figures by linear programming.

        `is_silent`: as if nothing of the last publication had gone out.
        """
        left = set(places)
        found = []
        for part in self.system(is_silent=is_silent).parts() if left else ():
            for at in np.flatnonzero(np.isin(part.place, list(left))):
                goal = np.zeros(len(part.place))
                goal[at] = 1.0
                place = int(part.place[at])
                truth = self.truth[place]
                low, high = (truth + part.farthest(way * goal)[at] for way in (-1.0, 1.0))
                found.append(Found(place, *self.withheld[place], truth, low, high))
        return found

    def differences(self, pairs: Iterable[tuple[int, int]]) -> list[Found]:
        """Return what is left of differences of two unknowns, those that are not safe.

        `pairs`: places of an earlier and of a later publication's figure of one domain.
        """
        found, parts = [], list(self.system().parts())
        for then, now in pairs:
            size = self.truth[now] - self.truth[then]
            ends = []
            for way in (-1.0, 1.0):
                end = 0.0
                for part in parts:
                    goal = way * (1.0 * (part.place == now) - 1.0 * (part.place == then))
                    end += goal @ part.farthest(goal) if goal.any() else 0.0
                ends.append(end)
            key = next(key for key, place in self.heard[-1].items() if place == now)
            one = Found(now, self.week, key, abs(size), abs(size) - ends[0], abs(size) + ends[1])
            if not one.is_safe:
                found.append(one)
        return found

    def without_witness(self) -> list[int]:
        """Return the withheld figures that no witness shows to be safe."""
        rng = np.random.default_rng(self.week)
        truth, targets, left = np.array(self.truth), np.array(self.targets, dtype=int), []
        for part in self.system().parts():
            size = truth[part.place]
            want = 0.2 * size - slack_of(size)
            is_target = np.isin(part.place, targets)
            lacks = np.stack([is_target & (want > 0)] * 2)
            for _ in range(N_WITNESSES):
                if not lacks.any():
                    break
                # Those that lack one are pulled where they lack it, the others at random.
                pull = rng.choice([-1.0, 1.0], len(size)) * 0.1
                way = np.where(lacks[0] & lacks[1], pull * 10, lacks[0] * 1.0 - lacks[1])
                pull = np.where(lacks.any(axis=0), way, pull) * rng.uniform(0.5, 1.0, len(size))
                moved = part.farthest(pull / np.maximum(size, 1e-3 * size.max(initial=1.0)))
                lacks &= np.stack([moved, -moved]) < want
            left += part.place[lacks.any(axis=0)].tolist()
        return left

    def system(self, *, is_silent: bool = False) -> System:
        """Return what is known of the figures that are not; the truth keeps to it (asserted)."""
        last = self.week if is_silent else self.week + 1
        known = {place: one for place, one in self.known.items() if self.since[place] < last}
        place = np.array([one for one in range(len(self.truth)) if one not in known], dtype=int)
        column = {int(one): at for at, one in enumerate(place)}
        cells: list[tuple[int, int, float]] = []
        below, above = [], []
        for lines, is_equal in ((self.equations, True), (self.at_least, False)):
            for line, since in lines.items():
                mine = [(column[one], value) for one, value in line if one in column]
                if not mine or since >= last:
                    continue
                # How far the sum of what is known is off the true one: at most by rounding.
                off = sum(v * (known[p] - self.truth[p]) for p, v in line if p in known)
                off += sum(v * self.truth[p] for p, v in line)
                slack = SOLVER + sum(ROUNDED * abs(v) for p, v in line if p in known)
                slack += sum(ROUNDED * self.truth[p] for p, v in line if abs(v) != 1)  # a ratio
                cells += [(len(below), at, value) for at, value in mine]
                below.append(-off - slack)
                above.append(-off + slack if is_equal else np.inf)
                assert below[-1] <= 1e-5, "what is published contradicts the truth"
                assert above[-1] >= -1e-5, "what is published contradicts the truth"
        rows, columns, values = zip(*cells, strict=True) if cells else ((), (), ())
        matrix = csr_array(coo_array((values, (rows, columns)), shape=(len(below), len(place))))
        truth = np.array(self.truth)[place] if len(place) else np.zeros(0)
        most = np.full(len(place), MOST * (1.0 + max(self.truth, default=0.0)))
        least = np.array([0.0 if is_silent else self.least.get(int(p), 0.0) for p in place])
        # Where errors are borrowed, one may be more than its figure.
        down = np.where(least < truth, least - truth, -truth)
        return System(place, matrix, np.minimum(below, 0.0), np.maximum(above, 0.0), down, most)


def range_of(
    cell: tuple[str, str],
    shown: dict[tuple[str | None, str | None], float],
    hidden: set[tuple[str, str]],
) -> tuple[float, float]:
    """Return what a plain table leaves of one hidden cell, where all margins are shown."""
    free = sorted(hidden)
    lines, right = [], []
    for at in (0, 1):
        for name in sorted({one[at] for one in free}):
            margin = (name, None) if at == 0 else (None, name)
            given = sum(v for k, v in shown.items() if k[at] == name and None not in k)
            lines.append([float(one[at] == name) for one in free])
            right.append(shown[margin] - given)
    goal = np.array([float(one == cell) for one in free])
    ends = [sign * linprog(sign * goal, A_eq=lines, b_eq=right).fun for sign in (1, -1)]
    return ends[0], ends[1]
