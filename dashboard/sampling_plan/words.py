"""What the page Sampling plan says: the answer, findings over figures, missed shifts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analytics.catch_limits import join_words, noun, nouns
from analytics.codes import Code, parse, sentences
from analytics.planning.make_plan import ALLOCATED_FOR
from analytics.planning.planned_shifts import LOST, Action, Cause, Standing
from analytics.planning.sample_sizes import SHARE
from analytics.planning.schedule import drawn_for_samplers
from analytics.precision import chance, percent
from analytics.quantities import QUANTITIES, capitalised
from analytics.units import short_day
from analytics.wording import numbers
from dashboard.catalogue import phrase, say, say_n

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from analytics.planning.plan import Expected, Plan
    from analytics.planning.planned_shifts import Busyness, Outcome, Progress
    from analytics.planning.sample_sizes import SampleNeed
    from analytics.planning.schedule import Schedule

#: What the page is first about: all areas together, this quantity.
FIRST = "encounter_fish"
STANDINGS = {
    Standing.DONE: phrase("done"),
    Standing.AHEAD: phrase("ahead"),
    Standing.NOT_SEEN: phrase("day over, no count in the store"),
    Standing.MISSED: phrase("missed"),
    Standing.REPLACED: phrase("replaced from the reserve"),
    Standing.RESERVE: phrase("reserve"),
}
#: p below which a difference is called clear (common practice).
_CLEAR = 0.05
_SETTLED = 0.01
#: Strata that a sentence names.
_NAMED = 2
#: Why a shift was missed, for whoever records it.
CAUSES = {
    Cause.SAMPLER_MISSING: phrase("The sampler cannot go, another one can"),
    Cause.NOBODY_FREE: phrase("Nobody can go"),
    Cause.SITE_CLOSED: phrase("The site is closed"),
    Cause.STORM_NOT_SEEN: phrase("Storm; whether boats came back is not known"),
    Cause.STORM_EMPTY: phrase("Storm; it is known that no boat came back"),
}
HOW_TO_RECORD = phrase(
    "A shift is done once its count of boats is in the store: there is nothing to tick. A missed "
    "one is recorded with its reason. Its place goes to the next of the reserve only where every "
    "date of its stratum is still ahead, or to a reserve site of the same date; else it is left "
    "out. Nobody chooses the replacement."
)
NO_CORRECTION = phrase(
    "The estimates correct only site-days whose boats were counted and nobody was interviewed: "
    "they count by their boats. A shift that was missed altogether has no count and no "
    "correction; it leaves the sample."
)


def pse_words(part: float | None) -> str:
    """Return a planned or present precision in percent; a dash where there is none."""
    return numbers.Measurement(part, sort=numbers.NumberKind.SHARE).words


def area_words(area: str | None, name: Callable[[str], str]) -> str:
    """Return an area by its name, or that all are meant."""
    return say("All areas") if area is None else name(area)


def where_words(area: str | None, name: Callable[[str], str]) -> str:
    """Return an area by its name within a sentence, or that all are meant."""
    return say("all areas") if area is None else name(area)


def quantities_of(plan: Plan) -> list[str]:
    """Return the quantities that a plan says something of, what it is judged by first."""
    names = dict.fromkeys(one.quantity for one in plan.expected)
    return sorted(names, key=lambda one: one != FIRST)


def first_row(plan: Plan) -> Expected | None:
    """Return what a plan is judged by first: encounters of all areas, else any row with a PSE."""
    known = [one for one in plan.expected if one.pse_planned is not None]
    ranked = sorted(known, key=lambda one: (one.quantity != FIRST, one.area is not None))
    return ranked[0] if ranked else None


def answer(plan: Plan, name: Callable[[str], str]) -> str:
    """Return what a plan brings, in a sentence (Markdown)."""
    shifts = shifts_words(plan.n_site_days)
    week = say("week {week} ({dates})", week=plan.week, dates=numbers.week_dates(plan.week))
    one = first_row(plan)
    if one is None:
        return say(
            "**{shifts}** in {week}. What precision they bring cannot be given: no site-day so "
            "far says how site-days differ.",
            shifts=shifts,
            week=week,
        )
    what = say("{quantity} in all areas", quantity=noun(one.quantity))
    if one.area is not None:
        what = say("{quantity} in {area}", quantity=noun(one.quantity), area=name(one.area))
    known = {"shifts": shifts, "week": week, "what": numbers.plain(what)}
    known |= {"pse": pse_words(one.pse_planned), "beside": _beside(one)}
    by_area = _by_area(plan)
    if by_area:
        return say(
            "**{shifts}** in {week} bring {by_area}. For {what} the PSE is then {pse}{beside}.",
            by_area=by_area,
            **known,
        )
    return say(
        "**{shifts}** in {week} bring {what} to a percent standard error (PSE) of "
        "**{pse}**{beside}.",
        **known,
    )


def shifts_words(n: int) -> str:
    """Return a number of shifts with its noun."""
    return say_n(n, "{n} shift", "{n} shifts")


def _beside(one: Expected) -> str:
    """Return what stands beside a planned precision: its ends, and that of the last week."""
    words = ""
    if one.pse_low is not None and one.pse_high is not None:
        words = say(" ({low} to {high})", low=pse_words(one.pse_low), high=pse_words(one.pse_high))
    if one.pse_now is not None:
        words += say("; as in the last sampled week, {pse}", pse=pse_words(one.pse_now))
    return words


def worst_row(plans: Sequence[Plan]) -> Expected | None:
    """Return the least precise of the figures by area that shifts are allocated for."""
    known = [
        one
        for plan in plans
        for one in plan.expected
        if one.area and one.quantity in ALLOCATED_FOR and one.pse_planned is not None
    ]
    return max(known, key=lambda one: one.pse_planned or 0.0, default=None)


def weeks_answer(plans: Sequence[Plan], name: Callable[[str], str]) -> str:
    """Return what the plans of several weeks bring together, in a sentence (Markdown)."""
    first, last = (numbers.week_dates(one.week) for one in (plans[0], plans[-1]))
    head = say(
        "**{shifts}** in {weeks} weeks ({first}, to {last})",
        shifts=shifts_words(sum(one.n_site_days for one in plans)),
        weeks=len(plans),
        first=first,
        last=last,
    )
    worst = worst_row(plans)
    if worst is None:
        return say("{shifts}. What precision they bring cannot be given.", shifts=head)
    week = next(one.week for one in plans if worst in one.expected)
    return say(
        "{shifts} bring {what} of every area in every week to a percent standard error (PSE) of "
        "**{pse}** or better; least precise is {area} in {week}.",
        shifts=head,
        what=join_words([noun(one) for one in ALLOCATED_FOR]),
        pse=pse_words(worst.pse_planned),
        area=numbers.plain(name(worst.area or "")),
        week=numbers.week_dates(week),
    )


def files_words(plans: Sequence[Plan]) -> str:
    """Return what the files of a plan of several weeks hold."""
    shifts = sum(one.n_site_days for one in plans)
    return say(
        "The files hold all {weeks} weeks, the sheets the week that is looked at: those of all "
        "{shifts} shifts are some {pages:,} pages, and later weeks are planned anew as they come. "
        "Each week is stored by itself once it is the next.",
        weeks=len(plans),
        shifts=shifts,
        pages=4 * shifts,
    )


def store_words(plan: Plan, plans: Sequence[Plan]) -> str:
    """Return what the button says that stores a week's schedule."""
    if len(plans) == 1:
        return say("Store this schedule")
    return say("Store the schedule of {week}", week=numbers.week_dates(plan.week))


