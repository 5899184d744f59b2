"""Fish held after capture, and the rate that wound sites give, in words, tables and dots."""

from __future__ import annotations

from typing import TYPE_CHECKING

import streamlit as st

from analytics.precision import DASH, percent
from analytics.wording import numbers
from analytics.wording.numbers import Measurement, NumberKind
from dashboard import html_tables, page_frame
from dashboard.catalogue import phrase, say
from dashboard.charts import curves
from dashboard.charts.forest import ForestRow
from dashboard.released import classes
from dashboard.released.deaths import deaths_of, fish_of, is_sum

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.filters import Choice
    from dashboard.released.records import Line, Released

_HEADS = (
    phrase("Group"),
    phrase("Died of held"),
    phrase("As seen"),
    phrase("Exact interval"),
    phrase("Corrected for handling"),
    phrase("Note"),
)
_MIX_HEADS = (
    phrase("Wound site"),
    phrase("Fish with it"),
    phrase("Share"),
    phrase("Rate"),
    phrase("Note"),
)
OBSERVED, CORRECTED = "copper", "sea"
NAMES = (
    (CORRECTED, phrase("corrected for handling")),
    (OBSERVED, phrase("as seen in the tank or pen")),
    ("bar", phrase("interval (Wilson, as seen)")),
    ("thin", phrase("exact interval, as seen")),
)
HELD = phrase(
    "Holding and handling kill fish too: the share of control fish that died is taken out, "
    "(seen − control) ÷ (1 − control). Held fish live without predators, so what a rate "
    "from a pen says of the open sea stays unknown."
)
ONE_CHECK = phrase(
    "Deaths of every group are given at one hour alone, so there is no course over time to draw; "
    "the download has what is known."
)
AT_CHECKS = phrase(
    "A death counts at the hour of the check that found it; fish alive at the last check leave the "
    "count there."
)
NO_EFFECT = phrase("below 0: no effect shown")
CUT_AT_ZERO = phrase(
    "The axis starts at 0; a corrected rate below 0 means that fewer died than of the "
    "control fish, so that no effect of the hook was shown."
)


def together(released: Released) -> list[Line]:
    """Return the groups of all trials together; each trial where there is no such line."""
    lines = [one for one in released.lines["holding_rates"] if one["trial_id"] is None]
    return lines or list(released.lines["holding_rates"])


def trials_answer(released: Released) -> str:
    """Return what wound sites and trials say, in sentences (Markdown)."""
    lines = together(released)
    if not lines:
        return say(
            "No fish held after capture were imported (table `holding_trials`), so nothing of this "
            "fishery says how many released fish die by where the hook sat."
        )
    held, died = (
        sum(one[name] or 0 for one in lines if not one["is_control"]) for name in ("held", "died")
    )
    return say(
        "Of **{held:,}** hooked fish held in trials, **{died:,}** died. {fishery}",
        held=held,
        died=died,
        fishery=_mixed(released),
    )


def _mixed(released: Released) -> str:
    line = next((one for one in released.lines["wound_mix"] if one["wound_site"] is None), None)
    if line is None or line["rate_prop"] is None:
        why = (line["reason"] if line else None) or say("no measured fish has a wound site noted")
        return say("There is no rate for the whole fishery: {why}.", why=numbers.plain(why))
    rate, beside = numbers.of_line(line, "rate_prop", NumberKind.SHARE), in_use(released)
    words = say(
        "Weighted by the wound sites of this season’s measured fish, **{share}** of released fish "
        "die {range}{beside}",
        share=rate.words,
        range=numbers.plain(rate.bracket(line["ci_level"])),
        beside=beside,
    )
    mix, rates = line["se_from_mix"], line["se_from_rates"]
    if mix is None or rates is None or mix == rates == 0:
        return f"{words}."
    if rates > mix and beside:
        larger = say("most of the error of the first comes from the rates of the trials")
    elif rates > mix:
        larger = say("most of the error comes from the rates of the trials")
    elif beside:
        larger = say("most of the error of the first comes from how often each site is hit")
    else:
        larger = say("most of the error comes from how often each site is hit")
    return f"{words}; {larger}."


