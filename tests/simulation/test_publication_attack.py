"""Whole seasons published week by week, with few interviews, and attacked from the files alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from analytics.data import importing
from analytics.data.schema import TABLES
from analytics.data.snapshot import Snapshot
from analytics.data.store import Store
from analytics.estimates.estimate import LEVELS, result_rows
from analytics.estimates.season_survey import prepare_survey, survey_through
from analytics.publishing import publish, suppression
from analytics.publishing.publish import published_of
from analytics.publishing.totals import totals_of
from tests.publication_attack import TOTALS, Attack, read
from tests.sizes import n_sized

SEED, SEASON = 7, "2035-36"
DEMO = Path(__file__).parents[2] / "demo_parquet"
#: Of the demo's interviews so many are left: most weeks of an area then rest on few boats.
SHARES = (1.0, 0.05) if n_sized(0, 1) == 0 else (1.0, 0.15, 0.05)
WEEKS = n_sized(4, 40)


@pytest.fixture(scope="session")
def demo_tables(once):
    """Return the demo's tables as a store imports them; no bulletin is needed here."""

    def imported(folder):
        assert importing.import_files(Store(folder / "store"), DEMO).batch

    return Store(once("demo_tables", imported) / "store").snapshot()


@pytest.fixture(scope="module")
def thin_season(demo_tables):
    return prepare_survey(thinned(demo_tables, 0.05), season=SEASON)


def thinned(snapshot: Snapshot, share: float) -> Snapshot:
    """Return a snapshot with a share of its interviews."""
    interviews = snapshot["interviews"]
    kept = np.random.default_rng(SEED).random(len(interviews)) < share
    tables = {name: snapshot[name] for name in TABLES}
    return Snapshot.of(tables | {"interviews": interviews.filter(pa.array(kept))})


def truths_of(season):
    """Return every total of a season by key, and the errors of those that have a row with one.

    Totals of rows without a figure are taken from the totals behind.
    """
    found, errors = {}, {}
    for by in LEVELS:
        for row in result_rows(season, by=by, level=0.95, quantities=TOTALS):
            if row["estimate"] is not None:
                key = (row["area"] or "", row["week"] or "", row["quantity"])
                found[key] = row["estimate"]
                if row["se"] is not None and row["ci_low"] is not None:
                    errors[key] = (row["se"], row["ci_low"], row["ci_high"])
    totals = totals_of(season)
    for (area, week), values in zip(totals.domains, totals.values, strict=True):
        trips, anglers, hours, kept, sublegal, other = values.tolist()
        behind = (trips, anglers, hours, kept, sublegal, sublegal + other, kept + sublegal + other)
        for name, value in zip(TOTALS, behind, strict=True):
            found.setdefault((area or "", week or "", name), value)
    return found, errors


def publish_weeks(whole):
    """Yield each week's publication, the attack on everything so far, and what it found."""
    before, attack = [], Attack()
    for week in [one for one in whole.design.weeks if one <= whole.design.through][:WEEKS]:
        season = survey_through(whole, week)
        made = published_of(season, before)
        before.append(made.publication)
        yield made, attack, attack.unsafe(read(made.files()), *truths_of(season))


@pytest.mark.parametrize("share", SHARES)
def test_no_withheld_figure_of_a_season_follows(demo_tables, share, record_property):
    snapshot = thinned(demo_tables, share)
    n_cells = n_withheld = n_sensitive = n_attacked = 0
    lost, bound = 0.0, 0.0
    for made, attack, unsafe in publish_weeks(prepare_survey(snapshot, season=SEASON)):
        assert not unsafe
        n_attacked += len(attack.targets)
        n_cells += len(made.publication.domains)
        n_withheld += made.n_withheld
        n_sensitive += made.n_sensitive
        lost, bound = lost + made.weight, bound + made.bound
        assert made.bound <= made.weight * (1 + 1e-5) + 1e-6
    assert n_sensitive == 0 or n_attacked
    assert (n_withheld > 0) == (n_sensitive > 0)
    record_property(
        f"demo season, {share:.0%} of the interviews",
        f"{n_sensitive} of {n_cells} domains on too few boats, "
        f"{n_withheld} withheld ({n_withheld / n_cells:.1%}; weight {lost:.0f}, at least "
        f"{bound:.0f}); {n_attacked} ranges, all at least ±20 % or as unsure as before",
    )


def leaks(whole) -> bool:
    """Whether the attack finds a withheld figure in some week of a season."""
    return any(unsafe for _, _, unsafe in publish_weeks(whole))


def only_sensitive(known, weight):
    """Withhold what rests on too few boats and nothing with it."""
    few = known.is_sensitive[known.variable]
    return suppression.Choice(few, float(weight[few].sum()), 0.0, 0)


def without_history(known, before):
    return publish_knowledge(known, [])


publish_knowledge = publish.knowledge
FAULTS = {
    "no figure withheld with another": ("choose", only_sensitive),
    "earlier weeks forgotten": ("knowledge", without_history),
}


@pytest.mark.parametrize("name", list(FAULTS))
def test_the_attack_finds_a_planted_fault(thin_season, monkeypatch, name):
    monkeypatch.setattr(publish, *FAULTS[name])
    assert leaks(thin_season)


def test_a_tenth_of_the_protection_is_found(thin_season, monkeypatch):
    monkeypatch.setattr(suppression, "PROTECTION", 0.02)
    assert leaks(thin_season)


def test_ends_of_intervals_are_used():
    # Of four withheld cells one has nearly all the variance of its row and of its column.
    cells = {("A", "w1"): 110.0, ("A", "w2"): 100.0, ("B", "w1"): 100.0, ("B", "w2"): 100.0}
    errors = dict.fromkeys(cells, 10.0) | {("A", "w1"): 100.0}
    for margin, of in {("A", ""): 0, ("B", ""): 0, ("", "w1"): 1, ("", "w2"): 1}.items():
        mine = [one for one in cells if len(one[of]) == len(margin[of]) and one[of] == margin[of]]
        errors[margin] = sum(errors[one] ** 2 for one in mine) ** 0.5
        cells[margin] = sum(cells[one] for one in mine)
    rows, truths, known = [], {}, {}
    for (area, week), value in cells.items():
        key, step = (area, week, "boat_trips"), 2 * errors[area, week] / value
        ends = (value * np.exp(-step), value * np.exp(step))
        truths[key], known[key] = value, (errors[area, week], *ends)
        shown = [value, *ends, "ok"] if "" in key else [np.nan] * 3 + ["suppressed"]
        rows.append([*key, *shown])
    columns = ["area", "week", "quantity", "estimate", "ci_low", "ci_high", "status"]
    figures = pd.DataFrame(rows, columns=columns).set_index(columns[:3])
    assert not Attack().unsafe(figures, truths, {})
    found = {one.key[:2]: one.low for one in Attack().unsafe(figures, truths, known)}
    assert found["A", "w1"] == pytest.approx(9900**0.5, rel=1e-3)
