"""Whether options can be weighed on a baseline: what was seen, what is allowed, what to do."""

from __future__ import annotations

import difflib
import math
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.errors import UsageError
from analytics.options.baseline import PARTS
from analytics.options.catch_per_trip import LEAST_MEASURED, measured, so_far_mm
from analytics.options.option import AtLimit, Change, Option
from analytics.options.option_file import CHANGE_KEYS, shown

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import date

    from analytics.options.baseline import Baseline


_SIZES, _WOUNDS = ("legal", "sublegal", "any"), ("any", "shallow", "deep")
_MARKED = ("encounter_legal_marked_fish", "encounter_legal_unmarked_fish")
#: What each field of a change is called in a file of options.
_KEYS = {key.field: key.name for key in CHANGE_KEYS}
#: Minimum lengths in mm that a rule on these fish may have; common practice, no source.
LENGTHS_MM = (200, 1_200)
_MM_PER_INCH, _MM_PER_CM = 25.4, 10
#: Shares of a mix may miss 1 by rounding.
_ROUNDING = 1e-6


def check_options(
    baseline: Baseline, options: Sequence[Option], *, today: str
) -> tuple[Option, ...]:
    """Return the options with today's rule first.

    Parameters
    ----------
    baseline : Baseline
    options : sequence of Option
    today : str
        Name of today's rule.

    Returns
    -------
    tuple of Option

    Raises
    ------
    UsageError
        If two options share a name, or one cannot be weighed.
    """
    names = [one.name for one in options]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise UsageError(f'two options are called "{twice[0]}": give each a name of its own')
    for one in options:
        if one.name == today and one.changes:
            raise UsageError(
                f'option "{today}" has changes; that name is for today\'s rule: name it otherwise'
            )
        _check_option(baseline, one)
    return (Option(today), *(one for one in options if one.name != today))


def _check_option(baseline: Baseline, option: Option) -> None:
    where = f'option "{option.name}"'
    if not option.name.strip():
        raise UsageError("an option without a name: give it one")
    if not 0 <= option.elasticity < math.inf:
        raise UsageError(f"{where}: elasticity {option.elasticity} is not a number of 0 or more")
    shares = {
        "to_other_areas_prop": option.to_other_areas_prop,
        "to_other_days_prop": option.to_other_days_prop,
    }
    for name, share in shares.items():
        if not 0 <= share <= 1:
            raise UsageError(f"{where}: {name} is {share}; a share runs from 0 to 1")
    if sum(shares.values()) > 1 + _ROUNDING:
        raise UsageError(
            f"{where}: to_other_areas_prop and to_other_days_prop add up to "
            f"{sum(shares.values()):g}; of the trips of a closed day no more than all can go "
            "elsewhere: lower one"
        )
    if option.changes and not len(baseline.days):
        raise UsageError(
            f"{where}: no day is left after {baseline.through} on which a rule could change"
        )
    for number, change in enumerate(option.changes, start=1):
        _Checked(baseline, change, f"{where}, change {number}").check()


