"""The fish that go back in the invented bulletin: every odd case of the page Released fish."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from analytics.codes import coded, join_codes, sentences
from analytics.released.schemas import RELEASED_SCHEMAS
from tests.app import sample_held
from tests.app.sample_cases import NO_DESIGN, without_estimate

if TYPE_CHECKING:
    from collections.abc import Sequence

Row = dict[str, Any]

CLASSES = {
    "encounter_legal_marked_fish": 0.10,
    "encounter_legal_unmarked_fish": 0.14,
    "encounter_sublegal_marked_fish": 0.33,
    "encounter_sublegal_unmarked_fish": 0.43,
}
MET = "encounter_fish"
#: Areas of the odd cases: no sample at all; marks never read; pooled with neighbours; no fish met;
#: interviews of convenience.
NO_SAMPLE, UNREAD, POOLED_FROM, NOTHING, CONVENIENT = "A2", "A3", "A4", "A5", "A6"
NO_FISH_CODE = coded("no_test_fishing")
NO_FISH = sentences(NO_FISH_CODE)
NO_MARK_CODE = coded("no_mark_read")
NO_MARK = sentences(NO_MARK_CODE)
RULE_CODE = coded("test_fish_weeks", n=2)
RULE = sentences(RULE_CODE)
MODEL_CODE = coded("beta_binomial_pooled", over=["weeks", "areas"])
MODEL = sentences(MODEL_CODE)
NO_POOLED_CODE = coded("no_fish_with_both")
NO_POOLED = sentences(NO_POOLED_CODE)
RHO, EFFECT = 0.08, 3.2
NO_RATE_CODE = coded("no_release_rate_for", fish="sublegal:released:trolling")
NO_RATE = sentences(NO_RATE_CODE)
ODD = "<i>sculpin</i> & *co*"
NOT_RECORDED_CODE = coded("no_bycatch_recorded")
NOT_RECORDED = sentences(NOT_RECORDED_CODE)
#: By how much the sample is below the reports.
BELOW = 0.75


def tables(season: str, rows: Sequence[Row], *, with_data: bool) -> dict[str, pa.Table]:
    """Return the tables of a season; one without data has reports and nothing else."""
    made = {
        "shares": _shares(rows, with_data=with_data),
        "composition": _composition(rows, with_data=with_data),
        "composition_ratio": _compared(season, rows, with_data=with_data),
        "deaths": _deaths(season, rows, with_data=with_data),
    }
    if with_data:
        made |= {"method_mix_deaths": _mix(season), "bycatch": _bycatch(rows)}
        made |= sample_held.tables(season)
    return {
        name: pa.Table.from_pylist(made.get(name, []), schema=schema)
        for name, schema in RELEASED_SCHEMAS.items()
    }


def _shares(rows: Sequence[Row], *, with_data: bool) -> list[Row]:
    mine = [row for row in rows if row["quantity"] == "sublegal_prop" and row["area"]]
    lines = [_survey_share(row) for row in mine]
    return lines + ([_pooled_share(row) for row in mine] if with_data else [])


def _survey_share(row: Row) -> Row:
    has = row["estimate"] is not None
    more = {"n_fish": 120 if has else 0, "n_sublegal": 84 if has else 0}
    effect = EFFECT if row["se"] is not None else None
    return {"basis": "survey", "overdispersion": None, "design_effect": effect, **row, **more}


def _pooled_share(row: Row) -> Row:
    more = {"basis": "pooled", "n_fish": 120, "n_sublegal": 84, "design_effect": None}
    if row["area"] == NOTHING:
        return without_estimate(row, NO_POOLED_CODE) | more | {"overdispersion": None}
    middle = 0.62 + 0.01 * int((row["week"] or "W05")[-1])
    limits = {"estimate": middle, "se": 0.02, "ci_low": middle - 0.04, "ci_high": middle + 0.04}
    model = {"ci_method": "logit_t", "df": 60.0, "method": MODEL_CODE, "status": "modelled"}
    return row | limits | model | more | {"overdispersion": RHO}


def _composition(rows: Sequence[Row], *, with_data: bool) -> list[Row]:
    lines = []
    for row in rows:
        if row["quantity"] != MET or row["week"] not in (None, "2036-W05"):
            continue
        for name, part in {**CLASSES, MET: 1.0}.items():
            lines.append(_reported(row, name, part))
            lines += [_sampled(row, name, part)] if with_data else []
    return lines


_BESIDE = {"draws_low": None, "draws_high": None, "n_measured": None, "n_class": None, "rule": ""}


def _reported(row: Row, name: str, part: float) -> Row:
    one = _times(row, part) | {"quantity": name, "basis": "reported", **_BESIDE}
    if row["area"] == UNREAD and name != MET:
        return without_estimate(one, NO_MARK_CODE)
    return one if name == MET else one | {"method": "reported_marks"}


def _sampled(row: Row, name: str, part: float) -> Row:
    one = _times(row, BELOW * part) | {"quantity": name, "basis": "sampled", **_BESIDE}
    if row["area"] == NO_SAMPLE:
        return without_estimate(one, NO_FISH_CODE)
    if row["area"] == CONVENIENT:
        return without_estimate(one, NO_DESIGN, row["status"])
    if row["area"] == NOTHING:
        none = {"estimate": 0.0, "se": None, "ci_low": None, "ci_high": None}
        return one | none | {"status": "zero_total", "n_measured": 31, "n_class": 0}
    if one["estimate"] is None:
        return one
    draws = {"draws_low": 0.9 * (one["ci_low"] or 0.0), "draws_high": 1.1 * one["estimate"]}
    sample = {"n_measured": 140, "n_class": round(140 * part), "method": "sampled_composition"}
    rule = RULE_CODE if row["area"] == POOLED_FROM else ""
    return one | draws | sample | {"rule": rule}


def _times(row: Row, size: float) -> Row:
    names = ("estimate", "se", "ci_low", "ci_high")
    return row | {name: None if row[name] is None else size * row[name] for name in names}


def _compared(season: str, rows: Sequence[Row], *, with_data: bool) -> list[Row]:
    lines = []
    for row in rows if with_data else []:
        if row["quantity"] == MET and row["week"] is None:
            lines += [_ratio(season, row, name, part) for name, part in CLASSES.items()]
            lines.append(_ratio(season, row, MET, 1.0))
    return lines


def _ratio(season: str, row: Row, name: str, part: float) -> Row:
    one = {"season": season, "area": row["area"], "week": None, "quantity": name}
    one |= {"ci_level": 0.95, "reason": ""}
    known = {"reported": part * row["estimate"], "sampled": BELOW * part * row["estimate"]}
    if row["area"] == NO_SAMPLE:
        return one | {"reported": known["reported"], "reason": NO_FISH_CODE}
    if row["area"] == UNREAD and name != MET:
        return one | {"sampled": known["sampled"], "reason": NO_MARK_CODE}
    if row["area"] == NOTHING:
        return one | {"reported": 0.0, "sampled": 0.0, "reason": coded("none_reported")}
    if row["area"] == POOLED_FROM:
        return one | known | {"ratio": BELOW, "reason": coded("none_of_class")}
    return one | known | {"ratio": BELOW, "ci_low": BELOW - 0.1, "ci_high": BELOW + 0.12}


_DEATH: Row = {
    "size_class": "any",
    "method": None,
    "wound_class": "any",
    "ci_level": 0.95,
    "source": "",
    "evidence": "",
    "reason": "",
}
#: Groups of the deaths: fate, size, method, wound, part of the fish met, rate, its error.
GROUPS = (
    ("kept", "any", None, "any", 0.12, 1.0, 0.0),
    ("released", "legal", None, "any", 0.10, 0.1, None),
    ("released", "sublegal", "mooching", "shallow", 0.30, 0.16, 0.03),
    ("released", "sublegal", "mooching", "deep", 0.08, 0.50, 0.06),
    ("released", "sublegal", "trolling", "any", 0.35, 0.2, 0.04),
    ("released", "unknown", "trolling", "any", 0.05, 0.2, 0.04),
    ("drop_off", "any", None, "any", 1.0, 0.05, 0.01),
)
SOURCE = "a report of an invented agency, table 3"
#: Notes that the sums share.
NOTES_CODE = join_codes([coded("imputed"), coded("unknown_as_sublegal")])
NOTES = sentences(NOTES_CODE)


def _deaths(season: str, rows: Sequence[Row], *, with_data: bool) -> list[Row]:
    lines = []
    for row in rows:
        if row["quantity"] == MET and row["week"] is None:
            found = _deaths_of(season, row, with_data=with_data)
            lines += [one | {"basis": "reported"} for one in found]
            lines += _sampled_deaths(found) if with_data and row["area"] != NO_SAMPLE else []
    return lines


def _sampled_deaths(lines: Sequence[Row]) -> list[Row]:
    """Return kept, released, lost and all deaths as the sample has them, below the reports."""
    names = ("fish", "fish_se", "deaths", "deaths_low", "deaths_high", "se", "ci_low", "ci_high")
    sums = [
        one for one in lines if one["fate"] in ("drop_off", "all") or one["reason"] == NOTES_CODE
    ]
    kept = [one | {"basis": "sampled"} for one in lines if one["fate"] == "kept"]
    return kept + [
        one
        | {"basis": "sampled"}
        | {name: BELOW * one[name] for name in names if one.get(name) is not None}
        for one in sums
    ]


def _deaths_of(season: str, row: Row, *, with_data: bool) -> list[Row]:
    start = _DEATH | {"season": season, "area": row["area"]}
    lacks = {"fate": "all", "reason": NO_RATE_CODE}
    if not with_data:
        return [start | lacks] if row["area"] in (None, "A1") else []
    found = [_group(start, row, group) for group in GROUPS]
    if row["area"] == NO_SAMPLE:
        none = dict.fromkeys(("rate_prop", "rate_low", "rate_high", "deaths", "deaths_low"))
        none |= dict.fromkeys(("deaths_high", "se", "ci_low", "ci_high"))
        found[4] |= none | {"reason": NO_RATE_CODE}
        return [*found, start | lacks]
    gone = [one for one in found if one["fate"] == "released"]
    fish = {"fish": sum(one["fish"] for one in gone), "fish_se": 0.1}
    released = _sum(gone) | fish | {"fate": "released", "reason": NOTES_CODE}
    both = start | _sum(found) | {"fate": "all", "reason": NOTES_CODE, "catch_variance_prop": 0.62}
    return [*found, start | released, both]


def _sum(lines: Sequence[Row]) -> Row:
    names = ("deaths", "deaths_low", "deaths_high")
    sums = {name: sum(one[name] for one in lines) for name in names}
    se = math.sqrt(sum(one["se"] ** 2 for one in lines))
    limits = {"ci_low": sums["deaths"] - 2 * se, "ci_high": sums["deaths"] + 2 * se}
    return sums | limits | {"se": se}


def _group(start: Row, row: Row, group: tuple[Any, ...]) -> Row:
    fate, size, method, wound, part, rate, error = group
    fish = 0.0 if row["area"] == NOTHING else part * row["estimate"]
    low, high = (rate, rate) if not error else (rate - 1.9 * error, rate + 2.1 * error)
    se = fish * (0.1 * rate + (error or 0.0))
    one = start | {"fate": fate, "size_class": size, "method": method, "wound_class": wound}
    one |= {"fish": fish, "fish_se": 0.1 * fish, "deaths": fish * rate, "se": se}
    one |= {"deaths_low": fish * low, "deaths_high": fish * high}
    one |= {"ci_low": max(fish * rate - 2 * se, 0.0), "ci_high": fish * rate + 2 * se}
    one |= {"catch_variance_prop": 0.5}
    if fate == "kept":
        return one
    known = {"rate_prop": rate, "rate_se": error, "source": SOURCE, "evidence": coded("own")}
    known |= {"rate_low": low if error else None, "rate_high": high if error else None}
    if size == "unknown":
        known["reason"] = coded("sublegal_rate_for_unknown")
    return one | known


def _mix(season: str) -> list[Row]:
    start = {"season": season, "ci_level": 0.95, "source": "", "evidence": "", "reason": ""}
    lines = []
    for area, fish in ((None, 4000.0), ("A1", 700.0)):
        parts = {"mooching": (fish / 2, 0.422, 0.041), "trolling": (fish / 2, 0.245, 0.023)}
        for case, shares in {
            "as_given": {name: (n, 0.2, 0.04) for name, (n, _, _) in parts.items()},
            "published_as_fished": parts,
            "all_mooching": {"mooching": (fish, 0.422, 0.041)},
            "all_trolling": {"trolling": (fish, 0.245, 0.023)},
        }.items():
            lines += _case(start | {"area": area, "case": case}, shares)
    no_method = coded("no_printed_method")
    return [*lines, start | {"area": NO_SAMPLE, "case": None, "reason": no_method}]


def _case(start: Row, parts: dict[str, tuple[float, float, float]]) -> list[Row]:
    lines = [
        start | _part(fish, rate, se) | {"method": name, "source": "in print", "rate_prop": rate}
        for name, (fish, rate, se) in parts.items()
    ]
    names = ("fish", "deaths", "deaths_low", "deaths_high", "se", "ci_low", "ci_high")
    return [*lines, start | {name: sum(line[name] for line in lines) for name in names}]


def _part(fish: float, rate: float, se: float) -> Row:
    deaths = fish * rate
    error = fish * se + 0.08 * deaths
    span = {"deaths_low": fish * (rate - 2 * se), "deaths_high": fish * (rate + 2 * se)}
    limits = {"ci_low": deaths - 2 * error, "ci_high": deaths + 2 * error}
    return {"fish": fish, "deaths": deaths, "rate_se": se, "se": error, **span, **limits}


def _bycatch(rows: Sequence[Row]) -> list[Row]:
    lines = []
    for row in rows:
        if row["quantity"] != "encounters_per_angler_hour":
            continue
        for name, part in (("dogfish", 0.5), ("flatfish", 0.1), (ODD, 0.02), ("skate", 0.0)):
            one = _times(row, part)
            if row["area"] == CONVENIENT:
                one = without_estimate(one, NOT_RECORDED_CODE)
            elif not part and one["estimate"] is not None:
                none = {"estimate": 0.0, "se": None, "ci_low": None, "ci_high": None}
                one |= none | {"status": "zero_total", "ci_method": "none"}
            lines.append({"species": name, **one})
    return lines
