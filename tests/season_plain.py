"""Options weighed day by day in double precision, the plain way: slow, and easy to read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import special, stats

from analytics.fish.mortality_rates import ReleaseRates, drop_off_rate
from analytics.options.regulations import option_plan, today_plan
from tests.season_cases import CLASSES, rate_key

if TYPE_CHECKING:
    from analytics.options.baseline import Baseline, Limit
    from analytics.options.option import Option
    from analytics.options.regulations import Regulation

TRIPS, KEPT, LEGAL, SUBLEGAL, UNKNOWN = range(5)


def plain(baseline: Baseline, option: Option) -> dict[str, np.ndarray]:
    """Return every total of each day to come by name, shape (N, D, A)."""
    areas = range(len(baseline.areas))
    today = [today_plan(baseline, area) for area in areas]
    plans = [option_plan(baseline, option, area) for area in areas]
    shape = (len(baseline.days), *baseline.uncapped_mean.shape)
    found: dict[str, np.ndarray] = {}
    trips = _trips(baseline, option, plans, today)
    made: dict[tuple[int, int, Regulation], dict[str, np.ndarray]] = {}

    def per_trip(area: int, n: int, regulation: Regulation) -> dict[str, np.ndarray]:
        key = area, int(baseline.week[n]), regulation
        if key not in made:
            made[key] = _per_trip(baseline, *key)
        return made[key]

    for n in range(len(baseline.days)):
        for area in areas:
            if not plans[area].is_open[n]:
                continue
            regulation = plans[area].regulations[plans[area].regulation[n]]
            was = today[area].regulations[today[area].regulation[n]]
            fish = per_trip(area, n, regulation) | {"angler_trips": np.ones(shape[1])}
            came = trips[n, :, area]
            if option.elasticity and regulation != was:
                before = per_trip(area, n, was)
                came = came * (fish["kept_fish"] / before["kept_fish"]) ** option.elasticity
            for name, each in fish.items():
                found.setdefault(name, np.zeros(shape))[n, :, area] = came * each
    return found


def plain_totals(baseline: Baseline, option: Option) -> dict[str, np.ndarray]:
    """Return season totals by name, so far and to come, shape (D, A)."""
    ahead = plain(baseline, option)
    return {name: baseline.to_date[name] + each.sum(axis=0) for name, each in ahead.items()}


def plain_day(
    baseline: Baseline, ahead: dict[str, np.ndarray], limit: Limit, chance: float
) -> object:
    """Return the first day by which a limit is passed with a chance; None for none.

    Parameters
    ----------
    baseline : Baseline
    ahead : dict of str to ndarray
        From `plain`.
    limit : Limit
    chance : float
    """
    places = [baseline.areas.index(area) for area in limit.areas]
    used = sum(baseline.to_date[name][:, places].sum(axis=1) for name in limit.quantities)
    if (used > limit.fish).mean() >= chance:
        return baseline.through
    for n, day in enumerate(baseline.days):
        for name in limit.quantities:
            used = used + ahead[name][n][:, places].sum(axis=1)
        if (used > limit.fish).mean() >= chance:
            return day.astype(object)
    return None


def _trips(baseline, option, plans, today):
    effort = baseline.effort.astype(float)
    own = np.stack([p.is_open * p.factor for p in plans]) * effort
    lost = np.stack([t.is_open & ~p.is_open for t, p in zip(today, plans, strict=True)]) * effort
    found = own.copy()
    for n in range(effort.shape[2]):
        here = own[:, :, n].sum(axis=1)
        gone = option.to_other_areas_prop * lost[:, :, n].sum(axis=1)
        share = np.divide(gone, here, out=np.zeros_like(here), where=here > 0)
        found[:, :, n] += own[:, :, n] * share[:, None]
    for week in np.unique(baseline.week):
        days = baseline.week == week
        here = own[:, :, days].sum(axis=2)
        gone = option.to_other_days_prop * lost[:, :, days].sum(axis=2)
        share = np.divide(gone, here, out=np.zeros_like(here), where=here > 0)
        found[:, :, days] += own[:, :, days] * share[:, :, None]
    return np.moveaxis(found, 2, 0)


def _per_trip(
    baseline: Baseline, area: int, week: int, regulation: Regulation
) -> dict[str, np.ndarray]:
    by_method = baseline.by_method[:, area].astype(float)  # D, M, 5
    sums = by_method.sum(axis=1)
    mix, weights = dict(regulation.mix), by_method
    met, share = baseline.rate[:, area, week].astype(float), baseline.sublegal[:, area, week]
    sublegal = met * share
    rest = sums[:, KEPT] + sums[:, LEGAL] + sums[:, UNKNOWN]
    unknown = (met - sublegal) * sums[:, UNKNOWN] / rest
    legal = met - sublegal - unknown
    would = np.ones(len(met))
    if mix:
        x = np.array([mix.get(name, 0.0) for name in baseline.methods])
        weights = by_method / by_method[..., :1] * x[:, None]
        rates = sums / sums[:, :1]
        times = np.divide(weights.sum(axis=1), rates, out=np.zeros_like(rates), where=rates > 0)
        both = weights[..., [KEPT, LEGAL]].sum(axis=(1, 2))
        of_legal = both / (sums[:, [KEPT, LEGAL]].sum(axis=1) / sums[:, TRIPS])
        sublegal, unknown = (
            sublegal * times[:, SUBLEGAL],
            np.nan_to_num(unknown * times[:, UNKNOWN]),
        )
        legal, would = legal * of_legal, times[:, KEPT] / of_legal
    down, up = _moved(baseline, area, regulation, legal, sublegal)
    legal, sublegal = legal - down + up, sublegal + down - up
    marked = _marked(baseline, area)
    was = bool(baseline.rules_to_date.is_mark_selective[area, 0])
    if regulation.is_selective != was:
        would = would * (marked if regulation.is_selective else 1 / marked)
    kept, stop = _kept(baseline, area, regulation, (legal, sums, would))
    most = marked if regulation.is_selective and not was else 1.0
    kept = np.minimum(kept, most) * legal * stop
    legal, sublegal, unknown, down, up = (
        one * stop for one in (legal, sublegal, unknown, down, up)
    )
    fish = {
        "kept_fish": kept,
        "released_legal_fish": legal - kept,
        "released_sublegal_fish": sublegal,
        "encounter_fish": legal + sublegal + unknown,
    }
    for mark in range(2):
        a, b = (
            baseline.class_per_fish[CLASSES[mark + size]][:, area].astype(float) for size in (0, 2)
        )
        fish[CLASSES[mark]] = a * (legal - up) + b * up
        fish[CLASSES[mark + 2]] = b * (sublegal - down) + a * down
    return fish | _deaths(baseline, area, regulation, (fish, unknown, weights))


def _moved(baseline, area, regulation, legal, sublegal):
    told = baseline.rules_to_date.min_length_mm[area, 0]
    none = np.zeros(len(legal))
    if regulation.min_length == told:
        return none, none
    size = "legal" if regulation.min_length > told else "sublegal"
    lengths = baseline.lengths[baseline.areas[area], size]
    x = (lengths < regulation.min_length).sum()
    x = x if size == "legal" else len(lengths) - x
    chance = special.ndtr(baseline.normal[f"length {baseline.areas[area]}"].astype(float))
    share = stats.beta.ppf(chance, x + 0.5, len(lengths) - x + 0.5)
    return (legal * share, none) if size == "legal" else (none, sublegal * share)


def _marked(baseline, area):
    a, b = (baseline.class_per_fish[name][:, area].astype(float) for name in CLASSES[:2])
    return a / (a + b)


def _kept(baseline, area, regulation, given):
    legal, sums, would = given
    wanted = baseline.uncapped_mean[:, area].astype(float)
    before = baseline.rules_to_date.daily_limit_fish[area, 0]
    so_far = (sums[:, KEPT] + sums[:, LEGAL]) / sums[:, TRIPS]
    at = wanted * would * legal / so_far
    limit = regulation.limit if regulation.stop_from is None else regulation.stop_from
    share = sums[:, KEPT] / (sums[:, KEPT] + sums[:, LEGAL]) * would
    now = _part(baseline, area, at, limit)
    share = share * now / _part(baseline, area, wanted, before)
    if regulation.stop_from is None:
        return share, 1.0
    return share, _part(baseline, area, at, regulation.limit) / now


def _part(baseline, area, mean, limit):
    """Return kept over wanted, boat size by boat size."""
    if np.isinf(limit):
        return np.ones(len(mean))
    size, kept, n_all = baseline.uncapped_size.astype(float), np.zeros(len(mean)), 0.0
    for n, share in enumerate(baseline.party_size_share[area], start=1):
        chance = size / (size + n * mean)
        # P(P > j) of a negative binomial, as an incomplete beta function.
        over = [special.betainc(fish + 1, size, 1 - chance) for fish in range(int(n * limit))]
        kept = kept + share * sum(over)
        n_all += share * n
    return kept / (n_all * mean)


def _deaths(baseline, area, regulation, given):
    fish, unknown, weights = given

    def drawn(row):
        mean, se = row["rate_prop"], row["rate_se"]
        if not se:
            return mean
        size = mean * (1 - mean) / se**2 - 1
        chance = special.ndtr(baseline.normal[rate_key(row)].astype(float))
        return stats.beta.ppf(chance, size * mean, size * (1 - mean))

    own = list(map(dict, regulation.rates))
    names = ("size_class", "method", "wound_class")

    def is_governed(row):
        return any(all(one[name] in ("any", row[name]) for name in names) for one in own)

    store = [row for row in baseline.rates if not is_governed(row)]
    rows = {rate_key(row): row for row in (*store, *own)}
    rates = ReleaseRates(list(rows.values()))
    released = {"legal": LEGAL, "sublegal": SUBLEGAL, "unknown": UNKNOWN}
    dead = 0.0
    for size, part in released.items():
        number = unknown if size == "unknown" else fish[f"released_{size}_fish"]
        if not number.any():
            continue
        for m, name in enumerate(baseline.methods):
            choice = rates.choose(size, name or None)
            of_method = weights[:, m, part] / weights[:, :, part].sum(axis=1)
            deep = baseline.deep_hook_share[:, area, m].astype(float)

            def rate(one):
                return np.nan if one is None else drawn(rows[" ".join(one.key)])

            each = rate(choice.any_wound)
            if choice.is_split:
                pair = rate(choice.shallow) * (1 - deep) + rate(choice.deep) * deep
                each = np.where(np.isnan(deep), each, pair)
            dead = dead + number * of_method * each
    lost = 0.0
    for m, name in enumerate(baseline.methods):
        given_rate, base = drop_off_rate(list(baseline.drop_off_rates), name or None)
        row = next(one for one in baseline.drop_off_rates if one["method"] == given_rate.method)
        if base == "kept":
            of_method = weights[:, m, KEPT] / weights[:, :, KEPT].sum(axis=1)
            lost = lost + fish["kept_fish"] * of_method * drawn(row)
        else:
            met = weights[..., KEPT:].sum(axis=2)
            lost = lost + fish["encounter_fish"] * met[:, m] / met.sum(axis=1) * drawn(row)
    return {
        "release_deaths_fish": dead,
        "drop_off_deaths_fish": lost,
        "total_deaths_fish": fish["kept_fish"] + dead + lost,
    }