class _Checked:
    """One change on a baseline."""

    def __init__(self, baseline: Baseline, change: Change, where: str) -> None:
        self.baseline, self.change, self.where = baseline, change, where
        self.end = baseline.through + timedelta(days=len(baseline.days))

    def check(self) -> None:
        plain = Change(self.change.areas, self.change.first, self.change.last)
        if self.change == plain or self._is_empty(plain):
            self.refuse("it changes nothing: say what would change, or leave it out")
        self._areas()
        self._dates()
        self._weekdays()
        self._effort()
        self._limit()
        self._marks()
        self._length()
        self._mix()
        for row in self.change.release_rates:
            self._rate(row)

    def _is_empty(self, plain: Change) -> bool:
        """Return whether only empty mixes and the like keep it from being plain."""
        change = self.change
        told: tuple[object, ...] = (change.close, change.open, change.reopen)
        told += (change.daily_limit_fish, change.min_length_mm, change.mark_selective)
        lists = (change.weekdays, change.method_mix, change.release_rates)
        factor = change.effort_factor == plain.effort_factor
        return all(one is None for one in told) and not any(lists) and factor

    def refuse(self, words: str) -> None:
        raise UsageError(f"{self.where}: {words}")

    @property
    def _places(self) -> list[int]:
        areas = self.baseline.areas
        return [areas.index(one) for one in self.change.areas] or list(range(len(areas)))

    def _areas(self) -> None:
        for area in self.change.areas:
            if area not in self.baseline.areas:
                known = ", ".join(self.baseline.areas)
                self.refuse(f'area "{area}" is not one of the season\'s; it has {known}')

    def _dates(self) -> None:
        change, through = self.change, self.baseline.through
        told = ("first", "last", "close", "open", "reopen")
        for name in told:
            day = getattr(change, name)
            if day is not None and day <= through:
                self.refuse(
                    f"{_KEYS[name]} is {day}; the totals so far run through {through}: name a "
                    "later day"
                )
            if day is not None and day > self.end:
                self.refuse(
                    f"{_KEYS[name]} is {day}; the outlook ends on {self.end}: name an earlier day"
                )
        first, last, close, reopen, opens = (
            f"{_KEYS[name]} is {getattr(change, name)}"
            for name in ("first", "last", "close", "reopen", "open")
        )
        if change.first and change.last and change.last < change.first:
            self.refuse(f"{last}, before {first}: turn them round")
        if change.close and change.reopen and change.reopen <= change.close:
            self.refuse(f"{reopen}, not after {close}: name a later day to open again")
        if change.reopen is not None:
            self._reopening(change.reopen)
            if change.open and change.open < change.reopen:
                self.refuse(f"{opens}, before {reopen}: name a later day for {_KEYS['open']}")

    def _reopening(self, day: date) -> None:
        planned = self.baseline.rules.is_open
        after = (day - self.baseline.through).days - 1
        end = len(self.baseline.days) if self.change.open else after
        for place in self._places:
            if not planned[place, after:].any() and not end > after:
                self.refuse(
                    f"{self.baseline.areas[place]} has no planned open day from {day} on "
                    f"({_KEYS['reopen']}): say through which day it would be open with "
                    f"{_KEYS['open']}"
                )

    def _weekdays(self) -> None:
        digits = self.change.weekdays
        wrong = sorted(set(digits) - set("1234567"))
        if wrong:
            self.refuse(
                f'{_KEYS["weekdays"]} "{digits}" holds "{wrong[0]}"; 1 is Monday and 7 Sunday: '
                'write such as "67"'
            )
        if len(set(digits)) < len(digits):
            self.refuse(f'{_KEYS["weekdays"]} "{digits}" names a day twice')

    def _effort(self) -> None:
        factor = self.change.effort_factor
        if not 0 <= factor < math.inf:
            self.refuse(f"effort_factor is {factor}; a factor is 0 or more")

    def _limit(self) -> None:
        change = self.change
        limit = change.daily_limit_fish
        if limit is None:
            return
        if limit < 0 or limit != int(limit):
            self.refuse(f"daily_limit_fish is {limit}; a daily limit is a whole number, 0 or more")
        if limit == 0 and change.at_limit is AtLimit.STOP:
            self.refuse(
                "under a daily limit of 0 no one who stops at it would fish: close the areas, or "
                "let anglers go on"
            )
        if np.isnan(self.baseline.wanted_mean).any(axis=0).all():
            self.refuse("what boats would keep could not be told from the interviews so far")

    def _marks(self) -> None:
        baseline, wanted = self.baseline, self.change.mark_selective
        if wanted is None:
            return
        for place in self._places:
            name = baseline.areas[place]
            rules = {bool(one) for one in baseline.rules.is_mark_selective[place]}
            if {wanted} == rules | {bool(baseline.so_far.is_mark_selective[place, 0])}:
                continue
            told = [baseline.class_per_fish.get(one) for one in _MARKED]
            if any(one is None or np.isnan(one[:, place]).any() for one in told):
                self.refuse(f"the marked share of legal fish in {name} is not known")

    def _length(self) -> None:
        length = self.change.min_length_mm
        if length is None:
            return
        low, high = LENGTHS_MM
        if not low <= length <= high:
            self.refuse(
                f"min_length_mm is {length:g}; lengths are in mm, from {low:,} to {high:,}"
                f"{_length_hint(length)}"
            )
        for place in self._places:
            told = so_far_mm(self.baseline, place)
            size = "legal" if length > told else "sublegal"
            if length == told or measured(self.baseline, place, size) is not None:
                continue
            name = self.baseline.areas[place]
            words = f"{LEAST_MEASURED} {size} fish must be measured in {name}, or in all areas"
            if size == "sublegal":
                words += ", in test fishing: only that meets fish under the minimum by a rule"
            self.refuse(f"min_length_mm is {length:g} where it was {told:g}; {words}")

    def _mix(self) -> None:
        mix = self.change.method_mix or {}
        known = [name for name in self.baseline.methods if name]
        trips = self.baseline.by_method[..., PARTS.index("angler_trips")]
        for name, share in mix.items():
            if name not in known:
                told = ", ".join(known) or "none was told"
                self.refuse(f'method "{name}" is not one of those seen so far: {told}')
            if not 0 <= share <= 1:
                self.refuse(f"the share of {name} is {share}; a share runs from 0 to 1")
            place = self.baseline.methods.index(name)
            if share and not np.nansum(trips[:, :, place]) > 0:
                self.refuse(f"no trip by {name} was seen so far: its catch is not known")
        if mix and abs(sum(mix.values()) - 1) > _ROUNDING:
            self.refuse(f"the shares of method_mix add up to {sum(mix.values()):g}; they must to 1")

    def _rate(self, row: Mapping[str, Any]) -> None:
        lacking = sorted({"size_class", "method", "wound_class", "rate_prop"} - set(row))
        if lacking:
            self.refuse(f"a release rate lacks {', '.join(lacking)}")
        methods = ("any", *(name for name in self.baseline.methods if name))
        kinds = (("size_class", _SIZES), ("wound_class", _WOUNDS), ("method", methods))
        for column, allowed in kinds:
            if row[column] not in allowed:
                self.refuse(
                    f'{column} "{row[column]}" of a release rate; allowed: {", ".join(allowed)}'
                )
        for column in ("rate_prop", "rate_se"):
            value = row.get(column)
            if value is not None and not 0 <= value <= 1:
                self.refuse(f"{column} of a release rate is {value}; a rate runs from 0 to 1")
        self._rate_error(row["rate_prop"], row.get("rate_se"))

    def _rate_error(self, prop: float, se: float | None) -> None:
        """Refuse an error that no law between 0 and 1 has: its variance is under p (1 - p)."""
        most = math.sqrt(prop * (1 - prop))
        if se and se >= most * (1 - _ROUNDING):
            allowed = f"it must be under {most:.3g}" if most else "a rate of 0 or 1 has none"
            self.refuse(
                f"rate_se of a release rate is {se:g} where rate_prop is {prop:g}; a rate between "
                f"0 and 1 cannot be so uncertain: {allowed}"
            )


