"""Published rates of death after release, and encounters expanded from a composition sample."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.estimates.estimate import estimate_snapshot
from analytics.fish.composition_sample import class_ratios
from analytics.fish.holding_trials import Rate, handling_corrected, mixed_rate
from analytics.fish.mortality_rates import RATES_IN_PRINT, EvidenceGrade
from tests.tables import SiteDay, figures, interview, survey

# Lindsay et al. (2004), Hooking mortality by anatomical location and its use in estimating
# mortality of spring Chinook salmon caught and released in a river sport fishery,
# N. Am. J. Fish. Manage. 24: deaths and share of fish by wound site.
WOUND_RATE = {
    "jaw": Rate(0.023),
    "tongue": Rate(0.178),
    "eye": Rate(0.0),
    "gills": Rate(0.816),
    "oesophagus-stomach": Rate(0.673),
}
WOUND_SHARE = {
    "jaw": 0.815,
    "tongue": 0.051,
    "eye": 0.004,
    "gills": 0.051,
    "oesophagus-stomach": 0.078,
}


def test_wound_sites_give_the_printed_fishery_rate():
    printed = mixed_rate(WOUND_SHARE, WOUND_RATE, renormalise=False).rate_prop
    assert round(printed, 5) == 0.12193
    renormalised = mixed_rate(WOUND_SHARE, WOUND_RATE).rate_prop
    assert round(renormalised, 5) == 0.12206
    assert round(renormalised, 3) == 0.122


def test_wound_site_without_a_rate_is_refused():
    with pytest.raises(ValueError, match="no rate for wound sites"):
        mixed_rate(WOUND_SHARE, {"jaw": Rate(0.023)})


def test_shares_given_in_percent_are_refused():
    with pytest.raises(ValueError, match="must sum to 1"):
        mixed_rate({site: 100 * p for site, p in WOUND_SHARE.items()}, WOUND_RATE)


@pytest.mark.parametrize(("observed", "corrected"), [(0.10, 0.05462), (0.50, 0.47479)])
def test_handling_correction(observed, corrected):
    # Grover et al. (2002), Am. Fish. Soc. Symp. 30: handling control 0.048; recomputed.
    assert round(handling_corrected(Rate(observed), Rate(0.048)).rate_prop, 5) == corrected


def test_handling_correction_propagates_both_errors():
    # Against a central difference of the same formula.
    def formula(m, c):
        return (m - c) / (1 - c)

    m, c, se_m, se_c, step = 0.3, 0.05, 0.04, 0.02, 1e-6
    by_m = (formula(m + step, c) - formula(m - step, c)) / (2 * step)
    by_c = (formula(m, c + step) - formula(m, c - step)) / (2 * step)
    wanted = ((by_m * se_m) ** 2 + (by_c * se_c) ** 2) ** 0.5
    got = handling_corrected(Rate(m, se_m), Rate(c, se_c)).rate_se
    assert got == pytest.approx(wanted, rel=1e-6)


def census_of(**fish):
    """Return one site-day that is its whole frame, one boat, no sampling error."""
    return SiteDay(1, [interview(method="trolling", **fish)], stratum="all", frame=1)


def rates(legal, sublegal):
    common = {"method": "any", "wound_class": "any", "source": "printed"}
    return [
        {"size_class": "legal", "rate_prop": legal, "rate_se": 0.0, **common},
        {"size_class": "sublegal", "rate_prop": sublegal, "rate_se": 0.0, **common},
    ]


DROP_OFF = [{"method": "any", "rate_prop": 0.05, "rate_se": 0.0, "base": "encounters"}]


def test_common_practice_rates_on_a_known_catch():
    # Sublegal 20 %, legal 10 %, drop-off 5 % of encounters (common practice, no source); the
    # catch is the worked composition below: 200 kept, 120 legal and 480 sublegal released.
    snapshot = survey(
        [census_of(kept=200, released_legal=120, released_sublegal=480)],
        release_rates=rates(0.10, 0.20),
        drop_off=DROP_OFF,
    )
    frame = estimate_snapshot(snapshot, by=("season",))
    assert figures(frame, "release_deaths_fish")["estimate"] == pytest.approx(108)
    assert figures(frame, "drop_off_deaths_fish")["estimate"] == pytest.approx(0.05 * 800)
    assert figures(frame, "total_deaths_fish")["estimate"] == pytest.approx(308 + 40)


def test_sport_rates_by_size_on_a_known_catch():
    # TCCHINOOK (97)-1 (1997): sport rates 12.3 % from 33 cm and 32.2 % under (from memory).
    snapshot = survey(
        [census_of(released_legal=1000, released_sublegal=1000)], release_rates=rates(0.123, 0.322)
    )
    row = figures(estimate_snapshot(snapshot, by=("season",)), "release_deaths_fish")
    assert row["estimate"] == pytest.approx(123 + 322)


def test_rates_in_print_are_the_references():
    found = {rate.fish: rate for rate in RATES_IN_PRINT}
    assert found["sport, 33 cm and over"].rate_prop == 0.123
    assert found["sport, under 33 cm"].rate_prop == 0.322
    assert found["drift mooching, under 660 mm"].rate_prop == 0.422
    assert found["sublegal"].evidence is EvidenceGrade.COMMON_PRACTICE
    # Grover et al. (2002), 0.342-0.502; Wertheimer (1988), 20.1-29.0 and 9.0-31.9 %; Gjernes et al.
    # (1993), about 30 %; Bendock & Alexandersdottir (1993), 7.6 %; Lindsay et al. (2004), 12.2 %.
    printed = {
        "drift mooching, under 660 mm": (0.422, 0.342, 0.502),
        "ocean troll, sublegal": (0.245, 0.201, 0.290),
        "ocean troll, legal": (0.205, 0.090, 0.319),
        "first ocean year": (0.30, None, None),
        "river sport, adults": (0.076, 0.0551, 0.1046),
        "river sport, all wounds": (0.122, None, None),
    }
    for fish, numbers in printed.items():
        assert (found[fish].rate_prop, found[fish].low, found[fish].high) == numbers
    assert all(r.source for r in RATES_IN_PRINT if r.evidence is not EvidenceGrade.COMMON_PRACTICE)


# Conrad & McHugh (2008) compare this method with angler reports; formulas derived. K 200 (CV .10),
# sample of 30 legal marked, 18 legal unmarked, 42 sublegal marked, 30 sublegal unmarked.
SAMPLE = np.array([[30.0, 18, 42, 30]])
MET_PRINTED = ((200, 20.00), (120, 37.74), (280, 72.55), (200, 55.38), (800, 149.67))


def ratios_of(sample):
    """Return the ratios to legal marked fish of one pool."""
    base = np.array([[True, False, False, False]])
    return class_ratios(sample, np.array([[True]]), base, np.eye(4, dtype=bool)[None])


@pytest.mark.parametrize(("column", "printed"), list(enumerate(MET_PRINTED)))
def test_classes_and_all_encounters_from_composition(column, printed):
    ratios, kept = ratios_of(SAMPLE), np.array([[200.0]])
    fish = (kept @ ratios.value)[0, column]
    variance = (0.10 * fish) ** 2 + ratios.covariance(kept)[0, column, column]
    assert (round(fish, 9), round(variance**0.5, 2)) == printed


def test_damped_encounters_from_composition():
    small = np.array([[6.0, 4, 8, 7]])
    assert 200 * ratios_of(small).value[0, 4] == pytest.approx(200 * 26 / 7)


def test_deaths_of_the_composition():
    _, unmarked, *sublegal, _ = 200 * ratios_of(SAMPLE).value[0]
    deaths = 0.10 * unmarked + 0.20 * sum(sublegal)
    assert deaths == pytest.approx(108)
    assert 200 + deaths == pytest.approx(308)


def test_a_class_never_met_in_the_sample_serves_nothing():
    ratios = ratios_of(np.array([[0.0, 18, 42, 30]]))
    assert not ratios.is_served.any()
    assert (ratios.value == 0).all()
