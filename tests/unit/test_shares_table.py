"""The sublegal share on two bases: rows, counts, design effect, and words where there is none."""

from __future__ import annotations

import datetime as dt
import math

import pytest

from analytics.codes import coded, has_code
from analytics.errors import UsageError
from analytics.estimates.estimate import result_rows
from analytics.estimates.season_survey import prepare_survey
from analytics.intervals import logit_t
from analytics.released.schemas import SHARE_SCHEMA
from analytics.released.sublegal_share import shares_table
from tests.tables import MONDAY, SiteDay, interview, survey

WEEKS = ("2031-W02", "2031-W03", "2031-W04")
#: Sublegal releases and fish kept at eight site-days of a week, four ramps on two days.
SEEN = ((6, 2), (4, 3), (8, 1), (5, 4), (3, 3), (9, 2), (7, 3), (2, 2))


def boats(kept, sublegal, **given):
    """Return the interviews of two boats, one of which met no fish."""
    met = interview(kept=kept, released_sublegal=sublegal, **given)
    return [met, interview(area=met["area"])]


def on_weekdays(days, sites=None):
    """Return a survey of areas open Monday to Friday: no day group without a sample."""
    sites = sites or {"r1": "A"}
    openings = [
        {
            "season": "2030-31",
            "area": area,
            "open_date": MONDAY,
            "close_date": MONDAY + dt.timedelta(days=69),
            "open_weekdays": "12345",
        }
        for area in sorted(set(sites.values()))
    ]
    return survey(days, sites=sites, seasons=openings)


def site_days(said, *, site="r1", area="A", weeks=3, **given):
    """Return site-days of Monday and Tuesday in some weeks, `said` by week and day."""
    return [
        SiteDay(
            2,
            boats(*reversed(said[(2 * week + day) % len(said)]), area=area, **given),
            site=site,
            date=MONDAY + dt.timedelta(days=7 * week + day),
        )
        for week in range(weeks)
        for day in range(2)
    ]


def two_areas():
    return on_weekdays(
        [
            *site_days(SEEN[:3], site="r1"),
            *site_days(SEEN[3:], site="r2"),
            *site_days(SEEN[2:], site="r3", area="B"),
            *site_days(SEEN[1:6], site="r4", area="B"),
        ],
        sites={"r1": "A", "r2": "A", "r3": "B", "r4": "B"},
    )


def table_of(snapshot, **given):
    season = prepare_survey(snapshot)
    table = shares_table(season, level=given.get("level", 0.95))
    assert table.schema.equals(SHARE_SCHEMA)
    for name in table.column_names:
        values = table[name].to_pylist()
        assert not any(isinstance(one, float) and not math.isfinite(one) for one in values), name
    rows = {(row["basis"], row["area"], row["week"]): row for row in table.to_pylist()}
    assert len(rows) == table.num_rows
    return rows, season


@pytest.fixture(scope="module")
def made():
    return table_of(two_areas())


def test_every_area_and_week_has_both_bases(made):
    rows, _ = made
    domains = {(area, week) for area in "AB" for week in (None, *WEEKS)}
    assert set(rows) == {(basis, *one) for basis in ("survey", "pooled") for one in domains}


def test_survey_rows_are_the_result_rows(made):
    rows, season = made
    for by in (("area", "week"), ("area",)):
        for row in result_rows(season, by=by, level=0.95):
            if row["quantity"] == "sublegal_prop":
                found = rows["survey", row["area"], row["week"]]
                names = ("estimate", "se", "ci_low", "ci_high", "df", "method", "status")
                assert {name: found[name] for name in names} == {
                    name: row.get(name) for name in names
                }


def test_fish_told_are_counted_and_the_design_effect_follows(made):
    rows, _ = made
    found = rows["survey", "A", "2031-W02"]
    told = [SEEN[0], SEEN[1], SEEN[3], SEEN[4]]
    assert found["n_sublegal"] == sum(s for s, _ in told)
    assert found["n_fish"] == sum(s + k for s, k in told)
    p, v = found["estimate"], found["se"] ** 2
    assert found["design_effect"] == pytest.approx(v / (p * (1 - p) / found["n_fish"]))
    assert found["overdispersion"] is None
    season = rows["survey", "A", None]
    assert season["n_fish"] == sum(rows["survey", "A", week]["n_fish"] for week in WEEKS)


