"""Whether an option fits the season it is compared on, and each of its assumptions, as codes."""

from __future__ import annotations

import difflib
import math
from dataclasses import fields
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.codes import coded, join_codes
from analytics.options.baseline import PARTS, marked_shares
from analytics.options.catch_per_trip import (
    LEAST_MEASURED,
    keys_taken,
    measured,
    moved_share,
    so_far_mm,
)
from analytics.options.limit_exceedance import LEAST_DRAWS, is_supported, is_too_small
from analytics.options.option import TODAY, AtLimit, Change, Find, Option, OptionSet
from analytics.options.option_file import Fault, InvalidOptionsError, require_valid, shown
from analytics.options.regulations import option_plan, today_plan

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from analytics.options.baseline import Baseline, BaselineArrays, Limit
    from analytics.options.option import Solve


def assumptions_of(
    arrays: BaselineArrays,
    option: Option,
    limits: Sequence[Limit],
    *,
    opens: bool = False,
    left_out: Sequence[str] = (),
) -> tuple[str, ...]:
    """Return what an option rests on, a cell of codes each; never empty.

    `left_out` holds areas of unknown trips, which neither give nor take trips that move.
    """
    found = list(_of_baseline(arrays, limits))
    if option.changes:
        found += _of_response(option)
    if left_out:
        found.append(coded("displaced_without", areas=left_out))
    if opens:
        found.append(coded("days_opened"))
    for change in option.changes:
        found += _of_change(arrays.baseline, change)
        found += _of_rates(arrays, change)
    return tuple(dict.fromkeys(found))


def _of_baseline(arrays: BaselineArrays, limits: Sequence[Limit]) -> Iterator[str]:
    baseline = arrays.baseline
    yield coded("same_draws", n=arrays.n_draws, day=str(baseline.through))
    yield coded("shares_as_so_far")
    yield coded("limit_of_boat")
    if arrays.borrowed:
        yield coded("shares_of_all_areas", areas=arrays.borrowed)
    for limit in limits:
        out = [area for area in limit.areas if area not in baseline.areas]
        if not is_supported(baseline, limit):
            yield coded("limit_not_projected", limit=limit.limit_id)
        elif out:
            yield coded("limit_in_part", limit=limit.limit_id, areas=out)
    yield coded("dominance_rule")


def _of_response(option: Option) -> Iterator[str]:
    areas, days = option.to_other_areas_prop, option.to_other_days_prop
    if areas or days:
        yield coded("trips_displaced", to_areas=_percent(areas), to_days=_percent(days))
    else:
        yield coded("trips_not_displaced")
    if option.elasticity:
        yield coded("effort_elasticity", power=f"{option.elasticity:g}")
    else:
        yield coded("effort_inelastic")


def _of_change(baseline: Baseline, change: Change) -> Iterator[str]:
    if change.effort_factor != 1:
        yield coded("effort_factor", factor=f"{change.effort_factor:g}")
    if change.daily_limit_fish is not None:
        stops = change.at_limit is AtLimit.STOP
        yield coded("limit_stop" if stops else "limit_go_on", limit=change.daily_limit_fish)
    if change.mark_selective is not None:
        yield coded("marked_only" if change.mark_selective else "unmarked_too")
        yield from _of_marks(baseline, change)
    if change.min_length_mm is not None:
        yield from _of_length(baseline, change, change.min_length_mm)
    if change.method_mix:
        mix = [f"{name}:{_percent(share)}" for name, share in change.method_mix.items()]
        yield coded("method_mix", mix=mix)


def _of_marks(baseline: Baseline, change: Change) -> Iterator[str]:
    if baseline.marked_prop is None:
        return
    for name in change.areas or baseline.areas:
        share = float(np.mean(baseline.marked_prop[:, baseline.areas.index(name)]))
        yield coded("marks_pooled", area=name, percent=_percent(share))


