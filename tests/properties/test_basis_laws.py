"""Within a basis figures add up in every domain, whatever was answered, read or test-fished."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.estimates.estimate import LEVELS, estimate_snapshot
from tests.basis_laws import law_errors
from tests.class_cases import fish_of, seasons
from tests.sizes import IS_FULL
from tests.tables import MONDAY, SiteDay, interview, survey

RATES = {
    "release_rates": [
        {
            "size_class": size,
            "method": "any",
            "wound_class": "any",
            "rate_prop": rate,
            "rate_se": 0.02,
            "source": "invented",
        }
        for size, rate in (("legal", 0.1), ("sublegal", 0.2))
    ],
    "drop_off": [
        {
            "method": "any",
            "rate_prop": 0.05,
            "rate_se": 0.01,
            "base": "encounters",
            "source": "invented",
        }
    ],
}
COLUMNS = ("kept", "released_legal", "released_sublegal", "released_unknown")


@st.composite
def snapshots(draw: st.DrawFn):
    """Return a small store: thin strata, answers and marks that lack, test fishing or none."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    lacking = draw(st.sampled_from((0.0, 0.2, 0.6, 1.0)))
    unread = draw(st.sampled_from((0.0, 0.4, 1.0)))
    days = [
        SiteDay(
            int(rng.integers(2, 6)),
            [_boat(rng, lacking, unread, area) for _ in range(int(rng.integers(0, 3)))],
            site=f"r{1 + (area == 'B')}",
            date=MONDAY + dt.timedelta(days=int(day)),
        )
        for area in "AB"
        for day in rng.choice(14, size=int(rng.integers(1, 6)), replace=False)
    ]
    fish = [
        one
        for area in "AB"
        for week in (0, 1)
        for one in fish_of(
            rng.integers(0, draw(st.sampled_from((1, 4, 20))), 4).tolist(), area=area, week=week
        )
    ]
    return survey(
        days,
        sites={"r1": "A", "r2": "B"},
        seasons=seasons("A", "B", weeks=2),
        fish=fish,
        **(RATES if draw(st.booleans()) else {}),
    )


def _boat(rng: np.random.Generator, lacking: float, unread: float, area: str):
    fish = {name: int(rng.poisson(2)) for name in COLUMNS}
    marks = {
        f"{name}_marked": None if rng.random() < unread else int(rng.integers(0, fish[name] + 1))
        for name in COLUMNS[:3]
    }
    given_fish = {name: None if rng.random() < lacking / 3 else fish[name] for name in COLUMNS}
    marks = {
        name: None if given_fish[name.removesuffix("_marked")] is None else many
        for name, many in marks.items()
    }
    other = area if rng.random() < 0.8 else "AB".replace(area, "")
    return interview(area=other, **given_fish, **marks)


@pytest.mark.parametrize("basis", ["reported", "sampled"])
@settings(max_examples=60 if IS_FULL else 4)
@given(snapshot=snapshots())
def test_figures_of_a_basis_add_up(basis: str, snapshot) -> None:
    for by in LEVELS:
        rows = estimate_snapshot(snapshot, by=by, basis=basis)
        assert set(rows["basis"]) == {basis}
        errors = law_errors(rows)
        assert np.nan_to_num(errors.to_numpy()).max(initial=0.0) <= 1e-9, errors.max()
        known = rows["estimate"].dropna()
        assert np.isfinite(known).all()
        assert (known >= 0).all()
        sampled = rows["method"].str.contains("sampled_composition")
        assert basis == "sampled" or not sampled.any()


def test_a_mixture_of_bases_would_be_seen() -> None:
    rows = estimate_snapshot(
        survey([SiteDay(4, [interview(kept=2, released_legal=1, released_sublegal=5)])]),
        by=("season",),
    )
    wrong = rows.copy()
    wrong.loc[wrong["quantity"] == "encounter_fish", "estimate"] *= 1.1
    assert law_errors(rows)["kept + released = met"].max() <= 1e-9
    assert law_errors(wrong)["kept + released = met"].max() > 0.01


def test_releases_without_a_part_have_no_sum() -> None:
    """More legal fish kept than test fishing allows: how many were released is not known."""
    boat = interview(kept=9, kept_marked=1, released_legal=0, released_sublegal=5)
    days = [SiteDay(4, [boat], date=MONDAY + dt.timedelta(days=day)) for day in range(3)]
    fish = fish_of([4, 1, 30, 30])
    snapshot = survey(days, seasons=seasons("A", weeks=2), fish=fish, **RATES)
    rows = estimate_snapshot(snapshot, by=("season",), basis="sampled").set_index("quantity")
    parts = ["released_legal_fish", "released_fish", "release_deaths_fish", "total_deaths_fish"]
    assert rows.loc[parts, "estimate"].isna().all()
    assert (rows.loc[["released_sublegal_fish", "encounter_fish"], "estimate"] > 0).all()