@pytest.mark.parametrize(
    ("said", "bound"),
    [
        ([(9, 1), (2, 8), (7, 3), (4, 6), (8, 2), (1, 9)], None),
        ([(10, 0), (0, 10), (0, 10), (10, 0), (10, 0), (0, 10)], "dispersion_high"),
    ],
)
def test_overdispersion_is_a_number_within_its_bounds_only(said, bound):
    rows, _ = table_of(on_weekdays(site_days(said)))
    for (basis, _, _), row in rows.items():
        if basis == "pooled" and bound is None:
            assert 0.1 < row["overdispersion"] < 0.6
            assert not has_code(row["method"], "dispersion_low", "dispersion_high")
        elif basis == "pooled":
            assert row["overdispersion"] is None
            assert has_code(row["method"], bound)


def test_pooled_rows_are_modelled_with_interval_and_no_overdispersion(made):
    rows, _ = made
    for (basis, _, week), row in rows.items():
        if basis == "survey":
            continue
        assert row["status"] == "modelled"
        assert coded("beta_binomial_pooled", over=("areas", "weeks")) in row["method"]
        assert row["overdispersion"] is None
        assert has_code(row["method"], "dispersion_low")
        assert row["ci_method"] == "logit_t"
        assert row["df"] == 24 - 5
        wanted = logit_t(row["estimate"], row["se"], df=row["df"], level=0.95)
        assert (row["ci_low"], row["ci_high"]) == pytest.approx(wanted)
        assert row["design_effect"] is None
        assert row["n_psu"] == (4 if week else 12)
        assert row["n_interviews"] == 2 * row["n_psu"]
        assert row["n_psu_frame"] is None


def test_an_area_is_the_mean_of_its_weeks_by_their_encounters(made):
    rows, season = made
    weights = {
        (row["area"], row["week"]): row["estimate"]
        for row in result_rows(season, by=("area", "week"), level=0.95)
        if row["quantity"] == "encounter_fish"
    }
    for area in "AB":
        shares = [rows["pooled", area, week]["estimate"] for week in WEEKS]
        w = [weights[area, week] for week in WEEKS]
        wanted = sum(x * p for x, p in zip(w, shares, strict=True)) / sum(w)
        assert rows["pooled", area, None]["estimate"] == pytest.approx(wanted)
        assert rows["pooled", area, None]["se"] < min(
            rows["pooled", area, week]["se"] for week in WEEKS
        )
        assert has_code(rows["pooled", area, None]["method"], "mean_of_weeks")


def test_pooling_draws_thin_weeks_together(made):
    rows, _ = made

    def spread(basis):
        found = [rows[basis, area, week]["estimate"] for area in "AB" for week in WEEKS]
        return max(found) - min(found)

    assert 0 < spread("pooled") < spread("survey")


def test_a_wider_level_widens_the_interval():
    narrow, _ = table_of(two_areas(), level=0.8)
    wide, _ = table_of(two_areas(), level=0.99)
    for key, row in narrow.items():
        if row["ci_low"] is not None and row["se"]:
            assert wide[key]["ci_low"] < row["ci_low"]
            assert wide[key]["ci_high"] > row["ci_high"]
        assert row["ci_level"] == 0.8


def test_a_wrong_level_is_refused():
    snapshot = two_areas()
    with pytest.raises(UsageError, match="between 0 and 1"):
        shares_table(prepare_survey(snapshot), level=95)


def test_fish_of_unknown_size_count_as_encounters():
    days = site_days(SEEN, released_unknown=5)
    rows, _ = table_of(survey(days))
    found = rows["survey", "A", "2031-W02"]
    assert found["n_fish"] == sum(s + k + 5 for s, k in SEEN[:2])
    assert found["n_sublegal"] == sum(s for s, _ in SEEN[:2])


def unsized(days):
    return [
        SiteDay(2, [interview(kept=2, released_unknown=4), interview()], date=day.date)
        for day in days
    ]


def test_releases_all_of_unknown_size_give_no_share_but_words():
    rows, _ = table_of(survey(unsized(site_days(SEEN))))
    assert {week for _, _, week in rows} == {None, *WEEKS}
    for row in rows.values():
        assert row["estimate"] is None
        assert row["se"] is None
        assert row["status"] == "no_sample"
        assert has_code(row["method"], "all_of_unknown_size")


def test_a_week_of_unknown_sizes_alone_does_not_pull_the_others():
    days = site_days(SEEN)
    mixed, _ = table_of(survey([*days[:4], *unsized(days[4:])]))
    without, _ = table_of(survey(days[:4]))
    for basis in ("survey", "pooled"):
        assert mixed[basis, "A", "2031-W04"]["estimate"] is None
        assert has_code(mixed[basis, "A", "2031-W04"]["method"], "all_of_unknown_size")
    for week in WEEKS[:2]:
        found, wanted = mixed["pooled", "A", week], without["pooled", "A", week]
        assert found["estimate"] == pytest.approx(wanted["estimate"], rel=1e-3)