#: Beside the weeks of a plan.
LATER = phrase("Later weeks rest on simulations further ahead: plan them anew as weeks come in.")


def _by_area(plan: Plan) -> str:
    """Return what every area gets at the least, beside now; empty where areas are not looked at."""
    codes = [one for one in parse(plan.rule) if isinstance(one, Code)]
    if not codes or codes[0].name == "plan_all_areas":
        return ""
    asked = dict(codes[0].arguments).get("totals", ALLOCATED_FOR)
    rows = [one for one in plan.expected if one.area is not None and one.quantity in asked]
    planned = [one.pse_planned for one in rows]
    if not rows or None in planned:
        return ""
    words = say(
        "{what} of every area to a percent standard error (PSE) of **{pse}** or better",
        what=join_words([noun(one) for one in asked]),
        pse=_worst(planned),
    )
    others = (
        (phrase("shifts as in the last sampled week, {pse}"), [one.pse_now for one in rows]),
        (phrase("as many spread evenly, {pse}"), [one.pse_even for one in rows]),
    )
    known = [say(text, pse=_worst(parts)) for text, parts in others if None not in parts]
    return f"{words} ({'; '.join(known)})" if known else words


def _worst(parts: Sequence[float | None]) -> str:
    return pse_words(max(one or 0.0 for one in parts))