def _of_length(baseline: Baseline, change: Change, length: float) -> Iterator[str]:
    for name in change.areas or baseline.areas:
        area = baseline.areas.index(name)
        found = moved_share(baseline, area, length)
        if found is None:
            continue
        size, share = found
        where, lengths = measured(baseline, area, size) or ("", ())
        yield coded(
            "minimum_longer" if size == "legal" else "minimum_shorter",
            area=name,
            length=f"{length:g}",
            before=f"{so_far_mm(baseline, area):g}",
            percent=_percent(float(np.mean(share))),
            n=len(lengths),
            span="this_area" if where else "all_areas",
        )


def _of_rates(arrays: BaselineArrays, change: Change) -> Iterator[str]:
    taken = keys_taken(arrays, change)
    for row in change.release_rates:
        size, method, wound = fish = row["size_class"], row["method"], row["wound_class"]
        percent = f"{100 * float(str(row['rate_prop'])):g}"
        rate = coded("own_rate_exact", size=size, method=method, wound=wound, percent=percent)
        if row.get("rate_se"):
            se = f"{100 * float(str(row['rate_se'])):g}"
            rate = coded("own_rate", size=size, method=method, wound=wound, percent=percent, se=se)
        source = row.get("source")
        yield join_codes(
            [rate, coded("rate_source", source=source) if source else coded("no_rate_source")]
        )
        if fish not in taken:
            yield coded("rate_unused", size=size, method=method, wound=wound)


def _percent(share: float) -> str:
    """Return a share in per cent, to two digits."""
    return f"{100 * share:.{0 if share >= 0.0995 else 1}f}".removesuffix(".0")


#: Minimum lengths in mm that a rule on these fish may have; common practice, no source.
LENGTHS_MM = (200, 1_200)
_UNITS = {"in": 25.4, "cm": 10}
_ROUNDING = 1e-6
_LIKE = 0.6


def check_options(
    baseline: Baseline, options: Sequence[Option], *, limits: Sequence[Limit] = ()
) -> tuple[Option, ...]:
    """Return the options with today's rule, an option of the name `TODAY`, first.

    `limits` are those that an option may ask to keep within.

    Raises
    ------
    InvalidOptionsError
        If two options share a name, or one cannot be compared: every fault.
    """
    if options:
        require_valid(OptionSet("", tuple(options)))
    faults = [fault for one in options for fault in _faults(baseline, one, {}, limits)]
    if faults:
        raise InvalidOptionsError(faults)
    return (Option(TODAY), *(one for one in options if one.name != TODAY))


def split_valid(
    baseline: Baseline,
    options: Sequence[Option],
    *,
    areas: Mapping[str, str],
    limits: Sequence[Limit] = (),
) -> tuple[tuple[Option, ...], tuple[str, ...]]:
    """Return the options that can be compared, and why the others cannot.

    Parameters
    ----------
    baseline : Baseline
    options : sequence of Option
        As `analytics.options.option_file` reads them.
    areas : mapping of str to str
        Code and name of areas.
    limits : sequence of Limit
        Those that an option may ask to keep within.

    Returns
    -------
    tuple of tuple of Option and tuple of str
        The words of each refused option on one line.
    """
    found = [(one, list(_faults(baseline, one, areas, limits))) for one in options]
    valid = tuple(one for one, faults in found if not faults)
    return valid, tuple("; ".join(map(str, faults)) for _, faults in found if faults)


def change_faults(baseline: Baseline, change: Change) -> tuple[str, ...]:
    """Return why a season cannot take a change, in words; empty where it can."""
    checked = _Checked(baseline, change, "")
    return tuple(map(str, [*checked.names({}), *checked.rules()]))


def idle_areas(baseline: Baseline, change: Change) -> tuple[str, ...]:
    """Return the areas with an open day to come whose rules a sound change leaves as they are."""
    option = Option("change", (change,))
    plans = {
        area: (today_plan(baseline, at), option_plan(baseline, option, at))
        for at, area in enumerate(baseline.areas)
        if not change.areas or area in change.areas
    }
    return tuple(area for area, (was, now) in plans.items() if was.is_open.any() and now.is_as(was))


