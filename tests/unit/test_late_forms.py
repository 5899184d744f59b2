"""Figures that went out are kept until forms of three boats change them, and sums follow them."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from analytics.estimates.season_survey import prepare_survey
from analytics.precision import WITHHELD_OVER, pse_of
from analytics.publishing import publications, withholding
from analytics.publishing.publish import FIGURE_SCHEMA, figures, published_of, rows_by_domain
from analytics.publishing.totals import totals_of
from tests.store_faults import filled_store
from tests.tables import MONDAY, SiteDay, interview, survey

WEEK = f"{MONDAY:%G-W%V}"


def season(*late, boats=9, kept=2, first=4):
    """Return a season of two site-days: `late` forms of the first came later than `first`."""
    asked = [interview(kept=kept), *[interview(kept=1)] * (first - 1)]
    days = [
        SiteDay(boats, [*asked, *late], date=MONDAY),
        SiteDay(5, [interview(kept=3)] * 3, date=MONDAY + dt.timedelta(days=1)),
        SiteDay(5, [interview(kept=2)] * 4, date=MONDAY + dt.timedelta(days=8)),
    ]
    return survey(days)


def through(tables, weeks=1):
    last = f"{MONDAY + dt.timedelta(weeks=weeks - 1):%G-W%V}"
    return prepare_survey(tables, season="2030-31", through=last)


def publish_all(*seasons):
    before, made = [], []
    for one in seasons:
        made.append(published_of(one, before))
        before.append(made[-1].publication)
    return made


def rows_of(made, area, week):
    return [one for one in made.figures.to_pylist() if (one["area"], one["week"]) == (area, week)]


def kept_fish(made, area, week):
    (row,) = (one for one in rows_of(made, area, week) if one["quantity"] == "kept_fish")
    return row["estimate"]


def test_two_late_forms_wait_and_a_third_lets_all_of_them_out():
    forms = [interview(kept=5), interview(kept=0), interview(kept=7)]
    made = publish_all(*(through(season(*forms[:n])) for n in range(4)))
    assert [one.n_kept for one in made] == [0, 1, 1, 0]
    for later in made[1:3]:
        assert later.files() == made[0].files()
    newest = made[3].publication
    place = newest.domains.index(("A", WEEK))
    whole = totals_of(through(season(*forms)))
    assert np.array_equal(newest.values[place], whole.values[whole.domains.index(("A", WEEK))])
    assert kept_fish(made[3], "A", WEEK) != kept_fish(made[0], "A", WEEK)


def test_what_changed_since_any_earlier_publication_counts():
    # Three forms come, and one of the first is corrected: beside the second that is one boat.
    forms = [interview(kept=5)] * 3
    made = publish_all(through(season()), through(season(*forms)), through(season(*forms, kept=3)))
    assert [one.n_kept for one in made] == [0, 0, 1]
    assert rows_of(made[2], "A", WEEK) == rows_of(made[1], "A", WEEK)


@pytest.mark.parametrize("late", [[], [interview(kept=5)]])
def test_sums_are_sums_of_what_goes_out(late):
    first, second = publish_all(through(season()), through(season(*late, kept=9), weeks=2))
    assert second.n_kept == 1
    totals = second.publication
    values = dict(zip(totals.domains, totals.values, strict=True))
    for area in ("A", None):
        parts = [one for domain, one in values.items() if domain[0] == area and domain[1]]
        assert len(parts) == 2
        assert values[area, None] == pytest.approx(sum(parts))
    was = dict(zip(first.publication.domains, first.publication.values, strict=True))
    assert np.array_equal(values["A", WEEK], was["A", WEEK])
    row = rows_of(second, None, None)[0]
    assert row["estimate"] == pytest.approx(values[None, None][0], rel=1e-6)
    assert row["ci_low"] < row["estimate"] < row["ci_high"]


def test_a_corrected_count_of_boats_goes_out_where_three_boats_stand_behind_it():
    many = publish_all(through(season()), through(season(boats=12)))
    few = publish_all(through(season(first=2)), through(season(first=2, boats=12)))
    assert [one.n_kept for one in (*many, *few)] == [0, 0, 0, 1]


def test_an_area_that_one_late_boat_fished_first_is_not_there_yet():
    elsewhere = interview(area="B", kept=4)
    tables = [season(*[elsewhere] * n) for n in (0, 1, 3)]
    made = publish_all(*map(through, tables))
    assert [("B", WEEK) in one.publication.domains for one in made] == [False, False, True]
    assert made[1].n_kept == 2
    assert made[1].publication.is_same(made[0].publication)
    assert all(row["estimate"] is None for row in rows_of(made[1], "B", WEEK))


def test_nothing_that_is_left_of_a_sum_by_rounding_goes_out_as_a_total(monkeypatch):
    # The one fish kept comes with a late form of another area: until then all totals of it are 0.
    # A total of 2e-16 could not be protected, and no choice of what to withhold was found.
    solved, solve = [], withholding._solve
    monkeypatch.setattr(
        withholding, "_solve", lambda *given: solved.append(solve(*given)) or solved[-1]
    )
    released = interview(area="B", hours_fished=0.5, released_sublegal=1)
    days = [MONDAY + dt.timedelta(days=at) for at in (0, 1, 5, 6, 2, 14)]

    def season(*forms):
        asked = [forms, [released], [], [], [], []]
        of = zip((1, 2, 0, 0, 0, 0), asked, ("A", "A", "A", "A", "C", "A"), days, strict=True)
        sites = {f"r{area}": area for area in "ABC"}
        return survey(
            [SiteDay(n, [*one], site=f"r{at}", date=day) for n, one, at, day in of], sites=sites
        )

    early, late = season(), season(interview(kept=1))
    for made in publish_all(through(early), through(early, 2), through(late, 3), through(late, 3)):
        values = made.publication.values
        assert not ((values != 0) & (np.abs(values) < 1e-6)).any()
    assert solved
    assert None not in solved


def test_the_record_remembers_the_boats_behind_what_went_out(tmp_path):
    path, before = filled_store(tmp_path / "s"), []
    for tables in (season(), season(interview(kept=5)), season(*[interview(kept=5)] * 3)):
        one = through(tables)
        with publications.one_at_a_time(path):
            read = publications.publications(path, "2030-31")
            mine, again = published_of(one, before), published_of(one, read)
            publications.keep(path, again.publication, read)
        assert again.files() == mine.files()
        assert again.n_kept == mine.n_kept
        before.append(mine.publication)
    assert [len(one.states) for one in publications.publications(path, "2030-31")] == [4, 4]


def test_a_ratio_of_an_unsure_total_goes_out_by_its_own_error():
    # Boats keep 2 fish an angler wherever they come from; few of them came on most days.
    party = interview(anglers=2, kept=4)
    days = [
        SiteDay(n, [party] * n, date=MONDAY + dt.timedelta(days=at))
        for at, n in enumerate((40, 3, 0, 0))
    ]
    days[1].interviews[0] = interview(anglers=2, kept=3)
    made, rows = published_of(through(survey(days)), []), rows_by_domain(through(survey(days)))
    found = {row["quantity"]: row for row in rows_of(made, "A", WEEK)}
    unsure = {
        name
        for name, row in rows["A", WEEK].items()
        if (pse_of(row["estimate"], row["se"]) or 0) > WITHHELD_OVER
    }
    assert {"kept_fish", "angler_trips"} <= unsure
    assert "kept_per_angler_trip" not in unsure
    # Only what is unsure itself is not published for its error.
    assert {name for name, row in found.items() if row["status"] == "not_published"} == unsure
    assert all(found[name]["precision"] == "over_50" for name in unsure)
    assert found["kept_per_angler_trip"]["estimate"] == pytest.approx(171 / 86, rel=1e-6)
    # A domain that is withheld gives no ratio either.
    hidden = replace(made.publication, shown=made.publication.shown & False)
    table = figures(rows, hidden)
    assert table.schema == FIGURE_SCHEMA
    assert set(table["status"].to_pylist()) == {"suppressed"}
    assert set(table["estimate"].to_pylist()) == {None}