def in_use(released: Released) -> str:
    """Return what part of the reported releases dies by the release rates in use (Markdown).

    Empty where the bulletin has no such deaths.
    """
    found = [one for one in released.of("deaths", None) if one["fate"] == "released"]
    sums = [one for one in found if is_sum(one)] or (found if len(found) == 1 else [])
    if not sums or sums[0]["deaths"] is None or not sums[0]["fish"]:
        return ""
    dead, fish = deaths_of(sums[0]), fish_of(sums[0])
    part = percent(sums[0]["deaths"] / sums[0]["fish"])
    return say(
        ", beside **{share}** by the release rates in use ({dead} of {fish} reported releases)",
        share=part,
        dead=dead.words,
        fish=fish.words,
    )


def seen_rate(line: Line) -> Measurement:
    """Return the share of a group that died, with its Wilson interval."""
    ends = ("wilson_low", "wilson_high")
    return numbers.of_line(line, "rate_prop", NumberKind.SHARE, ends=ends)


def corrected_rate(line: Line) -> Measurement:
    """Return the share of a group that died of the hook, with its interval."""
    ends = ("corrected_low", "corrected_high")
    return numbers.of_line(line, "corrected_prop", NumberKind.SHARE, ends=ends)


def name_of(line: Line) -> str:
    """Return the name of a group for people."""
    name = (line["group"] or say("not known")).replace("_", " ")
    if line.get("trial_id"):
        return say("{group}, trial {trial}", group=name, trial=line["trial_id"])
    return name


def forest_rows(released: Released) -> list[ForestRow]:
    """Return the groups of all trials together: corrected and as seen.

    A corrected rate is plotted from zero on; the table has the number as it is.
    """
    found = []
    for line in together(released):
        name, right = name_of(line), corrected_rate(line)
        if not line["is_control"] and right.value is not None:
            value, low, high = (
                end and max(end, 0.0) for end in (right.value, right.low, right.high)
            )
            above = Measurement(value, low, high, NumberKind.SHARE)
            found.append(ForestRow(name, above, hue=CORRECTED, words=say("corrected")))
        exact = (line["exact_low"], line["exact_high"])
        words = say("{died:,} died of {held:,} held", **line)
        found.append(ForestRow(name, seen_rate(line), thin=exact, hue=OBSERVED, words=words))
    return found


def title(released: Released) -> str:
    """Return the finding of the figure: the hooked group that died most and least, as seen."""
    hooked = [one for one in together(released) if not one["is_control"]]
    known = [one for one in hooked if one["rate_prop"] is not None]
    if not known:
        return say("Share of held fish that died")
    low, high = (pick(known, key=lambda one: one["rate_prop"]) for pick in (min, max))
    named = {"high": f"{name_of(high)}, {seen_rate(high).words}"}
    if low is high:
        return say("Most died as seen: {high}", **named)
    named["low"] = f"{name_of(low)}, {seen_rate(low).words}"
    return say("Most died as seen: {high}; fewest: {low}", **named)


def cut_words(released: Released) -> str:
    """Return that the figure begins at zero, where a rate or an interval goes below."""
    hooked = [line for line in together(released) if not line["is_control"]]
    ends = [line[name] or 0.0 for line in hooked for name in ("corrected_prop", "corrected_low")]
    return say(CUT_AT_ZERO) if min(ends, default=0.0) < 0 else ""


def table(lines: Sequence[Line]) -> str:
    """Return groups of held fish as an HTML table; notes that several share are left out."""
    parts = []
    shared = classes.shared(lines)
    for line in lines:
        seen, right = seen_rate(line), corrected_rate(line)
        corrected = DASH
        if not line["is_control"]:
            corrected = html_tables.amount(right, below=_below_zero(right))
        note = say("control fish") if line["is_control"] else ""
        hours = "" if line["hours"] is None else say("held {hours:g} hours", **line)
        values = (
            say("{died:,} of {held:,}", **line),
            html_tables.amount(seen),
            seen.between(line["exact_low"], line["exact_high"]) or DASH,
            corrected,
            html_tables.small(note, hours, classes.own(line, shared=shared)),
        )
        parts.append(html_tables.line(_HEADS, name_of(line), values))
    return html_tables.table(_HEADS, parts, kind="bm-moves")