def _faults(
    baseline: Baseline,
    option: Option,
    areas: Mapping[str, str],
    limits: Sequence[Limit],
) -> Iterator[Fault]:
    """Yield the faults of an option; names come first and alone, others often come of them."""
    where = f'option "{option.name}"'
    if option.name == TODAY and option.changes:
        words = "it has changes; that name is for today's rule: name it otherwise"
        yield Fault("name_of_today", where, words)
    if (option.changes or option.solve) and not len(baseline.days):
        words = f"no day is left after {baseline.through} on which a rule could change"
        yield Fault("no_day_left", where, words)
        return
    changes = [
        _Checked(baseline, one, f"{where}, change {number}")
        for number, one in enumerate(option.changes, start=1)
    ]
    names = [fault for one in changes for fault in one.names(areas)]
    rules = names or [fault for one in changes for fault in one.rules()]
    yield from rules
    if option.solve is not None:
        asked = list(_Checked(baseline, Change(option.solve.areas), f"{where}, solve").names(areas))
        yield from asked
        yield from _asked_limit(option.solve, limits, f"{where}, solve")
        if not asked and not rules:
            yield from _asked_rule(baseline, option, option.solve, limits)


# What an option that asks how far a rule may go needs of a season.


def scope(
    baseline: Baseline, solve: Solve, limits: Sequence[Limit]
) -> tuple[tuple[Limit, ...], tuple[str, ...]]:
    """Return the limits that a question keeps within and the areas where its rule would change."""
    mine = [one for one in limits if solve.limit in (None, one.limit_id)]
    kept = tuple(one for one in mine if is_supported(baseline, one))
    named = {area for one in kept for area in one.areas}
    return kept, solve.areas or tuple(one for one in baseline.areas if one in named)


def _asked_limit(solve: Solve, limits: Sequence[Limit], where: str) -> Iterator[Fault]:
    """Yield that a question has no limit, or one that is not among those of the season."""
    if not limits:
        words = "the season has no limit that can be projected, so nothing can be kept within one"
        hint = "put a row into the table limits, or leave solve out"
        yield Fault("no_limit", where, words, hint=hint)
    known = {one.limit_id: "" for one in limits}
    if limits and solve.limit is not None and solve.limit not in known:
        words = f"limit {shown(solve.limit)} is not one of the season that can be projected"
        allowed = ", ".join(known) + ", or leave the key out for all of them together"
        yield Fault("unknown_limit", where, words, allowed, _near(solve.limit, known))


def _asked_rule(
    baseline: Baseline, option: Option, solve: Solve, limits: Sequence[Limit]
) -> Iterator[Fault]:
    """Yield why the rule of a question on sound names has no answer."""
    where, n_draws = f'option "{option.name}", solve', len(baseline.effort)
    if is_too_small(solve.risk, n_draws):
        words = f"risk: {solve.risk:g}; {n_draws:,} draws cannot tell it from none"
        yield Fault("risk_too_small", where, words, f"{LEAST_DRAWS / n_draws:.2g} or more")
    kept, areas = scope(baseline, solve, limits)
    if limits and not kept and solve.limit in (None, *(one.limit_id for one in limits)):
        words = "no draw says where its limit goes, so no probability can be given"
        yield Fault("limit_not_projected", where, words, hint="name another limit")
    if not kept:
        return
    plans = [option_plan(baseline, option, baseline.areas.index(one)) for one in areas]
    if not any(plan.is_open.any() for plan in plans):
        words = f"no open day is left in {', '.join(areas)}, so no rule there can change anything"
        yield Fault("areas_closed", where, words, hint="name an area that is open, or open it")
        return
    tried = {
        Find.DAILY_LIMIT: Change(areas, daily_limit_fish=1),
        Find.MARKED: Change(areas, mark_selective=True),
    }.get(solve.find)
    faults = change_faults(baseline, tried) if tried is not None else ()
    if faults:
        words = f'the season does not say what find = "{solve.find}" would do: {"; ".join(faults)}'
        yield Fault("rule_unknown", where, words, hint="ask for another rule")


