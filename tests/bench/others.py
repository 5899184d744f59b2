"""The same estimates by other means: a general survey library, and a bootstrap in plain pandas.

Both work on a subset in which every boat of a site-day was interviewed. The library has the same
formula there, so value and standard error must be equal; the bootstrap's error must agree within
its own noise.
"""

from __future__ import annotations

import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import pandas as pd

from analytics.bulletin.weekly import estimate
from analytics.data.store import Store
from analytics.survey.measures import RATIOS
from tests.bench.single_stage import COMPARED, NOWHERE, TOTALS, Sample, single_stage

if TYPE_CHECKING:
    from collections.abc import Callable

KEYS = ["area", "week"]
REPLICATES = 1000
T = TypeVar("T")


@dataclass(frozen=True)
class Other:
    """What another way took, and how far its answers lie from the program's.

    Parameters
    ----------
    name : str
    seconds : float
    n : int
        Values compared.
    value_off : float
        Largest relative difference of a value.
    se_off : str
        How far standard errors lie apart, in words.
    """

    name: str
    seconds: float
    n: int
    value_off: float
    se_off: str


def compare(*, n_interviews: int, n_site_days: int) -> tuple[float, list[Other]]:
    """Return the program's seconds from the store to result rows, and what the others took."""
    sample = single_stage(n_interviews=n_interviews, n_site_days=n_site_days)
    with tempfile.TemporaryDirectory() as folder:
        Store(Path(folder) / "store").add(sample.tables)
        place = Path(folder) / "store"
        quickest, frame = _quickest(lambda: estimate(Store(place), by=KEYS))
    kept = frame[frame["quantity"].isin(COMPARED)]
    own = kept.set_index([*KEYS, "quantity"])[["estimate", "se"]]
    others = [_against(own, *_bootstrap(sample))]
    try:
        import svy  # noqa: F401
    except ImportError:
        print("no survey library here: pip install -e .[bench] adds one\n")
    else:
        others.append(_against(own, *_library(sample)))
    return quickest, others


def _quickest(work: Callable[[], T]) -> tuple[float, T]:
    """Return the seconds of the quickest of three runs, and what the last gave."""
    took = []
    for _ in range(3):
        start = time.perf_counter()
        found = work()
        took.append(time.perf_counter() - start)
    return min(took), found


def _against(own: pd.DataFrame, name: str, seconds: float, found: pd.DataFrame) -> Other:
    """Compare values and standard errors, and stop where they are not equal."""
    both = own.join(found.set_index([*KEYS, "quantity"]), rsuffix="_other", how="left").dropna()
    off = (both["estimate_other"] / both["estimate"] - 1).abs().where(both["estimate"] > 0, 0)
    ratio = (both["se_other"] / both["se"])[both["se"] > 0]
    exact = "bootstrap" not in name
    worst = float((ratio - 1).abs().max())
    middle = float(ratio.median())
    if off.max() > 1e-9 or (worst > 1e-9 if exact else abs(middle - 1) > 0.05):
        raise SystemExit(f"{name}: not equal: values off by {off.max():.2g}, errors {worst:.2g}")
    words = f"{worst:.1e}" if exact else f"median ratio {middle:.3f}"
    return Other(name, seconds, len(both), float(off.max()), words)


def _library(sample: Sample) -> tuple[str, float, pd.DataFrame]:
    import polars as pl
    import svy

    rows = pl.from_pandas(
        sample.rows.assign(domain=sample.rows["area"] + "|" + sample.rows["week"])
    )
    design = svy.Design(stratum="stratum", psu="sample_id", wgt="weight", pop_size="n_frame")

    def answer() -> list[tuple[str, Any]]:
        verbs = svy.Sample(data=rows, design=design).estimation
        totals = [(name, verbs.total(y=name, by="domain")) for name in TOTALS]
        ratios = [(name, verbs.ratio(y=y, x=x, by="domain")) for name, (y, x) in RATIOS.items()]
        return totals + ratios

    seconds, answers = _quickest(answer)
    found = [
        (*one.by_level[0].split("|"), name, one.est, one.se)
        for name, answer in answers
        for one in answer.estimates
        if not one.by_level[0].startswith(NOWHERE)
    ]
    columns = [*KEYS, "quantity", "estimate", "se_other"]
    frame = pd.DataFrame(found, columns=columns).rename(columns={"estimate": "estimate_other"})
    return f"survey library svy {svy.__version__}", seconds, frame


def _bootstrap(sample: Sample, *, timed: int = 100) -> tuple[str, float, pd.DataFrame]:
    """Resample site-days within strata; the time of `timed` replicates is scaled to a thousand.

    Each of n_h - 1 draws of n_h site-days with replacement changes the weights to
    ``w (1 - λ + λ c n_h/(n_h - 1))`` with ``λ = √(1 - n_h/N_h)`` (Rao and Wu 1988, Resampling
    inference with complex survey data, J. Am. Stat. Assoc. 83; from memory).
    """
    rng = np.random.default_rng(5)
    rows = sample.rows
    units = rows.drop_duplicates("sample_id")[["sample_id", "stratum", "weight", "n_frame"]]
    whole = _by_domain(rows, rows["weight"])
    n_h = units.groupby("stratum")["sample_id"].transform("size")
    shrink = np.sqrt(1 - n_h / units["n_frame"])
    start = time.perf_counter()
    replicates = []
    for _ in range(timed):
        drawn = units.groupby("stratum", group_keys=False)["sample_id"].apply(
            lambda ids: ids.sample(len(ids) - 1, replace=True, random_state=rng)
        )
        count = units["sample_id"].map(drawn.value_counts()).fillna(0)
        weight = units["weight"] * (1 - shrink + shrink * count * n_h / (n_h - 1))
        by_unit = pd.Series(weight.to_numpy(), index=units["sample_id"])
        replicates.append(_by_domain(rows, rows["sample_id"].map(by_unit)))
    seconds = (time.perf_counter() - start) * REPLICATES / timed
    errors = pd.concat(replicates).groupby(level=[0, 1]).std()
    errors = errors.melt(ignore_index=False, var_name="quantity", value_name="se_other")
    values = whole.melt(ignore_index=False, var_name="quantity", value_name="estimate_other")
    found = values.reset_index().merge(errors.reset_index(), on=[*KEYS, "quantity"])
    return f"pandas bootstrap, {REPLICATES:,} replicates", seconds, found


def _by_domain(rows: pd.DataFrame, weight: pd.Series) -> pd.DataFrame:
    """Return every total and ratio by area and week under some weights."""
    expanded = rows[list(TOTALS)].mul(weight, axis=0)
    sums = expanded.groupby([rows["area"], rows["week"]]).sum()
    sums = sums[sums.index.get_level_values("area") != NOWHERE]
    return sums.assign(**{name: sums[y] / sums[x] for name, (y, x) in RATIOS.items()})


def table(seconds: float, others: list[Other]) -> list[str]:
    """Return the comparison as lines of a Markdown table."""
    lines = [
        "| way | seconds | times as long | values | largest difference | standard errors |",
        "|---|---|---|---|---|---|",
        f"| this program | {seconds:.2f} | 1 | | | |",
    ]
    lines += [
        f"| {one.name} | {one.seconds:.2f} | {one.seconds / seconds:.1f} | {one.n:,} "
        f"| {one.value_off:.0e} | {one.se_off} |"
        for one in others
    ]
    return lines