def mix_table(released: Released) -> str:
    """Return how often each wound site was seen, and its rate, as an HTML table."""
    parts = []
    has_note = any(line["reason"] for line in released.lines["wound_mix"])
    heads = _MIX_HEADS if has_note else _MIX_HEADS[:-1]
    for line in released.lines["wound_mix"]:
        is_all = line["wound_site"] is None
        rate, se = numbers.of_line(line, "rate_prop", NumberKind.SHARE), line["rate_se"]
        name = say("the whole fishery") if is_all else line["wound_site"].replace("_", " ")
        share = Measurement(line["share"], sort=NumberKind.SHARE).words
        error = rate.limits or (
            say("no error") if se is None else say("± {se:.1f} points", se=100 * se)
        )
        values = (
            DASH if line["n_fish"] is None else f"{line['n_fish']:,}",
            DASH if is_all else share,
            rate.words + html_tables.small(error, *_below_zero(rate))
            if rate.value is not None
            else DASH,
            html_tables.small(line["reason"] or ""),
        )
        parts.append(html_tables.line(heads, name, values[: len(heads) - 1], is_all=is_all))
    return html_tables.table(heads, parts)


def _below_zero(rate: Measurement) -> tuple[str, ...]:
    return (say(NO_EFFECT),) if (rate.value or 0.0) < 0 else ()


def survivors(released: Released) -> dict[str, list[Line]]:
    """Return the steps of survival by group, each in order of time, without the start itself."""
    found: dict[str, list[Line]] = {}
    for line in released.lines["survival"]:
        if line["hours"]:
            found.setdefault((line["group"] or say("not known")).replace("_", " "), []).append(line)
    return {name: sorted(steps, key=lambda one: one["hours"]) for name, steps in found.items()}


# The part of the page.


def draw(choice: Choice, released: Released) -> None:
    """Draw fish held after capture, and the rate by where the hook sat."""
    st.header(say("Holding trials and wound sites"), anchor=False)
    st.markdown(trials_answer(released))
    has_rates, has_mix = (bool(released.lines[name]) for name in ("holding_rates", "wound_mix"))
    if not has_rates and not has_mix:
        return
    with st.expander(say("Figures and tables of held fish and wound sites")):
        if has_rates:
            found, said = forest_rows(released), title(released)
            page_frame.forest_signs(found, NAMES)
            page_frame.forest_panel(
                found, title=said, key="released-trials", of=say("Rates"), names=NAMES
            )
            st.caption(f"{say(HELD)} {cut_words(released)}".rstrip())
            _draw_table(together(released))
            page_frame.downloads(choice, holding_rates=say("the trials"))
        if has_mix:
            st.markdown(say("**Wound sites of this season’s measured fish**"))
            st.html(mix_table(released))
            page_frame.downloads(choice, wound_mix=say("the wound sites"))
        _draw_survival(choice, survivors(released))
    single = [one for one in released.lines["holding_rates"] if one["trial_id"] is not None]
    if single:
        with st.expander(say("Each trial")):
            _draw_table(single)


def _draw_table(lines: Sequence[Line]) -> None:
    st.html(table(lines))
    classes.draw_shared(classes.shared(lines))


def _draw_survival(choice: Choice, groups: dict[str, list[Line]]) -> None:
    if not groups:
        return
    if max(map(len, groups.values())) == 1:
        st.caption(say(ONE_CHECK))
        page_frame.downloads(choice, survival=say("survival"))
        return
    st.markdown(say("Alive over time, by group"))
    page_frame.signs(curves.ALIVE_SIGNS)
    until = 1.06 * max(step["hours"] for steps in groups.values() for step in steps)

    def panel(name: str) -> None:
        figure = curves.alive(groups[name], until=until, palette=page_frame.colours())
        last = groups[name][-1]
        share = numbers.of_line(last, "alive_prop", NumberKind.SHARE).figure(last["ci_level"])
        alt = say(
            "{group}: {share} alive after {hours:g} hours.",
            group=name,
            share=share,
            hours=last["hours"],
        )
        alive = numbers.of_line(last, "alive_prop", NumberKind.SHARE).words
        said = say(
            "{group}: {alive} alive after {hours:g} hours",
            group=name,
            alive=alive,
            hours=last["hours"],
        )
        page_frame.panel(said, figure, key=f"released-alive-{name}", alt=alt)

    page_frame.grid(list(groups), panel)
    st.caption(say(AT_CHECKS))
    page_frame.downloads(choice, survival=say("survival"))
