"""The tables of the page Sampling plan as HTML, and the lines of its figure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from analytics.catch_limits import noun
from analytics.codes import sentences
from analytics.planning.make_plan import ALLOCATED_FOR
from analytics.planning.plan import LEAST_SHOWN
from analytics.planning.planned_shifts import Standing
from analytics.planning.sample_sizes import SHARE
from analytics.precision import DASH, percent
from analytics.quantities import QUANTITIES
from analytics.units import short_day
from analytics.wording import numbers
from analytics.wording.numbers import Measurement, NumberKind
from dashboard import html_tables
from dashboard.catalogue import phrase, say, say_n
from dashboard.charts.forest import ForestRow
from dashboard.sampling_plan.words import (
    STANDINGS,
    area_words,
    pse_words,
    quantities_of,
    worst_row,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import date

    from markupsafe import Markup

    from analytics.planning.plan import Expected, Plan, PlannedStratum
    from analytics.planning.sample_sizes import SampleNeed
    from analytics.planning.schedule import Schedule

#: What the small print of the table of precision says.
SMALL_PRINT = phrase(
    "Small: the PSE of the last sampled week, and which part of the planned variance lies between "
    "boats of a site-day. More boats interviewed lower that part alone, more site-days all of it."
)
#: Hues of the figure with their words.
NAMES = (
    ("sea", phrase("this plan")),
    ("copper", phrase("as in the last sampled week")),
    ("bar", phrase("how far the PSE reached may lie off it")),
)


def forest_rows(rows: Sequence[Expected], name: Callable[[str], str]) -> list[ForestRow]:
    """Return planned and present precision of a quantity as lines of a figure, by area."""
    found = []
    for one in rows:
        label = area_words(one.area, name)
        share = NumberKind.SHARE
        planned = Measurement(one.pse_planned, one.pse_low, one.pse_high, share)
        words = say("planned, {site_days}", site_days=_site_days(one.site_days_planned))
        found.append(ForestRow(label, planned, words=words))
        if one.pse_now is not None:
            n = _site_days(one.site_days_now)
            words = say("as in the last sampled week, {site_days}", site_days=n)
            found.append(
                ForestRow(label, Measurement(one.pse_now, sort=share), hue="copper", words=words)
            )
    return found


def _site_days(n: int) -> str:
    return say_n(n, "{n} site-day", "{n} site-days")


def precision(plan: Plan, name: Callable[[str], str]) -> Markup:
    """Return planned and present precision by area and quantity."""
    names = quantities_of(plan)
    heads = (say("Area"), *(QUANTITIES[one].label for one in names), say("Site-days now, planned"))
    by_place = {(one.area, one.quantity): one for one in plan.expected}
    lines = []
    for area in dict.fromkeys(one.area for one in plan.expected):
        rows = [by_place.get((area, quantity)) for quantity in names]
        first = next(one for one in rows if one is not None)
        cells = [_precision_cell(one) for one in rows]
        cells.append(f"{first.site_days_now}, {first.site_days_planned}")
        lines.append(html_tables.line(heads, area_words(area, name), cells, is_all=area is None))
    return html_tables.table(heads, lines)


def _precision_cell(one: Expected | None) -> str:
    if one is None or one.pse_planned is None:
        return DASH
    now = say("now {pse}", pse=pse_words(one.pse_now)) if one.pse_now is not None else ""
    boats = ""
    if one.boats_part is not None:
        boats = say("boats {part}", part=percent(one.boats_part))
    return pse_words(one.pse_planned) + html_tables.small(", ".join(filter(None, (now, boats))))


def allocation(plan: Plan, name: Callable[[str], str]) -> Markup:
    """Return where the shifts go, beside the last sampled week and the even spread, by area."""
    heads = (
        say("Area"),
        say("Planned"),
        say("Even spread"),
        say("Last sampled week"),
        say("Site-days in the frame"),
        say("One more lowers the PSE by"),
    )
    counts: tuple[Callable[[PlannedStratum], int], ...] = (
        lambda one: one.n_site_days,
        lambda one: one.n_even * one.sites_a_day,
        lambda one: one.n_now,
        lambda one: len(one.dates) * len(one.sites),
    )
    return _by_area(plan, heads, counts, name, more=_one_more)


def _one_more(mine: Sequence[PlannedStratum]) -> str:
    """Return by what part one unit more in each group of days lowers the PSE of their area."""
    known = [(one.weekdays, one.one_more) for one in mine if one.one_more is not None]
    return ", ".join(f"{days} {percent(part)}" for days, part in known) or DASH


def _by_area(
    plan: Plan,
    heads: Sequence[str],
    counts: Sequence[Callable[[PlannedStratum], int]],
    name: Callable[[str], str],
    *,
    more: Callable[[Sequence[PlannedStratum]], str] | None = None,
) -> Markup:
    """Return a line an area: a number in all, and below it that of each group of days.

    `more` gives a last cell.
    """
    lines = []
    for area in dict.fromkeys(one.area for one in plan.strata):
        mine = [one for one in plan.strata if one.area == area]
        cells: list[str] = []
        for count in counts:
            parts = [f"{one.weekdays} {count(one)}" for one in mine]
            cells.append(f"{sum(map(count, mine))}" + html_tables.small(", ".join(parts)))
        if more is not None:
            cells.append(more(mine))
        lines.append(html_tables.line(heads, name(area), cells))
    return html_tables.table(heads, lines)


def weeks(plans: Sequence[Plan], name: Callable[[str], str]) -> Markup:
    """Return several weeks, a line a week: shifts, the worst area, all areas together."""
    heads = (
        say("Week"),
        say("Shifts"),
        say("Least precise area"),
        *(say("All areas: {quantity}", quantity=noun(one)) for one in ALLOCATED_FOR),
    )
    lines = []
    for plan in plans:
        worst = worst_row([plan])
        of_all = {one.quantity: one.pse_planned for one in plan.expected if one.area is None}
        where = DASH if worst is None else pse_words(worst.pse_planned)
        words = "" if worst is None else f"{name(worst.area or '')}, {noun(worst.quantity)}"
        cells = [
            f"{plan.n_site_days}",
            where + html_tables.small(words),
            *(pse_words(of_all.get(one)) for one in ALLOCATED_FOR),
        ]
        dates = numbers.week_dates(plan.week)
        lines.append(html_tables.line(heads, dates, cells))
    return html_tables.table(heads, lines)


def curve_lines(plan: Plan, area: str | None, quantity: str) -> list[dict[str, float]]:
    """Return the curve of precision of one figure by site-days."""
    return [
        {"site_days": one.site_days, "pse": one.pse, "pse_error": one.pse_error}
        for one in plan.curve
        if one.area == area and one.quantity == quantity
    ]


def boats_and_fish(needs: Sequence[SampleNeed], name: Callable[[str], str]) -> Markup:
    """Return boats to interview for the wanted interval of the sublegal share, by area."""
    heads = (
        say("Area"),
        say("Share expected"),
        say("Usual boats"),
        say("Boats needed"),
        say("Site-days needed"),
    )
    lines = []
    for one in needs:
        if one.quantity != SHARE:
            continue
        width = one.half_width_planned
        points = ""
        if width is not None:
            points = say("± {points:.0f} points with this plan", points=100 * width)
        at = say_n(one.site_days, "at {n} site-day", "at {n} site-days")
        over = say("over the frame")
        cells = [
            pse_words(one.expected) + html_tables.small(points),
            f"{one.boats_planned:,}" + html_tables.small(at),
            _boats_needed(one),
            over if one.site_days_needed is None else f"{one.site_days_needed:,}",
        ]
        lines.append(html_tables.line(heads, name(one.area), cells))
    return html_tables.table(heads, lines)


def _boats_needed(one: SampleNeed) -> str:
    if one.boats_needed is None:
        return DASH
    words = say_n(one.fish_needed or 0, "{n} fish", "{n} fish")
    if one.design_effect:
        words += say(", design effect {effect:.1f}", effect=one.design_effect)
    return f"{one.boats_needed:,}" + html_tables.small(words)


def call(plan: Plan, name: Callable[[str], str]) -> Markup:
    """Return where the shifts go that serve the call best, beside the plan, by area."""
    heads = (
        say("Area"),
        say("This plan"),
        say("For the call"),
        say("One more lowers the chance of the wrong call by"),
    )
    decision = plan.decision
    best = dict(zip(plan.strata, decision.n if decision else (), strict=False))
    gains = dict(zip(plan.strata, decision.one_more if decision else (), strict=False))

    def more(mine: Sequence[PlannedStratum]) -> str:
        known = [(one.weekdays, gains.get(one) or 0.0) for one in mine]
        words = [f"{days} {call_gain(gain)}" for days, gain in known if gain >= LEAST_SHOWN]
        return ", ".join(words) or DASH

    return _by_area(
        plan,
        heads,
        (lambda one: one.n_site_days, lambda one: best.get(one, 0) * one.sites_a_day),
        name,
        more=more,
    )


def call_gain(gain: float) -> str:
    """Return by how much the chance of a wrong call falls, in points."""
    return say("{gain:.2f} points", gain=100 * gain)


def schedule(
    drawn: Schedule,
    site_names: Mapping[str, str],
    name: Callable[[str], str],
    holidays: Mapping[date, str],
) -> Markup:
    """Return the planned shifts by date; a holiday, by its name, says with which days it stands."""
    heads = (say("Date"), say("Site"), say("Area"), say("Sampler"), say("Chance to be drawn"))
    area_of = {site: one.area for one, _ in drawn.strata for site in one.sites}
    lines = [
        html_tables.line(
            heads,
            f"{one.date:%a} {short_day(one.date)}",
            [
                f"{site_names.get(one.site) or one.site} ({one.site})"
                + html_tables.small(numbers.holiday_words(one.date, holidays.get(one.date, ""))),
                name(area_of[one.site]),
                drawn.assigned.get((one.site, one.date)) or DASH,
                f"{one.inclusion_prob:.3f}",
            ],
        )
        for one in drawn.planned
    ]
    return html_tables.table(heads, lines)


def reserve(
    drawn: Schedule,
    site_names: Mapping[str, str],
    name: Callable[[str], str],
    holidays: Mapping[date, str],
) -> Markup:
    """Return the reserve of a week in its order, by stratum."""
    heads = (say("Stratum"), say("Order"), say("Site"), say("Date"))
    lines = []
    for stratum, found in drawn.strata:
        where = f"{name(stratum.area)}, {stratum.weekdays}"
        for one in (one for one in found if one.is_reserve):
            why = numbers.holiday_words(one.date, holidays.get(one.date, ""))
            cells = [
                f"{one.order}",
                f"{site_names.get(one.site) or one.site} ({one.site})",
                f"{one.date:%a} {short_day(one.date)}" + html_tables.small(why),
            ]
            lines.append(html_tables.line(heads, where, cells))
    return html_tables.table(heads, lines)


def progress(shifts: pd.DataFrame, site_names: Mapping[str, str]) -> Markup:
    """Return the planned shifts of a season, the newest first, without the reserve."""
    heads = (
        say("Date"),
        say("Site"),
        say("State"),
        say("Boats counted"),
        say("Boats of other visits"),
        say("Why"),
    )
    rows = shifts[shifts["standing"] != Standing.RESERVE].iloc[::-1]
    lines = [
        html_tables.line(
            heads,
            f"{one['date']:%a} {short_day(one['date'].date())}",
            [
                f"{site_names.get(one['site']) or one['site']} ({one['site']})",
                say(STANDINGS[one["standing"]]),
                DASH if pd.isna(one["boats_returned"]) else f"{one['boats_returned']:.0f}",
                DASH if pd.isna(one["usual_boats"]) else f"{one['usual_boats']:.1f}",
                sentences(one["reason"]) if isinstance(one["reason"], str) else "",
            ],
        )
        for one in rows.to_dict("records")
    ]
    return html_tables.table(heads, lines)