# What a change needs of a season.


class _Checked:
    """One change on a baseline."""

    def __init__(self, baseline: Baseline, change: Change, where: str) -> None:
        self.baseline, self.change, self.where = baseline, change, where
        self.end = baseline.through + timedelta(days=len(baseline.days))
        codes = baseline.areas
        self.places = [codes.index(one) for one in change.areas if one in codes]
        self.places = self.places or list(range(len(codes)))

    def names(self, areas: Mapping[str, str]) -> Iterator[Fault]:
        """Yield every method and area that the season does not have."""
        methods = dict.fromkeys(filter(None, self.baseline.methods), "")
        mix = dict(self.change.method_mix or {})
        seen = [(method, f"method_mix = {shown(mix)}") for method in mix]
        rates = [str(row["method"]) for row in self.change.release_rates]
        seen += [(method, "a release rate") for method in rates if method != "any"]
        for method, holder in seen:
            if method not in methods:
                words = f"method {shown(method)} in {holder} is not one of those seen so far"
                allowed = ", ".join(methods) or "none was reported"
                yield Fault("unknown_method", self.where, words, allowed, _near(method, methods))
        codes = {code: areas.get(code) or code for code in self.baseline.areas}
        for area in self.change.areas:
            if area not in codes:
                words = f"area {shown(area)} is not the code of one of the season's areas"
                allowed = ", ".join(map(_named, codes, codes.values()))
                yield Fault("unknown_area", self.where, words, allowed, _near(area, codes))

    def rules(self) -> Iterator[Fault]:
        """Yield what else the season cannot take."""
        change = self.change
        values = {one.name: (getattr(change, one.name), one.default) for one in fields(change)}
        for name in ("areas", "first_day", "last_day", "at_limit"):
            del values[name]
        if all(value in (default, {}) for value, default in values.values()):
            words = "it changes nothing: say what would change, or leave it out"
            yield self._fault("no_change", words)
        yield from self._dates()
        yield from self._limit()
        yield from self._marks()
        yield from self._length()
        yield from self._methods()
        for row in change.release_rates:
            yield from self._rate_error(row["rate_prop"], row.get("rate_se"))

    def _fault(self, code: str, words: str) -> Fault:
        return Fault(code, self.where, words)

    def _dates(self) -> Iterator[Fault]:
        change, through = self.change, self.baseline.through
        for name in ("first_day", "last_day", "close_from", "open_through", "reopen_from"):
            day = getattr(change, name)
            if day is not None and day <= through:
                words = f"{name} is {day}; the totals so far run through {through}"
                yield self._fault("day_passed", f"{words}: name a later day")
            if day is not None and day > self.end:
                words = f"{name} is {day}; the outlook ends on {self.end}: name an earlier day"
                yield self._fault("day_beyond", words)
        start, end = change.reopen_from, change.open_through
        if start is None and end and change.close_from and end >= change.close_from:
            words = (
                f"it is closed from {change.close_from} (close_from) and open through {end} "
                "(open_through): say from which day it opens again with reopen_from, or leave "
                "one of the two out"
            )
            yield self._fault("closed_and_open", words)
        if start is None or not through < start <= self.end:
            return
        if end and end < start:
            words = f"open_through is {end}, before reopen_from is {start}: name a later day"
            yield self._fault("reopening_reversed", words)
        after = (start - through).days - 1
        for place in self.places:
            if end is None and not self.baseline.rules.is_open[place, after:].any():
                words = (
                    f"{self.baseline.areas[place]} has no planned open day from {start} on "
                    "(reopen_from): say through which day it would be open with open_through"
                )
                yield self._fault("nothing_to_reopen", words)

    def _limit(self) -> Iterator[Fault]:
        limit = self.change.daily_limit_fish
        if limit == 0 and self.change.at_limit is AtLimit.STOP:
            words = (
                "under a daily limit of 0 no one who stops at it would fish: close the areas, or "
                "let anglers go on"
            )
            yield self._fault("stop_at_0", words)
        if limit is not None and np.isnan(self.baseline.uncapped_mean).any(axis=0).all():
            words = "what boats would keep could not be estimated from the interviews so far"
            yield self._fault("catch_unknown", words)

    def _marks(self) -> Iterator[Fault]:
        baseline, selective = self.baseline, self.change.mark_selective
        for place in self.places if selective is not None else ():
            rules = {bool(one) for one in baseline.rules.is_mark_selective[place]}
            if {selective} == rules | {bool(baseline.rules_to_date.is_mark_selective[place, 0])}:
                continue
            if np.isnan(marked_shares(baseline)[:, place]).any():
                words = f"the marked share of legal fish in {baseline.areas[place]} is not known"
                yield self._fault("marks_unknown", words)

    def _length(self) -> Iterator[Fault]:
        length = self.change.min_length_mm
        if length is None:
            return
        low, high = LENGTHS_MM
        if not low <= length <= high:
            words = f"min_length_mm is {length:g}; lengths are in mm, from {low:,} to {high:,}"
            yield self._fault("length_range", words + _length_hint(length))
            return
        for place in self.places:
            now = so_far_mm(self.baseline, place)
            size = "legal" if length > now else "sublegal"
            if length == now or measured(self.baseline, place, size) is not None:
                continue
            words = (
                f"min_length_mm is {length:g} where it was {now:g}; {LEAST_MEASURED} {size} fish "
                f"must be measured in {self.baseline.areas[place]}, or in all areas"
            )
            if size == "sublegal":
                words += ", in test fishing: only that meets fish under the minimum by a rule"
            yield self._fault("few_lengths", words)

    def _methods(self) -> Iterator[Fault]:
        of_all = self.baseline.by_method[..., PARTS.index("angler_trips")]
        trips = dict(zip(self.baseline.methods, np.nansum(of_all, axis=(0, 1)), strict=True))
        for name, share in (self.change.method_mix or {}).items():
            if share and not trips[name] > 0:
                words = f"no trip by {name} was seen so far: its catch is not known"
                yield self._fault("method_unseen", words)

    def _rate_error(self, prop: Any, se: Any) -> Iterator[Fault]:
        """Yield an error that no distribution on 0 to 1 has: its variance is under p (1 - p)."""
        most = math.sqrt(prop * (1 - prop))
        if se and se >= most * (1 - _ROUNDING):
            allowed = f"it must be under {most:.3g}" if most else "a rate of 0 or 1 has none"
            words = (
                f"rate_se of a release rate is {se:g} where rate_prop is {prop:g}; a rate between "
                f"0 and 1 cannot be so uncertain: {allowed}"
            )
            yield self._fault("rate_error", words)


def _length_hint(length: float) -> str:
    """Return what a length would be in mm, were it in inches or centimetres."""
    for unit, factor in _UNITS.items():
        if LENGTHS_MM[0] <= length * factor <= LENGTHS_MM[1]:
            return f": {length:g} {unit} = {length * factor:.0f} mm"
    return ""


def _near(word: str, names: Mapping[str, str]) -> str:
    """Return a hint to the code that a word may mean, by the code or by its name."""
    codes = {name.casefold(): code for code, name in names.items() if name}
    codes |= {code.casefold(): code for code in names}
    near = difflib.get_close_matches(word.casefold(), codes, n=1, cutoff=_LIKE)
    return f"did you mean {_named(codes[near[0]], names[codes[near[0]]])}?" if near else ""


def _named(code: str, name: str) -> str:
    return f"{code} ({name})" if name and name != code else code
