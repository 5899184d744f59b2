"""Whole seasons published week by week, with few interviews, and attacked from the files alone."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

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
from analytics.publishing import publish, withholding
from analytics.publishing.publish import published_of
from analytics.publishing.totals import totals_of
from tests.publication_attack import TOTALS, Attack, read
from tests.sizes import n_sized

if TYPE_CHECKING:
    from analytics.publishing.publications import Publication
    from analytics.publishing.publish import Published
    from tests.publication_attack import Error, Found, Key

SEED, SEASON = 7, "2035-36"
#: Share of forms that come late.
LATE, UNIT, FIRST = 0.1, ("sample_id", "date"), dt.date.min
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


def totals_by_key(publication):
    """Return every total of a publication by key."""
    found = {}
    for (area, week), values in zip(publication.domains, publication.values, strict=True):
        trips, anglers, hours, kept, sublegal, other = values.tolist()
        behind = (trips, anglers, hours, kept, sublegal, sublegal + other, kept + sublegal + other)
        found |= {(area or "", week or "", one): v for one, v in zip(TOTALS, behind, strict=True)}
    return found


class Data:
    """What a season's estimates stand on: interviews by area, week and landing, and site-days."""

    def __init__(self, snapshot: Snapshot, through: str) -> None:
        sites = snapshot["sites"].to_pylist()
        landing = {one["site"]: one["area"] for one in sites}
        self.units = {}
        for one in snapshot["site_days"].to_pylist():
            stratum = (landing[one["site"]], f"{one['date']:%G-W%V}", one["date"].weekday() > 4)
            if stratum[1] <= through:
                self.units[one["sample_id"]] = (stratum, repr(one))
        self.boats = Counter()
        for one in snapshot["interviews"].to_pylist():
            if one["sample_id"] in self.units and one["trip_complete"] is not False:
                unit = one["sample_id"]
                row = repr({key: v for key, v in one.items() if key != "interview_id"})
                self.boats[one["area"], self.units[unit][0][1], unit, row] += 1

    def n_in(self, area: str, week: str) -> int:
        """Count the boats of an area and week."""
        return sum(n for (*cell, _, _), n in self.boats.items() if cell == [area, week])

    def n_between(self, then: Data, area: str, week: str, *, has_donors: bool) -> int:
        """Count the boats of an area and week that the difference to other data rests on.

        Boats that came, went or were corrected, else those of strata in which any did or in which
        a site-day was corrected; those of all weeks where donors count.
        """
        more, less = self.boats - then.boats, then.boats - self.boats

        def is_mine(key):
            return key[0] == area and (has_donors or key[1] == week)

        n = max(sum(n for key, n in one.items() if is_mine(key)) for one in (more, less))
        if n:
            return n
        corrected = dict(set(self.units.items()) ^ set(then.units.items()))
        touched = {one for one, _ in corrected.values()}
        touched |= {
            one.units[key[2]][0] for one, some in ((self, more), (then, less)) for key in some
        }
        return max(
            sum(
                n
                for key, n in one.boats.items()
                if is_mine(key) and one.units[key[2]][0] in touched
            )
            for one in (self, then)
        )


class Publishing:
    """A season published again and again, each time attacked with all that went out before."""

    def __init__(self) -> None:
        self.before, self.attack = [], Attack()
        self.errors: dict[tuple[str, str], list[tuple[list[float], dict[Key, Error]]]] = {}
        self.data: list[tuple[Data, Publication]] = []
        #: For each publication the data that each figure of an area and week stands on.
        self.stands_on: list[dict[tuple[str, str], int]] = []
        self.n_pairs = self.n_kept = 0

    def publish(self, season) -> tuple[Published, list[Found]]:
        """Publish once more; return what went out and what the attack finds."""
        made = published_of(season, self.before)
        self.before.append(made.publication)
        truths, errors = self.truths_of(season, made.publication)
        unsafe = self.attack.unsafe(read(made.files()), truths, errors)
        self.n_kept += made.n_kept
        return made, unsafe + self.attack.differences(self.pairs(season, made.publication))

    def truths_of(self, season, publication):
        """Return every total that goes out by key, and the errors of those that have a row."""
        estimated = totals_of(season)
        totals, was = totals_by_key(publication), totals_by_key(estimated)
        found, errors = {}, {}
        for by in LEVELS:
            for row in result_rows(season, by=by, level=0.95, quantities=TOTALS):
                key = (row["area"] or "", row["week"] or "", row["quantity"])
                if row["estimate"] is None or (key in was and key not in totals):
                    continue
                found[key] = row["estimate"]
                if row["se"] is not None and row["ci_low"] is not None:
                    errors[key] = (row["se"], row["ci_low"], row["ci_high"])
        cells = {key[:2]: [totals[(*key[:2], name)] for name in TOTALS] for key in totals}
        for cell, values in cells.items():
            keys = [(*cell, name) for name in TOTALS]
            went = self.errors.setdefault(cell, [])
            same = [one for old, one in went if np.allclose(old, values, rtol=1e-9, atol=0)]
            mine = {key: errors.pop(key) for key in keys if key in errors}
            for key, error in mine.items():  # a sum of kept parts: its errors move with it
                if abs(totals[key] - was[key]) > 1e-9 * abs(was[key]):
                    factor = totals[key] / was[key] if was[key] else 0.0
                    mine[key] = tuple(factor * one for one in error)
            # What did not change has the interval that it had.
            errors |= same[-1] if same else mine
            went.append((values, same[-1] if same else mine))
        return found | totals, errors

    def pairs(self, season, publication) -> list[tuple[int, int]]:
        """Return unknowns of one figure whose difference rests on one or two boats."""
        data = Data(season.snapshot, season.design.through)
        self.data.append((data, totals_of(season)))
        places = [dict(zip(one.domains, one.values, strict=True)) for _, one in self.data]
        boats = dict(zip(publication.domains, publication.boats.tolist(), strict=True))
        mine = {}
        for cell, values in zip(publication.domains, publication.values, strict=True):
            if None not in cell:
                mine[cell] = max(
                    at
                    for at, one in enumerate(places)
                    if cell in one and np.allclose(one[cell], values, rtol=1e-9, atol=0)
                )
        self.stands_on.append(mine)
        found = []
        for at, earlier in enumerate(self.stands_on[:-1]):
            was = dict(zip(self.before[at].domains, self.before[at].boats.tolist(), strict=True))
            heard, said = self.attack.heard[at], self.attack.heard[-1]
            for cell in set(mine) & set(earlier):
                keys = [key for name in TOTALS if heard[key := (*cell, name)] != said[key]]
                now, then = (self.data[one[cell]][0] for one in (mine, earlier))
                if not keys:
                    continue
                has_donors = was[cell] != then.n_in(*cell) or boats[cell] != now.n_in(*cell)
                if now.n_between(then, *cell, has_donors=has_donors) in (1, 2):
                    found += [(heard[key], said[key]) for key in keys]
        self.n_pairs += len(found)
        return found