def precision_finding(rows: Sequence[Expected], name: Callable[[str], str]) -> str:
    """Return the finding over the figure of one quantity."""
    known = [one for one in rows if one.pse_planned is not None and one.area is not None]
    if not known:
        return say("No precision can be given for any area")
    best = min(known, key=lambda one: one.pse_planned or 0.0)
    worst = max(known, key=lambda one: one.pse_planned or 0.0)
    if best is worst:
        area = area_words(best.area, name)
        return say("{area}: PSE {pse}", area=area, pse=pse_words(best.pse_planned))
    return say(
        "Most precise in {best} ({best_pse}), least in {worst} ({worst_pse})",
        best=area_words(best.area, name),
        best_pse=pse_words(best.pse_planned),
        worst=area_words(worst.area, name),
        worst_pse=pse_words(worst.pse_planned),
    )


def allocation_finding(plan: Plan, name: Callable[[str], str]) -> str:
    """Return where more shifts go than evenly, and what the even spread would lose (Markdown)."""
    more, fewer = _moved(plan, name, 1), _moved(plan, name, -1)
    words = say("Shifts are spread evenly over areas and day groups.")
    if more and fewer:
        words = say(
            "Beside an even spread, more go to {more} and fewer to {fewer}: one more helps most "
            "where site-days differ most and the frame is large.",
            more=more,
            fewer=fewer,
        )
    one = first_row(plan)
    if one is None or one.pse_even is None or one.pse_planned is None:
        return words
    even, planned = pse_words(one.pse_even), pse_words(one.pse_planned)
    if even == planned:
        return words
    loss = one.pse_even / one.pse_planned - 1
    known = {"what": noun(one.quantity), "area": where_words(one.area, name)}
    known |= {"even": even, "planned": planned, "part": percent(abs(loss))}
    if loss > 0:
        beside = say(
            "An even spread of as many shifts would bring {what}, {area}, to a PSE of {even} in "
            "place of {planned}: {part} more.",
            **known,
        )
    else:
        beside = say(
            "An even spread of as many shifts would bring {what}, {area}, to a PSE of {even} in "
            "place of {planned}: {part} less.",
            **known,
        )
    return f"{words} {beside}"


def _moved(plan: Plan, name: Callable[[str], str], sign: int) -> str:
    """Return the strata that gain most (or lose most) beside an even spread; empty for none."""
    gains = [(one.n_site_days - one.n_even * one.sites_a_day, one) for one in plan.strata]
    moved = sorted((pair for pair in gains if sign * pair[0] > 0), key=lambda pair: -sign * pair[0])
    return join_words(
        [
            say(
                "{area} {days} ({n}, not {even})",
                area=numbers.plain(name(one.area)),
                days=one.weekdays,
                n=one.n_site_days,
                even=one.n_site_days - gain,
            )
            for gain, one in moved[:_NAMED]
        ]
    )


