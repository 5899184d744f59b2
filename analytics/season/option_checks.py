"""Whether options can be weighed on a baseline: what was seen, what is allowed, what to do."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from analytics.errors import WrongUse
from analytics.season.baseline import PARTS
from analytics.season.lengths_moved import LEAST_MEASURED, measured, so_far_mm
from analytics.season.option import AtLimit, Change, Option

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.season.baseline import Baseline

_SIZES, _WOUNDS = ("legal", "sublegal", "any"), ("any", "shallow", "deep")
_MARKED = ("encounter_legal_marked_fish", "encounter_legal_unmarked_fish")
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
    WrongUse
        If two options share a name, or one cannot be weighed.
    """
    names = [one.name for one in options]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise WrongUse(f'two options are called "{twice[0]}": give each a name of its own')
    for one in options:
        if one.name == today and one.changes:
            raise WrongUse(
                f'option "{today}" has changes; that name is for today\'s rule: name it otherwise'
            )
        _check_option(baseline, one)
    return (Option(today), *(one for one in options if one.name != today))


def _check_option(baseline: Baseline, option: Option) -> None:
    where = f'option "{option.name}"'
    if not option.name.strip():
        raise WrongUse("an option without a name: give it one")
    if not 0 <= option.elasticity < math.inf:
        raise WrongUse(f"{where}: elasticity {option.elasticity} is not a number of 0 or more")
    shares = {
        "to_other_areas_prop": option.to_other_areas_prop,
        "to_other_days_prop": option.to_other_days_prop,
    }
    for name, share in shares.items():
        if not 0 <= share <= 1:
            raise WrongUse(f"{where}: {name} is {share}; a share runs from 0 to 1")
    if sum(shares.values()) > 1 + _ROUNDING:
        raise WrongUse(
            f"{where}: to_other_areas_prop and to_other_days_prop add up to "
            f"{sum(shares.values()):g}; of the trips of a closed day no more than all can go "
            "elsewhere: lower one"
        )
    if option.changes and not len(baseline.days):
        raise WrongUse(
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
        raise WrongUse(f"{self.where}: {words}")

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
                    f"{name} is {day}; the totals so far run through {through}: name a later day"
                )
            if day is not None and day > self.end:
                self.refuse(f"{name} is {day}; the outlook ends on {self.end}: name an earlier day")
        if change.first and change.last and change.last < change.first:
            self.refuse(f"last is {change.last}, before first, {change.first}: turn them round")
        if change.close and change.reopen and change.reopen <= change.close:
            self.refuse(f"reopen is {change.reopen}, not after close, {change.close}")
        if change.reopen is not None:
            opens = self.baseline.rules.is_open
            after = (change.reopen - through).days - 1
            end = len(self.baseline.days) if change.open else after
            for place in self._places:
                if not opens[place, after:].any() and not end > after:
                    self.refuse(
                        f"{self.baseline.areas[place]} has no planned open day from "
                        f"{change.reopen} on: say through which day it would be open (open)"
                    )
            if change.open and change.open < change.reopen:
                self.refuse(f"open is {change.open}, before reopen, {change.reopen}")

    def _weekdays(self) -> None:
        digits = self.change.weekdays
        wrong = sorted(set(digits) - set("1234567"))
        if wrong:
            self.refuse(
                f'weekdays "{digits}" holds "{wrong[0]}"; 1 is Monday and 7 Sunday: write such as '
                '"67"'
            )
        if len(set(digits)) < len(digits):
            self.refuse(f'weekdays "{digits}" names a day twice')

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
        if not 0 <= length < math.inf:
            self.refuse(f"min_length_mm is {length}; a length is 0 mm or more")
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
