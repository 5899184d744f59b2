"""Release and drop-off deaths by hand: which rate applies, and both errors in the answer."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from analytics.bulletin.build import bulletin_of
from analytics.codes import has_code
from analytics.data import query as sql
from analytics.estimates.estimate import estimate_snapshot
from analytics.estimates.sampling_report import rate_findings
from analytics.estimates.season_survey import prepare_survey
from analytics.fish.release_mortality import plan_deaths
from analytics.survey.reduction import NOTHING, Analysis, SumQuery
from tests.tables import SiteDay, figures, interview, survey


def rate(size_class, prop, se=None, *, method="any", wound_class="any"):
    return {
        "size_class": size_class,
        "method": method,
        "wound_class": wound_class,
        "rate_prop": prop,
        "rate_se": se,
    }


def drop(prop, se, *, base="encounters", method="any"):
    return {"method": method, "rate_prop": prop, "rate_se": se, "base": base}


def row(days, quantity, **tables):
    return figures(estimate_snapshot(survey(days, **tables), by=("season",)), quantity)


def sample(*boats):
    """Return site-days of one boat each from a frame of 10."""
    return [SiteDay(1, [boat], stratum="all", frame=10) for boat in boats]


TWO = sample(
    interview(kept=1, released_legal=1, released_sublegal=8, method="trolling"),
    interview(kept=1, released_legal=3, released_sublegal=4, method="mooching"),
)


def test_deaths_carry_the_error_of_fish_and_of_rates():
    rates = [rate("legal", 0.1, 0.02), rate("sublegal", 0.2, 0.05)]
    found = row(TWO, "release_deaths_fish", release_rates=rates)
    # Deaths by boat 1.7 and 1.1; totals 20 legal and 60 sublegal of N = 10.
    assert found["estimate"] == pytest.approx(10 / 2 * (1.7 + 1.1))
    expand = 100 * (1 - 2 / 10) / 2
    survey_part = expand * (1.7 - 1.1) ** 2 / 2
    legal, sublegal = expand * (1 - 3) ** 2 / 2, expand * (8 - 4) ** 2 / 2
    rate_part = 0.02**2 * (20**2 - legal) + 0.05**2 * (60**2 - sublegal)
    assert found["se"] == pytest.approx(math.sqrt(survey_part + rate_part))


def test_a_rate_of_the_own_method_comes_first():
    rates = [
        rate("legal", 0.1, 0.0),
        rate("sublegal", 0.2, 0.0),
        rate("sublegal", 0.4, 0.0, method="mooching"),
    ]
    found = row(TWO, "release_deaths_fish", release_rates=rates)
    assert found["estimate"] == pytest.approx(5 * (0.1 + 1.6 + 0.3 + 1.6))


def test_unknown_size_takes_any_then_sublegal():
    boats = sample(interview(released_unknown=4), interview(released_unknown=6))
    with_any = [rate("sublegal", 0.2, 0.0), rate("any", 0.5, 0.0)]
    assert row(boats, "release_deaths_fish", release_rates=with_any)["estimate"] == 25
    without = row(boats, "release_deaths_fish", release_rates=[rate("sublegal", 0.2, 0.0)])
    assert without["estimate"] == pytest.approx(10)
    assert has_code(without["method"], "unknown_as_sublegal")


def test_no_rates_say_so_and_invent_nothing():
    for quantity in ("release_deaths_fish", "drop_off_deaths_fish", "total_deaths_fish"):
        found = row(TWO, quantity)
        assert math.isnan(found["estimate"])
        assert math.isnan(found["se"])
        assert found["status"] == "no_sample"
        assert has_code(found["method"], "no_release_rates", "no_drop_off_rates")


def test_rates_for_one_method_only():
    rates = [
        rate("legal", 0.1, 0.0, method="trolling"),
        rate("sublegal", 0.2, 0.0, method="trolling"),
    ]
    found = row(TWO, "release_deaths_fish", release_rates=rates)
    assert math.isnan(found["estimate"])
    assert found["method"] == (
        "no_release_rate_for(fish=legal:released:mooching); "
        "no_release_rate_for(fish=sublegal:released:mooching)"
    )
    trolled = sample(
        interview(released_sublegal=5, method="trolling"),
        interview(kept=2, method="mooching"),
    )
    assert row(trolled, "release_deaths_fish", release_rates=rates)["estimate"] == pytest.approx(5)


def test_a_rate_of_one_wound_class_is_not_a_rate_of_all():
    found = row(
        TWO, "release_deaths_fish", release_rates=[rate("any", 0.6, 0.1, wound_class="deep")]
    )
    assert math.isnan(found["estimate"])


PAIR = [
    rate("sublegal", 0.1, 0.02, wound_class="shallow"),
    rate("sublegal", 0.6, 0.1, wound_class="deep"),
    rate("legal", 0.05, 0.01, wound_class="any"),
]
MOOCHED = {"method": "mooching"}
TOLD = sample(
    interview(released_sublegal=8, released_legal=2, released_deep_hooked=4, **MOOCHED),
    interview(released_sublegal=6, released_deep_hooked=0, **MOOCHED),
    interview(released_sublegal=4, **MOOCHED),
    interview(released_sublegal=5, released_deep_hooked=1, method="trolling"),
)


def test_fish_are_split_by_the_deep_share_told_of_their_method():
    found = row(TOLD, "release_deaths_fish", release_rates=PAIR)
    expand = 10 / 4
    # Mooching: 18 sublegal, 4 of 16 told deep; trolling: 5, of which 1 of 5.
    deep = 18 * 4 / 16 + 5 * 1 / 5
    deaths = 0.6 * deep + 0.1 * (23 - deep) + 0.05 * 2
    assert found["estimate"] == pytest.approx(expand * deaths)
    assert has_code(found["method"], "deep_share")


def test_the_error_of_a_split_is_that_of_its_linear_form():
    found = row(TOLD, "release_deaths_fish", release_rates=PAIR)
    # By boat: sublegal by mooching, releases of boats that told, deep; the same by trolling; legal.
    boats = np.array(
        [
            [8, 10, 4, 0, 0, 0, 2],
            [6, 6, 0, 0, 0, 0, 0],
            [4, 0, 0, 0, 0, 0, 0],
            [0, 0, 0, 5, 5, 1, 0],
        ]
    )
    total = 10 / 4 * boats.sum(axis=0)

    def fish(t):
        deep = [t[0] * t[2] / t[1], t[3] * t[5] / t[4]]
        return np.array([t[0] + t[3] - sum(deep), sum(deep), t[6]])

    steps = 1e-5 * np.eye(7)
    slope = np.array([(fish(total + d) - fish(total - d)) / 2e-5 for d in steps]).T
    cov = 100 * (1 - 4 / 10) / 4 * np.cov(boats.T)
    spread = slope @ cov @ slope.T
    rates, errors = np.array([0.1, 0.6, 0.05]), np.array([0.02, 0.1, 0.01])
    from_rates = errors**2 @ (fish(total) ** 2 - np.diag(spread))
    assert found["se"] ** 2 == pytest.approx(rates @ spread @ rates + from_rates, rel=1e-6)


def test_the_pair_comes_before_any_wound_of_the_same_key_only():
    own = [
        rate("sublegal", 0.3, 0.0, method="mooching"),
        rate("sublegal", 0.9, 0.0),
        *PAIR,
    ]
    found = row(TOLD, "release_deaths_fish", release_rates=own)
    # Mooched fish take the rate of their own method; trolled ones the pair of any method.
    deaths = 0.3 * 18 + 0.6 * 1 + 0.1 * 4 + 0.05 * 2
    assert found["estimate"] == pytest.approx(10 / 4 * deaths)


def test_where_nobody_told_the_wound_any_rate_is_taken_and_said():
    silent = sample(interview(released_sublegal=4, **MOOCHED), interview(**MOOCHED))
    found = row(silent, "release_deaths_fish", release_rates=[*PAIR, rate("sublegal", 0.2, 0.0)])
    assert found["estimate"] == pytest.approx(5 * 4 * 0.2)
    told = "wounds_unknown(fish=sublegal:released:mooching)"
    assert told in found["method"]
    without = row(silent, "release_deaths_fish", release_rates=PAIR)
    assert math.isnan(without["estimate"])
    assert without["method"] == ("wounds_unknown_no_rate(fish=sublegal:released:mooching)")


def test_one_rate_of_a_pair_is_no_pair():
    alone = [rate("sublegal", 0.6, 0.1, wound_class="deep"), rate("legal", 0.05, 0.01)]
    found = row(TOLD, "release_deaths_fish", release_rates=alone)
    assert math.isnan(found["estimate"])
    assert found["method"] == (
        "no_release_rate_for(fish=sublegal:released:mooching:trolling); "
        "only_wound_rate(wounds=deep)"
    )
    whole = row(TOLD, "release_deaths_fish", release_rates=[*alone, rate("sublegal", 0.2, 0.0)])
    assert whole["estimate"] == pytest.approx(10 / 4 * (23 * 0.2 + 2 * 0.05))


def test_all_released_of_unknown_size():
    boats = sample(interview(released_unknown=6), interview(released_unknown=2))
    found = row(boats, "release_deaths_fish", release_rates=[rate("sublegal", 0.2, 0.0)])
    assert found["estimate"] == pytest.approx(5 * 8 * 0.2)
    assert has_code(found["method"], "unknown_as_sublegal")
    legal = row(boats, "release_deaths_fish", release_rates=[rate("legal", 0.1, 0.0)])
    assert legal["method"] == ("no_release_rate_for(fish=unknown:released:)")


def test_a_rate_of_one_row_has_one_error_over_sizes_and_methods():
    # One rate for both sizes: its error counts on their sum, not on each in quadrature.
    boats = sample(*[interview(released_legal=3, released_sublegal=4, **MOOCHED)] * 3)
    found = row(boats, "release_deaths_fish", release_rates=[rate("any", 0.2, 0.05)])
    assert found["se"] == pytest.approx(0.05 * 70)


def test_a_rate_above_one_is_refused(tmp_path):
    from analytics.data.importing.batch import read_paths

    head = "size_class,method,wound_class,rate_prop,rate_se,source\n"
    (tmp_path / "release_rates.csv").write_text(head + "sublegal,any,any,20,0.1,mine\n")
    (finding,) = [one for one in read_paths([tmp_path]).findings if one.column == "rate_prop"]
    assert finding.seen == "20"
    assert "0 to 1" in finding.allowed
    assert finding.severity == "error"


def test_drop_off_of_one_method_only_names_what_lacks():
    found = row(TOLD, "drop_off_deaths_fish", drop_off=[drop(0.05, 0.0, method="trolling")])
    assert math.isnan(found["estimate"])
    assert found["method"] == "no_drop_off_rate_for(fish=any:drop_off:mooching)"


def test_drop_off_counts_on_its_stated_base():
    encounters = row(TWO, "drop_off_deaths_fish", drop_off=[drop(0.05, 0.0)])
    assert encounters["estimate"] == pytest.approx(0.05 * 90)
    kept = row(TWO, "drop_off_deaths_fish", drop_off=[drop(0.05, 0.0, base="kept")])
    assert kept["estimate"] == pytest.approx(0.05 * 10)


def test_total_is_kept_plus_both_with_one_joint_error():
    rates = [rate("legal", 0.1, 0.02), rate("sublegal", 0.2, 0.05)]
    tables = {"release_rates": rates, "drop_off": [drop(0.05, 0.01)]}
    parts = [
        row(TWO, quantity, **tables)
        for quantity in ("kept_fish", "release_deaths_fish", "drop_off_deaths_fish")
    ]
    total = row(TWO, "total_deaths_fish", **tables)
    assert total["estimate"] == pytest.approx(sum(part["estimate"] for part in parts))
    deaths = [1 + 1.7 + 0.5, 1 + 1.1 + 0.4]
    expand = 100 * (1 - 2 / 10) / 2
    squares = {"legal": (20, 2), "sublegal": (60, 4), "encounters": (90, 2)}
    errors = {"legal": 0.02, "sublegal": 0.05, "encounters": 0.01}
    rate_part = sum(
        errors[name] ** 2 * (whole**2 - expand * gap**2 / 2)
        for name, (whole, gap) in squares.items()
    )
    survey_part = expand * (deaths[0] - deaths[1]) ** 2 / 2
    assert total["se"] == pytest.approx(math.sqrt(survey_part + rate_part))


def test_a_rate_without_an_error_is_said():
    rates = [rate("legal", 0.1), rate("sublegal", 0.2)]
    found = row(TWO, "release_deaths_fish", release_rates=rates)
    assert has_code(found["method"], "rate_without_error")
    assert found["se"] > 0


def test_quotes_in_a_method_name_are_only_text():
    boats = sample(interview(released_sublegal=5, method="plug 'n' bait"), interview())
    rates = [rate("sublegal", 0.2, 0.0, method="plug 'n' bait")]
    assert row(boats, "release_deaths_fish", release_rates=rates)["estimate"] == pytest.approx(5)


def test_products_of_boats_that_are_never_both_are_not_summed():
    snapshot = survey(TOLD, release_rates=PAIR)
    measures = plan_deaths(
        snapshot["interviews"], snapshot["release_rates"], snapshot["drop_off"]
    ).measures
    blind = {name: replace(one, only=None) for name, one in measures.items()}
    asked, plain = (SumQuery(some, frozenset()) for some in (measures, blind))
    of_measures, of_blind = asked.ask(Analysis(tuple(measures))), plain.ask(Analysis(tuple(blind)))
    assert len(asked.query()) < len(plain.query())
    query = plain.query().replace("JOIN units USING (sample_id) JOIN areas USING (area)", "")
    query = query.replace("SELECT units.unit, areas.code AS area", "SELECT 1 AS unit, 1 AS area")
    (sums,) = sql.run(query, {"interviews": snapshot["interviews"]}).to_pylist()
    pairs = [
        (alias, other)
        for row, others in zip(of_measures.products, of_blind.products, strict=True)
        for alias, other in zip(row, others, strict=True)
    ]
    left_out = [other for alias, other in pairs if alias == NOTHING and other != NOTHING]
    assert len(left_out) > 4
    assert [sums[other] for other in left_out] == [0] * len(left_out)


class TestRatesOfOneMethod:
    def deaths(self, rates):
        return row(TOLD, "release_deaths_fish", release_rates=rates)["estimate"]

    def by_hand(self, *, mooched, trolled):
        # Of four site-days in ten; mooching 4 of 16 told deep, trolling 1 of 5.
        deep = [18 * 4 / 16, 5 * 1 / 5]
        deaths = mooched[1] * deep[0] + mooched[0] * (18 - deep[0])
        deaths += trolled[1] * deep[1] + trolled[0] * (5 - deep[1])
        return 10 / 4 * (deaths + 0.05 * 2)

    def test_deep_hooks_of_one_method_take_its_rate_and_shallow_ones_that_of_any(self):
        pair = [
            rate("legal", 0.05, 0.0),
            rate("sublegal", 0.1, 0.0, wound_class="shallow"),
            rate("sublegal", 0.4, 0.0, wound_class="deep"),
            rate("sublegal", 0.6, 0.0, wound_class="deep", method="mooching"),
        ]
        expected = self.by_hand(mooched=(0.1, 0.6), trolled=(0.1, 0.4))
        assert self.deaths(pair) == pytest.approx(expected)

    def test_a_rate_of_any_wound_for_the_method_comes_before_a_pair_for_any(self):
        rates = [*PAIR, rate("sublegal", 0.3, 0.0, method="mooching")]
        expected = self.by_hand(mooched=(0.3, 0.3), trolled=(0.1, 0.6))
        assert self.deaths(rates) == pytest.approx(expected)

    def test_the_own_size_comes_before_any_for_each_wound(self):
        rates = [
            rate("any", 0.05, 0.0, wound_class="shallow"),
            rate("sublegal", 0.5, 0.0, wound_class="deep"),
            rate("legal", 0.05, 0.0),
        ]
        expected = self.by_hand(mooched=(0.05, 0.5), trolled=(0.05, 0.5))
        assert self.deaths(rates) == pytest.approx(expected)


class TestFindings:
    def seen(self, days, **tables):
        snapshot = survey(days, **tables)
        found = list(rate_findings(prepare_survey(snapshot)))
        assert all(one.severity == "warning" for one in found)
        return {(one.table, one.seen) for one in found}

    def test_the_bulletin_has_them(self):
        rates = [rate("any", 0.2, 0.0), rate("any", 0.2, 0.0, method="Trolling")]
        snapshot = survey(TWO, release_rates=rates, drop_off=[drop(0.05, 0.0)])
        found = bulletin_of(snapshot).findings.to_pylist()
        (one,) = [row for row in found if row["table"] == "release_rates"]
        assert has_code(one["seen"], "release_rate_idle")
        assert "method=Trolling, wound=any wound" in one["seen"]

    def test_every_rate_in_use_is_no_finding(self):
        assert not self.seen(TOLD, release_rates=PAIR, drop_off=[drop(0.05, 0.0)])

    def test_no_rate_at_all_is_told_by_the_rows_alone(self):
        assert not self.seen(TWO)

    def test_a_rate_for_one_method_only(self):
        rates = [rate("any", 0.2, 0.0, method="trolling")]
        assert self.seen(
            TWO, release_rates=rates, drop_off=[drop(0.05, 0.0, method="mooching")]
        ) == {
            ("release_rates", "no_release_rate_for(fish=legal:released:mooching)"),
            ("release_rates", "no_release_rate_for(fish=sublegal:released:mooching)"),
            ("drop_off", "no_drop_off_rate_for(fish=any:drop_off:trolling)"),
        }

    def test_a_rate_that_no_fish_take(self):
        rates = [
            rate("any", 0.2, 0.0),
            rate("sublegal", 0.6, 0.0, wound_class="deep", method="mooching"),
            rate("any", 0.3, 0.0, method="Trolling"),
        ]
        lost = [drop(0.05, 0.0), drop(0.1, 0.0, method="jigging")]
        assert self.seen(TWO, release_rates=rates, drop_off=lost) == {
            (
                "release_rates",
                "release_rate_idle(size=sublegal, method=mooching, wound=deep hooks)",
            ),
            (
                "release_rates",
                "release_rate_idle(size=any, method=Trolling, wound=any wound)",
            ),
            ("drop_off", "drop_off_rate_idle(method=jigging)"),
        }