#: How planned precision is to be read.
HOW_TO_READ = phrase(
    "The PSE of a plan is what as many site-days, drawn at random, are expected to bring: from how "
    "site-days of the season differed so far and how many fish are expected in that week. Bars "
    "show how far the PSE reached may lie off it: two thirds of weeks are to fall within. It rests "
    "on few site-days, and each week has a spread of its own. *As in the last sampled week* is the "
    "same formula at the site-days of that week, so that both differ by effort alone. *One more "
    "lowers the PSE by* is, relative to it, what one site-day more (a day more, where days are "
    "drawn first) would do to Chinook kept in the area."
)


def curve_finding(lines: Sequence[Mapping[str, float]], where: str, quantity: str) -> str:
    """Return what the first and the last of a curve's site-days bring, in a sentence."""
    first, last = lines[0], lines[-1]
    return say(
        "{quantity}, {area}: from {few:.0f} to {many:.0f} site-days in all, the PSE goes from "
        "{before} to {after}",
        quantity=QUANTITIES[quantity].label,
        area=where,
        few=first["site_days"],
        many=last["site_days"],
        before=pse_words(first["pse"]),
        after=pse_words(last["pse"]),
    )


def call_words(plan: Plan, name: Callable[[str], str]) -> str:
    """Return what the allocation that serves a call would change, in words (Markdown)."""
    one = plan.decision
    if one is None:
        return ""
    words = say(
        "The call is on the limit likeliest to be exceeded that is not certain yet: {what} in "
        "{area}, at most {fish:,.0f} fish ({limit}). That it is exceeded has a chance of {chance}.",
        limit=numbers.plain(one.limit_id),
        fish=one.fish,
        what=nouns(one.quantities),
        area=numbers.plain(join_words([*map(name, one.areas)])),
        chance=chance(one.chance),
    )
    if is_settled(plan):
        call = say(
            "The call is settled: the chance of a wrong one is {now} before the week is sampled, "
            "and no shift need be placed for it.",
            now=chance(one.wrong_now),
        )
        return f"{words} {call}"
    now, planned, best = map(call_chance, (one.wrong_now, one.wrong_planned, one.wrong_decision))
    if planned == best:
        call = say(
            "By a normal law with the mean and variance of the draws, the chance of the wrong call "
            "is {now} today and {planned} after this plan; the shifts that serve the call best "
            "would leave it there.",
            now=now,
            planned=planned,
        )
    else:
        call = say(
            "By a normal law with the mean and variance of the draws, the chance of the wrong call "
            "is {now} today, {planned} after this plan and **{best}** after the same number of "
            "shifts placed for the call alone.",
            now=now,
            planned=planned,
            best=best,
        )
    return f"{words} {call}"


def needs_finding(needs: Sequence[SampleNeed], name: Callable[[str], str]) -> str:
    """Return in a sentence where the usual boats do for a wanted interval, and where not."""
    mine = [one for one in needs if one.quantity == SHARE]
    if not mine:
        return ""
    good, short, out = (
        [numbers.plain(name(one.area)) for one in mine if at(one)]
        for at in (
            lambda one: one.boats_needed is not None and one.boats_needed <= one.boats_planned,
            lambda one: one.boats_needed is not None and one.boats_needed > one.boats_planned,
            lambda one: one.boats_needed is None,
        )
    )
    said = []
    if good:
        said.append(say("the boats usually interviewed do in {areas}", areas=join_words(good)))
    if short:
        text = phrase("more of the boats that return must be interviewed in {areas}")
        said.append(say(text, areas=join_words(short)))
    if out:
        said.append(say("only more site-days do in {areas}", areas=join_words(out)))
    return say(
        "For a 95 % interval of ± {points:g} points of the sublegal share, {needs}.",
        points=100 * mine[0].half_width,
        needs="; ".join(said),
    )


