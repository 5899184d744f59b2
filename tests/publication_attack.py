"""An attacker who has the published files alone, and says what they leave of a withheld figure.

Written apart from the product's own program: all totals in one linear program, as they stand in the
files, with the sums and identities that anyone can read in the documents. It is told which
figures of a week later publications revised, which is more than a reader knows. Figures of the
season so far are new in each: that one did not change would tell that a withheld week holds
nothing.
"""

from __future__ import annotations

import copy
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.optimize import linprog
from scipy.sparse import coo_array

if TYPE_CHECKING:
    from collections.abc import Sequence

Key = tuple[str, str, str]
TOTALS = ("boat_trips", "angler_trips", "angler_hours", "kept_fish", "released_sublegal_fish")
TOTALS += ("released_fish", "encounter_fish")
RATIOS = {
    "kept_per_angler_trip": ("kept_fish", "angler_trips"),
    "encounters_per_angler_hour": ("encounter_fish", "angler_hours"),
    "sublegal_prop": ("released_sublegal_fish", "encounter_fish"),
}
#: Written numbers are rounded to six places.
ROUNDED = 2e-5


def read(files: dict[str, bytes]) -> pd.DataFrame:
    """Return the published figures by area, week and quantity; a missing one is ''."""
    table = pd.read_csv(io.BytesIO(files["figures.csv"]), keep_default_na=False, dtype=str)
    table["estimate"] = pd.to_numeric(table["estimate"])
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
    def is_safe(self) -> bool:
        """Whether it stays unsure by a fifth to either side."""
        slack = 1e-4 + 1e-6 * self.truth
        return self.low <= 0.8 * self.truth + slack and self.high >= 1.2 * self.truth - slack

    def is_like(self, best: Found) -> bool:
        """Whether next to nothing is lost of the most that can be left."""
        slack = 1e-4 + 1e-6 * self.truth
        low, high = max(best.low, 0.8 * self.truth), min(best.high, 1.2 * self.truth)
        is_low = self.truth - self.low >= 0.9 * (self.truth - low) - slack
        return is_low and self.high - self.truth >= 0.9 * (high - self.truth) - slack


class Attack:
    """Everything published of a season so far, as equations between what is not known."""

    def __init__(self) -> None:
        self.known: dict[int, float] = {}
        self.truth: list[float] = []
        self.place: dict[tuple[Key, float], int] = {}
        self.withheld: dict[int, tuple[int, Key]] = {}
        self.equations: list[dict[int, float]] = []
        self.at_most: list[dict[int, float]] = []
        self.week = -1

    def hear(self, figures: pd.DataFrame, truths: dict[Key, float]) -> None:
        """Take in one publication; `truths` of every total, those not shown included."""
        self.week += 1
        mine: dict[Key, int] = {}
        for key, value in truths.items():
            mine[key] = self._unknown(key, value)
        for key, row in figures.iterrows():
            if key[2] not in TOTALS:
                continue
            if not np.isnan(row["estimate"]):
                self.known[mine[key]] = row["estimate"]
            elif row["status"] == "suppressed" and key in mine:
                self.withheld[mine[key]] = (self.week, key)
        self._sums(mine)
        self._identities(mine, figures)

    def _unknown(self, key: Key, value: float) -> int:
        for (other, other_value), place in self.place.items():
            if key[1] and other == key and abs(other_value - value) <= 1e-8 * (1 + abs(value)):
                return place
        self.place[key, value] = len(self.truth)  # of the season so far: the newest
        self.truth.append(value)
        return len(self.truth) - 1

    def _sums(self, mine: dict[Key, int]) -> None:
        for (area, week, quantity), margin in mine.items():
            if area and week:
                continue
            parts = []
            if not area:
                parts.append([k for k in mine if k[0] and k[1] == week and k[2] == quantity])
            if not week:
                parts.append([k for k in mine if k[1] and k[0] == area and k[2] == quantity])
            for some in parts:
                line = {mine[k]: -1.0 for k in some}
                self._equation(line | {margin: 1.0})

    def _identities(self, mine: dict[Key, int], figures: pd.DataFrame) -> None:
        for area, week in {key[:2] for key in mine}:
            at = {name: mine[area, week, name] for name in TOTALS if (area, week, name) in mine}
            if len(at) < len(TOTALS):
                continue
            met, kept = at["encounter_fish"], at["kept_fish"]
            released, sublegal = at["released_fish"], at["released_sublegal_fish"]
            self._equation({met: 1.0, kept: -1.0, released: -1.0})
            self.at_most.append({sublegal: 1.0, released: -1.0})
            for name, (above, below) in RATIOS.items():
                if (area, week, name) not in figures.index:
                    continue
                value = figures.loc[(area, week, name), "estimate"]
                # Only a ratio with a part that is not shown tells anything.
                if not np.isnan(value) and not {at[above], at[below]} <= set(self.known):
                    self._equation({at[above]: 1.0, at[below]: -value})

    def _equation(self, line: dict[int, float]) -> None:
        if line not in self.equations:
            self.equations.append(line)

    def unsafe(self, figures: pd.DataFrame, truths: dict[Key, float]) -> list[Found]:
        """Take in one publication, and return the withheld figures that it leaves too sure.

        A sum of the season so far is never less than its parts that went out in earlier weeks. Such
        a one has to stay as unsure as if nothing of this publication had gone out.
        """
        silent = copy.deepcopy(self)
        hidden = figures.assign(estimate=np.nan, status="suppressed")
        silent.hear(hidden, truths)
        self.hear(figures, truths)
        narrow = [one for one in self.ranges() if not one.is_safe]
        found = []
        for one in narrow:
            best = [] if one.key[1] else silent.ranges(of=[one.place])
            if not best or not one.is_like(best[0]):
                found.append(one)
        return found

    def ranges(self, *, of: Sequence[int] | None = None) -> list[Found]:
        """Return what is left of each withheld figure by linear programming."""
        free = [place for place in range(len(self.truth)) if place not in self.known]
        column = {place: at for at, place in enumerate(free)}
        equal, right = self._matrix(self.equations, column)
        less, most = self._matrix(self.at_most, column)
        # Sums of rounded numbers hold but for rounding.
        matrix = np.concatenate([equal, -equal, less])
        bound = np.concatenate([right + ROUNDED, ROUNDED - right, most + ROUNDED])
        found = []
        for place in self.withheld if of is None else of:
            if place in self.known:
                continue
            goal = np.zeros(len(free))
            goal[column[place]] = 1.0
            ends = []
            for sign in (1.0, -1.0):
                done = linprog(sign * goal, A_ub=matrix, b_ub=bound)
                assert done.status in (0, 3), done.message
                ends.append(sign * done.fun if done.status == 0 else np.inf)
            week, key = self.withheld[place]
            found.append(Found(place, week, key, self.truth[place], *ends))
        return found

    def _matrix(
        self, lines: list[dict[int, float]], column: dict[int, int]
    ) -> tuple[np.ndarray, np.ndarray]:
        kept = [line for line in lines if set(line) & set(column)]
        triples = [
            (row, column[place], value)
            for row, line in enumerate(kept)
            for place, value in line.items()
            if place in column
        ]
        right = [
            -sum(v * self.known[p] for p, v in line.items() if p in self.known) for line in kept
        ]
        rows, columns, values = zip(*triples, strict=True) if triples else ((), (), ())
        shape = (len(kept), len(column))
        return coo_array((values, (rows, columns)), shape=shape).toarray(), np.array(right)


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