def _length_hint(length: float) -> str:
    """Return what a length would be in mm, were it told in inches or centimetres."""
    for unit, factor in (("in", _MM_PER_INCH), ("cm", _MM_PER_CM)):
        if LENGTHS_MM[0] <= length * factor <= LENGTHS_MM[1]:
            return f": {length:g} {unit} = {length * factor:.0f} mm"
    return ""


# Options of a file that a season can weigh, and in words why it cannot weigh the others.

_LIKE = 0.6


def split_valid(
    baseline: Baseline, options: Sequence[Option], *, areas: Mapping[str, str], today: str
) -> tuple[tuple[Option, ...], tuple[str, ...]]:
    """Return the options that can be weighed, and why the others cannot.

    Names that the season does not have are told first, every one of them with what it may mean:
    what else is wrong with an option often comes of them.

    Parameters
    ----------
    baseline : Baseline
    options : sequence of Option
    areas : mapping of str to str
        Code and name of areas.
    today : str
        Name of today's rule.

    Returns
    -------
    tuple of tuple of Option and tuple of str
        The words of each refused option on one line.
    """
    sound, refused = [], []
    for one in options:
        words = "; ".join(_misnamed(baseline, one, areas)) or _why(baseline, one, today)
        if words:
            refused.append(words)
        else:
            sound.append(one)
    return tuple(sound), tuple(refused)


def _why(baseline: Baseline, option: Option, today: str) -> str:
    try:
        check_options(baseline, [option], today=today)
    except UsageError as error:
        return str(error)
    return ""


def _misnamed(baseline: Baseline, option: Option, areas: Mapping[str, str]) -> Iterator[str]:
    """Yield every name of an option that the season does not have."""
    names = {code: areas.get(code) or code for code in baseline.areas}
    methods = [one for one in baseline.methods if one]
    for number, change in enumerate(option.changes, start=1):
        where = f'option "{option.name}", change {number}'
        for seen, method in _methods(change):
            if method not in methods:
                yield f"{where}: {_no_method(method, seen, methods)}"
        for area in change.areas:
            if area not in names:
                yield f"{where}: {_no_area(area, names)}"


def _methods(change: Change) -> Iterator[tuple[str, str]]:
    """Yield every fishing method of a change with the words it stands in."""
    for method in change.method_mix or {}:
        yield f"method_mix = {shown(dict(change.method_mix or {}))}", method
    for row in change.release_rates:
        method = str(row.get("method"))
        if method != "any":
            yield "a release rate", method


def _no_method(method: str, seen: str, methods: Sequence[str]) -> str:
    allowed = ", ".join(methods) or "none was told"
    hint = _hint(method, dict.fromkeys(methods, ""))
    told = f"method {shown(method)} in {seen} is not one of those seen so far"
    return f"{told}; allowed: {allowed}{hint}"


def _no_area(area: str, names: Mapping[str, str]) -> str:
    allowed = ", ".join(map(_named, names, names.values()))
    return (
        f"area {shown(area)} is not the code of one of the season's areas; allowed: {allowed}"
        f"{_hint(area, names)}"
    )


def _hint(word: str, names: Mapping[str, str]) -> str:
    """Return the code that a word may mean, by the code or by its name; empty without one."""
    codes = {name.casefold(): code for code, name in names.items() if name}
    codes |= {code.casefold(): code for code in names}
    near = difflib.get_close_matches(word.casefold(), codes, n=1, cutoff=_LIKE)
    if not near:
        return ""
    code = codes[near[0]]
    return f"; did you mean {_named(code, names[code])}?"


def _named(code: str, name: str) -> str:
    return f"{code} ({name})" if name and name != code else code
