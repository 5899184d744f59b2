"""The commands whose output is frozen, as data. Names are those of the oldest checkout."""

from __future__ import annotations

from dataclasses import dataclass

#: Later names of a command or an option; the first one that a checkout knows is run.
ALIASES: dict[str, tuple[str, ...]] = {
    "held": ("holding",),
}

#: Stores that commands write into: each begins as a copy of the demo store, or empty.
COPIES = ("bulletins", "options")
EMPTY = ("fresh",)


@dataclass(frozen=True, slots=True)
class Case:
    """A command line, run in a folder of its own.

    Parameters
    ----------
    name : str
        Folder of its output.
    line : str
        Its arguments; ``{demo}`` is the demo folder, ``{store}`` the store, ``{file}`` a file that
        holds `text`.
    store : str
        The store it uses; cases of one store other than ``demo`` run in their order.
    text : str
        Content of ``{file}``; ``EXAMPLE`` stands for what ``options --example`` prints.
    """

    name: str
    line: str
    store: str = "demo"
    text: str = ""

    @property
    def needs_demo_store(self) -> bool:
        """Whether it reads the demo store or a copy of it."""
        return self.store not in EMPTY and "{store}" in self.line


EXAMPLE = "EXAMPLE"

#: One option for each kind of change, and each answer of the anglers.
KINDS = """
title = "One of each kind"
notes = "Two\\nlines."
[[option]]
name = "close"
[[option.change]]
areas = ["VEL"]
close_from = 2036-03-01
[[option]]
name = "close, trips move"
to_other_areas_prop = 0.3
to_other_days_prop = 0.2
[[option.change]]
areas = ["VEL"]
close_from = 2036-03-01
[[option]]
name = "reopen"
[[option.change]]
close_from = 2036-03-01
reopen_from = 2036-03-22
[[option]]
name = "longer"
[[option.change]]
areas = ["OMB"]
open_through = 2036-05-04
[[option]]
name = "weekdays"
[[option.change]]
first_day = 2036-02-24
last_day = 2036-03-31
open_weekdays = "67"
[[option]]
name = "limit, go on"
elasticity = 0.4
[[option.change]]
daily_limit_fish = 1
at_limit = "go_on"
[[option]]
name = "limit, stop"
[[option.change]]
daily_limit_fish = 1
at_limit = "stop"
[[option]]
name = "length"
[[option.change]]
min_length_mm = 580
[[option]]
name = "marked fish"
[[option.change]]
mark_selective = true
[[option]]
name = "methods"
[[option.change]]
method_mix = {trolling = 0.3, mooching = 0.3, jigging = 0.4}
[[option]]
name = "effort"
[[option.change]]
effort_factor = 0.9
[[option]]
name = "rates"
[[option.change]]
[[option.change.release_rates]]
size_class = "sublegal"
method = "any"
wound_class = "any"
rate_prop = 0.15
rate_se = 0.04
source = "assumed here"
[[option]]
name = "no such area"
[[option.change]]
areas = ["XYZ"]
daily_limit_fish = 1
"""

FAULTS = """
[[option]]
name = "a"
elasticity = 9.0
colour = "red"
[[option.change]]
open_weekdays = "89"
[[option]]
name = "a"
"""

_ESTIMATES = {
    "area_week": "",
    "area": "--by area",
    "week": "--by week",
    "season": "--by season",
    "level": "--by season --level 0.8",
    "thin": "--by area --thin refuse",
    "counts": "--by area --effort counts",
    "day_hours": "--by area --effort counts --day-hours 9",
    "expand": "--by area --expand",
    "counts_expand": "--by area --effort counts --expand",
    "reported": "--by area --basis reported",
    "sampled": "--by area --basis sampled",
    "through": "--through 2036-W02",
    "as_of": "--as-of 1",
    "first_season": "--by area --season 2033-34",
}

CASES: tuple[Case, ...] = (
    Case("demo", "demo --out out"),
    Case("demo_seed", "demo --out out --seed 7"),
    Case("batches", "batches --store {store}"),
    *(
        Case(f"estimate_{name}", f"estimate --store {{store}} {options} --out out.parquet")
        for name, options in _ESTIMATES.items()
    ),
    Case("estimate_stdout", "estimate --store {store} --by area --out -"),
    Case("estimate_wrong_by", "estimate --store {store} --by moon --out -"),
    Case("estimate_wrong_week", "estimate --store {store} --through 2036-02 --out -"),
    Case("estimate_wrong_season", "estimate --store {store} --season 1999-00 --out -"),
    Case("estimate_no_store", "estimate --store nowhere --out -"),
    Case("scenarios", "scenarios --store {store} --out out.parquet"),
    Case("scenarios_season", "scenarios --store {store} --by season --reports-over 1,2 --out -"),
    Case("revisions", "revisions --store {store} --out out.parquet"),
    Case("revisions_since", "revisions --store {store} --since 1 --as-of 2 --by area --out -"),
    Case("revisions_season", "revisions --store {store} --since 1 --by season --out -"),
    Case("held", "held {demo}/held/held_fish.csv --out out"),
    Case("held_level", "held {demo}/held/held_fish.csv --level 0.8"),
    Case("held_fault", "held {file}", text="held_id,group,hours,died\na,jaw,x,true\na,jaw,2,no\n"),
    Case("options_example", "options --example"),
    Case("options", "options {file} --store {store} --out out", "options", EXAMPLE),
    Case("options_kinds", "options {file} --store {store} --out out", "options", KINDS),
    Case("options_faults", "options {file} --store {store} --out out", "options", FAULTS),
    Case("bulletin", "bulletin --store {store} --out out", "bulletins"),
    Case(
        "bulletin_through",
        "bulletin --store {store} --season 2035-36 --through 2036-W01 --out out",
        "bulletins",
    ),
    Case("import_check", "import {demo} {demo}/dirty --store {store} --check-only", "fresh"),
    Case("import_demo", "import {demo} --store {store}", "fresh"),
    Case("import_again", "import {demo} --store {store}", "fresh"),
    Case("import_dirty", "import {demo}/dirty --store {store}", "fresh"),
    Case(
        "import_quarantine",
        "import {demo}/dirty --store {store} --quarantine set_aside.csv",
        "fresh",
    ),
    Case("batches_fresh", "batches --store {store}", "fresh"),
    Case("withdraw_refused", "withdraw b0001 --store {store}", "fresh"),
    Case("withdraw", "withdraw b0002 --store {store}", "fresh"),
    Case("withdraw_again", "withdraw b0002 --store {store}", "fresh"),
    Case("batches_withdrawn", "batches --store {store}", "fresh"),
)
