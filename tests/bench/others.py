"""The same estimates by other means: a general survey library, and a bootstrap in plain pandas.

Both work on a subset in which every boat of a site-day was interviewed. The library has the same
formula there, so value and standard error must be equal; the bootstrap's error must agree within
its own noise.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
import svy

from analytics.data.store import Store
from analytics.estimates.estimate import estimate
from analytics.quantities import RATIOS
from tests.bench.runs import Clock, Part, Run, in_turns
from tests.bench.single_stage import COMPARED, NOWHERE, TOTALS, Sample, single_stage

KEYS = ["area", "week"]
#: Replicates of the bootstrap that are made, and of a full one.
TIMED, REPLICATES = 100, 1000
OWN = "this program, store to rows"


def part(*, n_interviews: int, turns: int) -> Part:
    """Estimate in every way.

    Raises
    ------
    SystemExit
        If answers are not equal.
    """
    n_site_days = n_interviews * 3 // 20
    sample = single_stage(n_interviews=n_interviews, n_site_days=n_site_days)
    found: dict[str, pd.DataFrame] = {}
    with tempfile.TemporaryDirectory() as folder:
        store = Path(folder) / "store"
        Store(store).add(sample.tables)

        def own(_: int) -> Run:
            clock = Clock()
            found["own"] = estimate(Store(store), by=KEYS)
            return clock.read()

        def library(_: int) -> Run:
            took, found["library"] = _library(sample)
            return took

        def bootstrap(_: int) -> Run:
            took, found["bootstrap"] = _bootstrap(sample)
            return took

        own(0)  # loads the code
        label = f"survey library svy {version('svy')} (baseline)"
        runs = in_turns({label: library, OWN: own}, turns=turns)
        runs[f"pandas bootstrap, {REPLICATES:,} replicates"] = [bootstrap(0)] * turns
    rows = found["own"][found["own"]["quantity"].isin(COMPARED)]
    answers = rows.set_index([*KEYS, "quantity"])[["estimate", "se"]]
    note = f"{_against(answers, found['library'], is_exact=True)} "
    note += f"Bootstrap: {_against(answers, found['bootstrap'], is_exact=False)}"
    sizes = f"{n_interviews:,} interviews in {n_site_days:,} site-days, every boat interviewed"
    return Part("others", sizes, runs, (OWN,), note)


def _against(own: pd.DataFrame, found: pd.DataFrame, *, is_exact: bool) -> str:
    """Compare values and standard errors, and stop where they are not equal."""
    both = own.join(found.set_index([*KEYS, "quantity"]), rsuffix="_other", how="left").dropna()
    off = (both["estimate_other"] / both["estimate"] - 1).abs().where(both["estimate"] > 0, 0)
    ratio = (both["se_other"] / both["se"])[both["se"] > 0]
    worst = float((ratio - 1).abs().max())
    middle = float(ratio.median())
    if off.max() > 1e-9 or (worst > 1e-9 if is_exact else abs(middle - 1) > 0.05):
        raise SystemExit(f"not equal: values off by {off.max():.2g}, errors {worst:.2g}")
    errors = f"by at most {worst:.0e}" if is_exact else f"with a median ratio of {middle:.3f}"
    return (
        f"{len(both):,} values differ by at most {off.max():.0e}, their standard errors {errors}."
    )


def _library(sample: Sample) -> tuple[Run, pd.DataFrame]:
    rows = pl.from_pandas(
        sample.rows.assign(domain=sample.rows["area"] + "|" + sample.rows["week"])
    )
    design = svy.Design(stratum="stratum", psu="sample_id", wgt="weight", pop_size="n_frame")
    clock = Clock()
    verbs = svy.Sample(data=rows, design=design).estimation
    totals = [(name, verbs.total(y=name, by="domain")) for name in TOTALS]
    ratios = [(name, verbs.ratio(y=y, x=x, by="domain")) for name, (y, x) in RATIOS.items()]
    took = clock.read()
    found = [
        (*one.by_level[0].split("|"), name, one.est, one.se)
        for name, answer in totals + ratios
        for one in answer.estimates
        if not one.by_level[0].startswith(NOWHERE)
    ]
    columns = [*KEYS, "quantity", "estimate", "se_other"]
    return took, pd.DataFrame(found, columns=columns).rename(columns={"estimate": "estimate_other"})


def _bootstrap(sample: Sample) -> tuple[Run, pd.DataFrame]:
    """Resample site-days within strata; the time of `TIMED` replicates is scaled to `REPLICATES`.

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
    clock = Clock()
    replicates = []
    for _ in range(TIMED):
        drawn = units.groupby("stratum", group_keys=False)["sample_id"].apply(
            lambda ids: ids.sample(len(ids) - 1, replace=True, random_state=rng)
        )
        count = units["sample_id"].map(drawn.value_counts()).fillna(0)
        weight = units["weight"] * (1 - shrink + shrink * count * n_h / (n_h - 1))
        by_unit = pd.Series(weight.to_numpy(), index=units["sample_id"])
        replicates.append(_by_domain(rows, rows["sample_id"].map(by_unit)))
    took, times = clock.read(), REPLICATES / TIMED
    took = replace(took, wall=took.wall * times, processor=took.processor * times)
    errors = pd.concat(replicates).groupby(level=[0, 1]).std()
    errors = errors.melt(ignore_index=False, var_name="quantity", value_name="se_other")
    values = whole.melt(ignore_index=False, var_name="quantity", value_name="estimate_other")
    found = values.reset_index().merge(errors.reset_index(), on=[*KEYS, "quantity"])
    return took, found


def _by_domain(rows: pd.DataFrame, weight: pd.Series) -> pd.DataFrame:
    """Return every total and ratio by area and week under some weights."""
    expanded = rows[list(TOTALS)].mul(weight, axis=0)
    sums = expanded.groupby([rows["area"], rows["week"]]).sum()
    sums = sums[sums.index.get_level_values("area") != NOWHERE]
    return sums.assign(**{name: sums[y] / sums[x] for name, (y, x) in RATIOS.items()})