def publish_weeks(whole):
    """Yield each week's publication, the attack on everything so far, and what it found."""
    publishing = Publishing()
    for week in [one for one in whole.design.weeks if one <= whole.design.through][:WEEKS]:
        made, unsafe = publishing.publish(survey_through(whole, week))
        yield made, publishing.attack, unsafe


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


def with_late_forms(snapshot: Snapshot, week: str) -> Snapshot:
    """Return what has come in once a week is over: one form in ten is some weeks late."""
    rng = np.random.default_rng(SEED)
    rows = snapshot["interviews"]
    days = dict(zip(*(snapshot["site_days"][one].to_pylist() for one in UNIT), strict=True))
    late = np.where(rng.random(len(rows)) < LATE, rng.integers(1, 5, len(rows)), 0)
    comes = [
        f"{days.get(unit, FIRST) + dt.timedelta(weeks=int(weeks)):%G-W%V}"
        for unit, weeks in zip(rows["sample_id"].to_pylist(), late, strict=True)
    ]
    there = pa.array([one <= week for one in comes])
    return snapshot.with_rows("interviews", rows.filter(there))


def publish_with_late_forms(snapshot: Snapshot) -> tuple[Publishing, list[Found], list[float]]:
    """Publish week by week while forms come late; return what leaks, and what kept figures lack."""
    publishing, unsafe, lacks = Publishing(), [], []
    weeks = prepare_survey(snapshot, season=SEASON).design.weeks
    for week in weeks[:WEEKS]:
        season = prepare_survey(with_late_forms(snapshot, week), season=SEASON, through=week)
        made, found = publishing.publish(season)
        unsafe += found
        goes_out, estimated = (totals_by_key(one) for one in (made.publication, totals_of(season)))
        for area, of, name in goes_out:
            one, other = (some.get((area, of, name)) for some in (goes_out, estimated))
            if area and of and name == "kept_fish" and one != other:
                lacks.append(abs(one - (other or 0.0)) / max(one, other or 0.0))
    return publishing, unsafe, lacks


@pytest.mark.parametrize("share", [SHARES[0], SHARES[-1]])
def test_no_difference_of_publications_tells_of_few_boats(demo_tables, share, record_property):
    publishing, unsafe, lacks = publish_with_late_forms(thinned(demo_tables, share))
    assert not unsafe
    assert publishing.n_kept
    n_cells = sum(sum(None not in one for one in made.domains) for made in publishing.before)
    record_property(
        f"demo season, {share:.0%} of the interviews, one in ten late by 1–4 weeks",
        f"{publishing.n_kept} of {n_cells} figures of an area and week as they went out before "
        f"({publishing.n_kept / n_cells:.1%}), fish kept then off the newest estimate by "
        f"{np.median(lacks):.1%} (median), {np.quantile(lacks, 0.9):.1%} (9 in 10); no difference "
        "on one or two boats follows",
    )


def leaks(whole) -> bool:
    """Whether the attack finds a withheld figure in some week of a season."""
    return any(unsafe for _, _, unsafe in publish_weeks(whole))


def only_sensitive(known, weight):
    """Withhold what rests on too few boats and nothing with it."""
    few = known.is_sensitive[known.variable]
    return withholding.Choice(few, float(weight[few].sum()), 0.0)


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


def test_the_attack_finds_late_forms_that_are_published_at_once(demo_tables, monkeypatch):
    monkeypatch.setattr(publish, "keep_published", lambda now, before: (now, {}, 0))
    assert publish_with_late_forms(demo_tables)[1]


def test_a_tenth_of_the_protection_is_found(thin_season, monkeypatch):
    monkeypatch.setattr(withholding, "PROTECTION", 0.02)
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