def test_no_encounters_give_words():
    rows, _ = table_of(survey(site_days([(0, 0)])))
    for (basis, _, _), row in rows.items():
        assert row["estimate"] is None
        assert row["n_fish"] == 0
        words = "zero_denominator" if basis == "survey" else "no_fish_with_both"
        assert words in row["method"]


def test_sizes_never_recorded_give_words():
    days = [
        SiteDay(1, [interview(kept=2, released_legal=None, released_sublegal=None)], date=day.date)
        for day in site_days(SEEN)
    ]
    rows, _ = table_of(survey(days))
    for (basis, _, _), row in rows.items():
        assert row["estimate"] is None
        words = "not_recorded" if basis == "survey" else "no_fish_with_both"
        assert words in row["method"]


@pytest.mark.parametrize(
    ("said", "word"),
    [
        ((0, 4), "no_sublegal_all_season"),
        ((4, 0), "all_sublegal_all_season"),
    ],
)
def test_shares_of_0_or_1_all_season_are_not_pooled(said, word):
    rows, _ = table_of(survey(site_days([said])))
    assert rows["survey", "A", None]["estimate"] == (said[0] > 0)
    assert rows["pooled", "A", None]["estimate"] is None
    assert rows["pooled", "A", None]["method"].startswith(word)


def test_an_area_without_fish_is_not_told_by_others():
    snapshot = survey(
        [*site_days(SEEN), *site_days([(0, 0)], site="r3", area="B")],
        sites={"r1": "A", "r3": "B"},
    )
    rows, _ = table_of(snapshot)
    assert rows["pooled", "A", None]["status"] == "modelled"
    assert rows["pooled", "B", "2031-W02"]["estimate"] is None
    assert "no_fish_of_area" in rows["pooled", "B", None]["method"]


def test_a_week_without_fish_is_reckoned_from_its_area_and_week():
    days = site_days(SEEN, weeks=2) + site_days([(0, 0)], weeks=3)[4:]
    snapshot = survey(
        [*days, *site_days(SEEN[2:], site="r3", area="B")], sites={"r1": "A", "r3": "B"}
    )
    rows, _ = table_of(snapshot)
    found = rows["pooled", "A", "2031-W04"]
    assert "from_area_and_week" in found["method"]
    assert found["n_fish"] == 0
    assert 0 < found["estimate"] < 1
    assert found["se"] > rows["pooled", "A", "2031-W03"]["se"]


@pytest.mark.parametrize("weeks", [1, 3])
def test_one_area_works_with_one_week_or_several(weeks):
    rows, _ = table_of(survey(site_days(SEEN, weeks=weeks)))
    found = rows["pooled", "A", None]
    words = coded("beta_binomial_pooled", over="weeks") if weeks > 1 else coded("beta_binomial")
    assert words in found["method"].split("; ")
    assert 0 < found["estimate"] < 1


def test_few_site_days_have_a_share_and_no_interval():
    rows, _ = table_of(survey(site_days(SEEN[:1], weeks=1)[:1]))
    found = rows["pooled", "A", "2031-W02"]
    assert found["estimate"] == pytest.approx(6 / 8, abs=0.01)
    assert found["ci_low"] is None
    assert found["ci_method"] == "none"
    assert has_code(found["method"], "few_site_days_with_fish")


def test_interviews_of_convenience_count_too():
    convenience = [
        {
            "interview_id": f"c{number}",
            "site": "r1",
            "date": day.date,
            **interview(kept=kept, released_sublegal=sublegal),
        }
        for number, (day, (sublegal, kept)) in enumerate(zip(site_days(SEEN), SEEN, strict=False))
    ]
    opening = {
        "season": "2030-31",
        "area": "A",
        "open_date": MONDAY,
        "close_date": MONDAY + dt.timedelta(days=69),
        "design": "opportunistic",
    }
    rows, _ = table_of(survey([], seasons=[opening], interviews=convenience))
    found = rows["survey", "A", "2031-W02"]
    assert (found["n_sublegal"], found["n_fish"]) == (10, 15)
    assert rows["pooled", "A", "2031-W02"]["status"] == "modelled"
    assert "mean_of_weeks_by_fish" in rows["pooled", "A", None]["method"]


def test_a_filled_week_has_no_design_effect():
    # The weekend of the first week was sampled, those of the others were not.
    weekend = [
        SiteDay(2, boats(kept, 6), date=MONDAY + dt.timedelta(days=offset))
        for offset, kept in ((5, 2), (6, 3))
    ]
    rows, _ = table_of(survey([*site_days(SEEN), *weekend]))
    assert rows["survey", "A", "2031-W02"]["design_effect"] > 0
    found = rows["survey", "A", "2031-W03"]
    assert found["status"] == "imputed"
    assert found["design_effect"] is None
    assert has_code(found["method"], "no_design_effect")
