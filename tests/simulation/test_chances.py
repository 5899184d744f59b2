"""Whether limits are exceeded as often as the chance of exceeding them says.

Seasons and kernels are those of `test_outlook`: two unlike fisheries, projected at a quarter, a
half and three quarters of their weeks. Limits are set on the mean of past seasons' totals and
around it. Chances of alike size are set against the share of limits that the true total exceeds.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from analytics.outlook.weekly_series import Patterns
from tests.simulation import outlook_seasons as made
from tests.simulation.seasons import default_processes, in_processes
from tests.simulation.test_outlook import CUTS, ahead_and_total
from tests.sizes import n_sized

N_SEASONS, SEED = n_sized(4, 400), 101
QUANTITY = "encounter_fish"
#: Limits over the mean of past seasons' totals.
LIMITS = (0.6, 0.8, 1.0, 1.25, 1.6)
BANDS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)
#: How far the share that is exceeded may truly lie from the mean chance, over all limits.
TRUE_GAP = 0.06


def several(numbers, *, factor=1.0):
    """Return a row a fishery, season, week and limit: the chance said, and whether it came."""
    found = []
    for number in numbers:
        for at, (name, fishery) in enumerate(made.FISHERIES.items()):
            rng = np.random.default_rng([SEED, number, at])
            past, now = made.seasons_of(fishery, rng)
            weekly, patterns = [one.through(made.N_WEEKS) for one in past], Patterns()
            usual = np.mean([one.estimate(0)[0][QUANTITY] for one in past])
            truth = now.season.truth_after(0)[QUANTITY]
            for week in CUTS:
                _, total = ahead_and_total(now, week, weekly, patterns, rng)
                found += [
                    {"fishery": name, "number": number, "week": week}
                    | {"said": (factor * total[QUANTITY] > part * usual).mean()}
                    | {"came": float(truth > part * usual)}
                    for part in LIMITS
                ]
    return pd.DataFrame(found)


@pytest.fixture(scope="module")
def rows():
    return in_processes(several, N_SEASONS, default_processes()).reset_index(drop=True)


def gap_of(rows):
    """Return by how much more often limits were exceeded than said, and its error by seasons."""
    off = (rows["came"] - rows["said"]).groupby([rows["fishery"], rows["number"]]).mean()
    return off.mean(), off.std() / np.sqrt(len(off))


def check_gap(rows):
    gap, error = gap_of(rows)
    assert abs(gap) < TRUE_GAP + 3 * error, (gap, error)


def test_limits_are_exceeded_as_often_as_said(rows, record_property):
    band = pd.cut(rows["said"], BANDS, include_lowest=True, labels=False)
    for fishery, mine in rows.groupby("fishery"):
        words = [
            f"{cell['said'].mean():.0%} said, {cell['came'].mean():.0%} came"
            for _, cell in mine.groupby(band[mine.index])
        ]
        gap, error = gap_of(mine)
        record_property(
            f"{fishery}, chance of exceeding a limit",
            f"{'; '.join(words)}; came less said {100 * gap:+.1f} (± {100 * error:.1f}) points",
        )
    check_gap(rows)


def test_totals_that_run_low_are_seen():
    rows = several(range(4), factor=0.6)
    with pytest.raises(AssertionError):
        check_gap(rows)
