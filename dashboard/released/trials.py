"""Fish held after capture, and the rate that wound sites give, in words, tables and dots."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.rounding import percent
from dashboard import html_tables, numbers
from dashboard.charts.forest import ForestRow
from dashboard.numbers import Measurement, NumberKind
from dashboard.released import classes
from dashboard.released.deaths import deaths_of, fish_of, is_sum

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.released.records import Line, Released

_HEADS = ("Group", "Died of held", "As seen", "Exact interval", "Corrected for handling", "Note")
_MIX_HEADS = ("Wound site", "Fish with it", "Share", "Rate", "Note")
OBSERVED, CORRECTED = "copper", "sea"
NAMES = (
    (CORRECTED, "corrected for handling"),
    (OBSERVED, "as seen in the tank or pen"),
    ("bar", "interval (Wilson, as seen)"),
    ("thin", "exact interval, as seen"),
)
HELD = (
    "Holding and handling kill fish too: the share of control fish that died is taken out, "
    "(seen − control) ÷ (1 − control). Held fish live without predators, so what a rate "
    "from a pen says of the open sea stays unknown."
)


ONE_CHECK = (
    "Deaths of every group are given at one hour alone, so there is no course over time to draw; "
    "the download has what is known."
)
AT_CHECKS = (
    "A death counts at the hour of the check that found it; fish alive at the last check leave the "
    "count there."
)


NO_EFFECT = "below 0: no effect shown"
CUT_AT_ZERO = (
    "The figure is drawn from 0; a corrected rate below 0 means that fewer died than of the "
    "control fish, so that no effect of the hook was shown."
)


def together(told: Released) -> list[Line]:
    """Return the groups of all trials together; each trial where there is no such line."""
    lines = [one for one in told.lines["holding_rates"] if one["trial_id"] is None]
    return lines or list(told.lines["holding_rates"])


def trials_answer(told: Released) -> str:
    """Return what wound sites and trials say, in sentences (Markdown)."""
    lines = together(told)
    if not lines:
        return (
            "No fish held after capture were imported (table `holding_trials`), so nothing of this "
            "fishery says how many released fish die by where the hook sat."
        )
    held, died = (
        sum(one[name] or 0 for one in lines if not one["is_control"]) for name in ("held", "died")
    )
    return f"Of **{held:,}** hooked fish held in trials, **{died:,}** died. {_mixed(told)}"


def _mixed(told: Released) -> str:
    line = next((one for one in told.lines["wound_mix"] if one["wound_site"] is None), None)
    if line is None or line["rate_prop"] is None:
        why = (line["reason"] if line else None) or "no measured fish has a wound site noted"
        return f"There is no rate for the fishery as a whole: {numbers.plain(why)}."
    rate = mixed_rate(line)
    beside = in_use(told)
    words = (
        f"Weighed by the wound sites of this season’s measured fish, **{rate.words}** of released "
        f"fish die {numbers.plain(rate.bracket(line['ci_level']))}{beside}"
    )
    mix, rates = line["se_from_mix"], line["se_from_rates"]
    if mix is None or rates is None or mix == rates == 0:
        return f"{words}."
    larger = "the rates of the trials" if rates > mix else "how often each site is hit"
    return f"{words}; most of the error{' of the first' * bool(beside)} comes from {larger}."


def in_use(told: Released) -> str:
    """Return what part of the reported releases dies by the release rates in use (Markdown).

    Empty where the bulletin has no such deaths.
    """
    found = [one for one in told.of("deaths", None) if one["fate"] == "released"]
    sums = [one for one in found if is_sum(one)] or (found if len(found) == 1 else [])
    if not sums or sums[0]["deaths"] is None or not sums[0]["fish"]:
        return ""
    dead, fish = deaths_of(sums[0]), fish_of(sums[0])
    part = percent(sums[0]["deaths"] / sums[0]["fish"])
    return (
        f", beside **{part}** by the release rates in use ({dead.words} of {fish.words} reported "
        "releases)"
    )


def mixed_rate(line: Line) -> Measurement:
    """Return a rate of the wound mix with its interval."""
    return Measurement(line["rate_prop"], line["ci_low"], line["ci_high"], NumberKind.SHARE)


def seen_rate(line: Line) -> Measurement:
    """Return the share of a group that died, with its Wilson interval."""
    return Measurement(line["rate_prop"], line["wilson_low"], line["wilson_high"], NumberKind.SHARE)


def corrected_rate(line: Line) -> Measurement:
    """Return the share of a group that died of the hook, with its interval."""
    low, high = line["corrected_low"], line["corrected_high"]
    return Measurement(line["corrected_prop"], low, high, NumberKind.SHARE)


def name_of(line: Line) -> str:
    """Return the name of a group for people."""
    name: str = (line["group"] or "not told").replace("_", " ")
    trial = f", trial {line['trial_id']}" if line["trial_id"] else ""
    return f"{name}{trial}"


def dots(told: Released) -> list[ForestRow]:
    """Return the groups of all trials together: corrected and as seen."""
    found = []
    for line in together(told):
        words = f"{line['died']:,} died of {line['held']:,} held"
        exact = (line["exact_low"], line["exact_high"])
        if not line["is_control"] and line["corrected_prop"] is not None:
            rate = corrected_rate(line)
            found.append(
                ForestRow(name_of(line), _above_zero(rate), hue=CORRECTED, words="corrected")
            )
        seen = seen_rate(line)
        found.append(ForestRow(name_of(line), seen, thin=exact, hue=OBSERVED, words=words))
    return found


def cut_words(told: Released) -> str:
    """Return that the figure begins at zero, where a rate or an interval goes below."""
    ends = [
        end
        for line in together(told)
        if not line["is_control"]
        for end in (line["corrected_prop"], line["corrected_low"])
    ]
    return CUT_AT_ZERO if any((end or 0.0) < 0 for end in ends) else ""


def _above_zero(rate: Measurement) -> Measurement:
    """Return a rate as it is drawn: from zero on; the table has the number as it is."""
    ends = (None if end is None else max(end, 0.0) for end in (rate.value, rate.low, rate.high))
    return Measurement(*ends, NumberKind.SHARE)


def table(lines: Sequence[Line]) -> str:
    """Return groups of held fish as an HTML table; notes that several share are left out."""
    parts = []
    shared = classes.shared(lines)
    for line in lines:
        seen, right = seen_rate(line), corrected_rate(line)
        corrected = numbers.DASH
        if not line["is_control"]:
            corrected = html_tables.amount(right, below=_below_zero(right))
        note = "control fish" if line["is_control"] else ""
        hours = "" if line["hours"] is None else f"held {line['hours']:g} hours"
        values = (
            f"{line['died']:,} of {line['held']:,}",
            html_tables.amount(seen),
            seen.between(line["exact_low"], line["exact_high"]) or numbers.DASH,
            corrected,
            html_tables.small(note, hours, classes.own(line, shared=shared)),
        )
        parts.append(html_tables.line(_HEADS, name_of(line), values))
    return html_tables.table(_HEADS, parts, kind="bm-moves")


def single(told: Released) -> list[Line]:
    """Return the lines of single trials."""
    return [one for one in told.lines["holding_rates"] if one["trial_id"] is not None]


def mix_table(told: Released) -> str:
    """Return how often each wound site was seen, and its rate, as an HTML table."""
    parts = []
    has_note = any(line["reason"] for line in told.lines["wound_mix"])
    heads = _MIX_HEADS if has_note else _MIX_HEADS[:-1]
    for line in told.lines["wound_mix"]:
        is_all = line["wound_site"] is None
        rate = mixed_rate(line)
        name = "the fishery as a whole" if is_all else line["wound_site"].replace("_", " ")
        fish = numbers.DASH if line["n_fish"] is None else f"{line['n_fish']:,}"
        share = Measurement(line["share"], sort=NumberKind.SHARE).words
        values = (
            fish,
            numbers.DASH if is_all else share,
            _rate_cell(line, rate),
            html_tables.small(line["reason"] or ""),
        )
        parts.append(html_tables.line(heads, name, values[: len(heads) - 1], is_all=is_all))
    return html_tables.table(heads, parts)


def _rate_cell(line: Line, rate: Measurement) -> str:
    if rate.value is None:
        return numbers.DASH
    se = line["rate_se"]
    below = rate.limits or ("no error" if se is None else f"± {100 * se:.1f} points")
    return rate.words + html_tables.small(below, *_below_zero(rate))


def _below_zero(rate: Measurement) -> tuple[str, ...]:
    return (NO_EFFECT,) if (rate.value or 0.0) < 0 else ()


def survivors(told: Released) -> dict[str, list[Line]]:
    """Return the steps of survival by group, each in order of time, without the start itself."""
    found: dict[str, list[Line]] = {}
    for line in told.lines["survival"]:
        if not line["hours"]:
            continue
        found.setdefault((line["group"] or "not told").replace("_", " "), []).append(line)
    return {name: sorted(steps, key=lambda one: one["hours"]) for name, steps in found.items()}


def survival_words(name: str, steps: Sequence[Line]) -> str:
    """Return the end of a stair in words."""
    last = steps[-1]
    alive = Measurement(last["alive_prop"], last["ci_low"], last["ci_high"], NumberKind.SHARE)
    return f"{name}: {alive.figure(last['ci_level'])} alive after {last['hours']:g} hours."