def is_settled(plan: Plan) -> bool:
    """Return whether a call is all but certain already (our choice: under 1 % to be wrong)."""
    return plan.decision is not None and plan.decision.wrong_now < _SETTLED


def call_chance(part: float) -> str:
    """Return the chance of a wrong call in percent, with the digit in which plans differ."""
    return percent(part, digits=1)


def schedule_words(drawn: Schedule) -> str:
    """Return how a schedule was drawn, in a sentence."""
    words = say_n(
        len(drawn.planned),
        "{n} shift drawn at random by seed {seed}; the rest of each stratum is its reserve.",
        "{n} shifts drawn at random by seed {seed}; the rest of each stratum is its reserve.",
        seed=drawn.seed,
    )
    if drawn.assigned:
        said = sentences(drawn_for_samplers(drawn))
        words += f" {capitalised(said)}."
    return words


def progress_words(found: Progress) -> str:
    """Return how many shifts of a season were done, missed and are still ahead."""
    n = {one: found.count(one) for one in Standing}
    drawn = sum(n.values()) - n[Standing.RESERVE]
    if not drawn:
        return say("No schedule of this season is in the store yet.")
    shown = [one for one in STANDINGS if n[one] and one is not Standing.RESERVE]
    return say_n(
        drawn,
        "Of {n} planned shift: {parts}.",
        "Of {n} planned shifts: {parts}.",
        parts=", ".join(f"{n[one]} {say(STANDINGS[one])}" for one in shown),
    )


def busyness_words(busy: Busyness, n_lost: int) -> str:
    """Return whether the missed shifts are the busy ones, and what is done about it."""
    if not n_lost:
        return ""
    if busy.missed is None or busy.done is None:
        lacking = say(
            "Whether busy places and days were missed cannot be said: earlier counts of boats are "
            "lacking."
        )
        return f"{lacking} {say(NO_CORRECTION)}"
    words = say(
        "Where shifts were missed, other visits of the same site and day group counted "
        "{missed:.1f} boats on average; where they were done, {done:.1f}.",
        missed=busy.missed,
        done=busy.done,
    )
    if busy.chance is None:
        sure = say("There are too few of either to tell this from chance.")
    elif busy.chance > _CLEAR:
        sure = say("So great a difference comes about by chance ({p}).", p=percent(busy.chance))
    elif busy.missed > busy.done:
        sure = say("The busy ones were missed: totals are too low.")
    else:
        sure = say("The quiet ones were missed: totals are too high.")
    return f"{words} {sure} {say(NO_CORRECTION)}"


def shift_words(one: Mapping[Any, Any], sites: Mapping[str, str]) -> str:
    """Return a shift of a plan by its day and place, as a choice."""
    day = one["date"].date()
    where = f"{sites.get(one['site']) or one['site']} ({one['site']})"
    return f"{day:%a} {short_day(day)}, {where}"


def outcome_words(outcome: Outcome) -> str:
    """Return what followed from a missed shift."""
    if outcome.action is Action.COUNT_ZERO:
        return say(
            "Nothing is missed: that no boat came back is a count. Key the site-day with 0 boats "
            "on the page Paper forms, and the shift is done."
        )
    if outcome.action is Action.ANOTHER_SAMPLER:
        return say(
            "Recorded. The same site-day stays planned without a name: send another sampler there, "
            "on that day."
        )
    if outcome.action is Action.RESERVE:
        return say(
            "Recorded as replaced. {shift}, the next of the reserve, is planned in its place: "
            "print its sheet, or load the calendar again.",
            shift=outcome.replacement,
        )
    return say(
        "Recorded as missed. No site-day of the reserve may take its place by the rule, so the "
        "sample of its stratum is smaller by one."
    )


def n_lost(found: Progress) -> int:
    """Return how many shifts were to be visited and were not."""
    return found.count(*LOST)
