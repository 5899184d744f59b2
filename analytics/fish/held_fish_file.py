"""Fish held one by one, read from a file: who died, when, and what that says."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analytics.codes import coded
from analytics.data.checks.within import check_keys
from analytics.data.importing.reading import ENDINGS, read_file
from analytics.data.importing.typed import type_raw
from analytics.data.schema import HELD_FISH
from analytics.errors import DataRejected, UsageError
from analytics.findings import Finding, Severity, number_of
from analytics.fish.holding_trials import CONTROL, HeldGroup, plain_group
from analytics.models.holding_survival import HookingMortality, hooking_mortality

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

#: Trial of the fish of which none is named.
ONE_TRIAL = "1"


@dataclass(frozen=True, slots=True, eq=False)
class HeldFish:
    """Held fish one by one, arrays of shape (n,).

    - `length_mm`: NaN where it was not measured.
    - `hours`: until death, or until last seen alive.
    """

    trial_id: NDArray[np.object_]
    group: NDArray[np.object_]
    length_mm: NDArray[np.float64]
    hours: NDArray[np.float64]
    died: NDArray[np.bool_]

    @property
    def ends(self) -> NDArray[np.float64]:
        """The end of each fish's trial: the longest hours of its survivors, else of all fish."""
        ends: dict[str, float] = {}
        for trial in set(self.trial_id.tolist()):
            mine = self.trial_id == trial
            alive = mine & ~self.died
            ends[trial] = float(self.hours[alive if alive.any() else mine].max())
        return np.array([ends[one] for one in self.trial_id.tolist()], dtype=np.float64)

    @property
    def is_out(self) -> NDArray[np.bool_]:
        """Which fish were seen alive for the last time before the end of their trial."""
        return ~self.died & (self.hours < self.ends)

    def groups(self) -> list[HeldGroup]:
        """Return the counts of every group of every trial; its hours are the longest of them."""
        places: dict[tuple[str, str], list[int]] = {}
        for at, key in enumerate(zip(self.trial_id.tolist(), self.group.tolist(), strict=True)):
            places.setdefault(key, []).append(at)
        longest = {trial: float(self.hours[self.trial_id == trial].max()) for trial, _ in places}
        out = self.is_out
        return [
            HeldGroup(
                trial, group, len(at), int(self.died[at].sum()), longest[trial], int(out[at].sum())
            )
            for (trial, group), at in sorted(places.items(), key=lambda pair: pair[0])
        ]

    def model(self, *, level: float) -> HookingMortality:
        """Return the logistic model of death, by the end of the trial, by group and length.

        Controls were not hooked and are left out, as are fish seen alive for the last time before
        the end of their trial: nobody knows what became of them. A fish that died after the last
        survivor was seen counts as alive, as the survivors do that nobody watched so long.
        """
        is_control = np.array([plain_group(one) == CONTROL for one in self.group.tolist()])
        is_late = self.died & (self.hours > self.ends)
        used = ~is_control & ~self.is_out
        found = hooking_mortality(
            (self.died & ~is_late)[used],
            self.group[used].tolist(),
            self.length_mm[used],
            level=level,
        )
        n_out, n_late = int((self.is_out & ~is_control).sum()), int((is_late & ~is_control).sum())
        notes = [coded("taken_out_early", n=n_out)] * bool(n_out) + [
            coded("died_after_last", n=n_late)
        ] * bool(n_late)
        return replace(found, notes=(*found.notes, *notes))


def read_held(path: Path) -> tuple[HeldFish, list[Finding]]:
    """Read held fish from a CSV or Parquet file.

    Parameters
    ----------
    path : pathlib.Path
        In the columns of `analytics.data.schema.HELD_FISH`.

    Raises
    ------
    UsageError
        If there is no such file, or it ends in neither .csv nor .parquet.
    DataRejected
        If a cell or the whole file is at fault, or no fish is in it.
    """
    if not path.is_file() or path.suffix.lower() not in ENDINGS:
        seen = f"{path} ends otherwise" if path.is_file() else f"{path} is no file"
        raise UsageError(f"{seen}; name a .csv or .parquet file of held fish, one row a fish")
    reading = read_file(path, table=HELD_FISH.name)
    findings = [*reading.faults, *reading.findings]
    if reading.raw is None:
        raise DataRejected("1 error: nothing was calculated", findings)
    typed, found = type_raw(reading.raw)
    findings += [*found, *check_keys(typed)]
    errors = [one for one in findings if one.severity is Severity.ERROR]
    if errors:
        raise DataRejected(f"{number_of(len(errors), 'error')}: nothing was calculated", findings)
    if not typed.data.num_rows:
        raise DataRejected(f"{path}: no fish in the file; write one row a fish", findings)
    columns = {name: typed.data[name].to_pylist() for name in HELD_FISH.arrow_schema.names}
    lengths = [np.nan if one is None else one for one in columns["total_length_mm"]]
    trials = [ONE_TRIAL if one is None else one for one in columns["trial_id"]]
    fish = HeldFish(
        np.array(trials, dtype=object),
        np.array([plain_group(one) for one in columns["group"]], dtype=object),
        np.array(lengths, dtype=np.float64),
        np.array(columns["hours"], dtype=np.float64),
        np.array(columns["died"], dtype=bool),
    )
    return fish, findings
