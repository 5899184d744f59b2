"""How far a rule may go: a question in three choices, the answer first, its figures, its option."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any

import streamlit as st

from analytics.errors import UsageError
from analytics.options.option import Find, Option, OptionSet, Solve, with_point, with_value
from analytics.options.option_file import write_options
from analytics.options.report import GAINS, HOW_FAR, HOW_FAR_HEADS, Points, how_far, value_words
from analytics.precision import chance
from analytics.quantities import capitalised
from analytics.units import at_least, short_day
from analytics.wording import numbers
from dashboard import data, filters, html_tables, page_frame
from dashboard.catalogue import phrase, say
from dashboard.charts import rule_changes as drawn
from dashboard.charts.rule_changes import Answered, Spot
from dashboard.charts.rule_changes import Choice as RiskChoice
from dashboard.options import form, option_sets

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analytics.options.report import HowFar, ReportContext
    from dashboard.filters import Choice
    from dashboard.options.compare import ComparisonInputs


#: What may be asked for; the first is a question not put yet, so that nothing is worked out.
FINDS = {
    "": phrase("Choose a rule"),
    Find.CLOSE: phrase("latest closing date"),
    Find.DAILY_LIMIT: phrase("largest daily limit"),
    Find.WEEKDAYS: phrase("days of the week with most trips"),
    Find.MIN_LENGTH: phrase("smallest minimum length"),
    Find.MARKED: phrase("least share of days with marked fish only"),
}
EVERY = "all"
RISKS = ("0.1", "0.05", "0.2", "0.5")
#: No option's changes stand beside the rule that is asked for.
TODAY = ""
SAID = {"solved": phrase("the answers"), "risk_curve": phrase("the chance at each choice")}


def draw(
    choice: Choice, on: ComparisonInputs, labels: Mapping[str, str], about: ReportContext
) -> None:
    """Draw the question and, where a rule is chosen, its answer."""
    places = st.columns(4)
    with places[0]:
        label = say("What is the")
        find = filters.pick(label, [*FINDS], key="find", words=lambda one: say(FINDS[one]))
    ids = sorted(labels, key=lambda one: one != on.binding)
    named = {**labels, EVERY: say("all limits together")}
    with places[1]:
        limit = filters.pick(
            say("that keeps within"), [*ids, EVERY], key="keep", words=named.__getitem__
        )
    with places[2]:
        risk = filters.pick(
            say("but for a risk of"), RISKS, key="risk", words=lambda one: f"{100 * float(one):g} %"
        )
    options = {one.name: one for one in st.session_state[option_sets.SET].options}
    with places[3]:
        beside = filters.pick(
            say("beside"),
            [TODAY, *options],
            key="beside",
            words=lambda one: one or say("today's rules"),
        )
    with st.container(key="how-far"):
        if find:
            solve = Solve(Find(find), float(risk), None if limit == EVERY else limit)
            first = options.get(beside, Option(TODAY))
            _answer(choice, replace(first, name=say("How far"), solve=solve), about, beside)


def _answer(choice: Choice, option: Option, about: ReportContext, beside: str) -> None:
    text = write_options(OptionSet("", (option,)))
    try:
        tables = data.how_far(choice.index.card, text)
    except UsageError as error:
        st.error(numbers.plain(str(error)))
        return
    for one in how_far(about, tables):
        st.markdown(f"**{numbers.plain(one.sentence)}**")
        rows = [html_tables.line(HOW_FAR_HEADS, line[0], line[1:]) for line in one.lines]
        st.html(html_tables.table(HOW_FAR_HEADS, rows))
        if one.beside:
            st.caption(numbers.plain(one.beside))
        st.caption(HOW_FAR)
        _make(one, option, beside)
        if tables["risk_curve"].num_rows:
            curve(tables["risk_curve"].to_pylist(), dict(one.asked))
        if one.asked["find"] in (Find.CLOSE, Find.DAILY_LIMIT) and tables["risk_curve"].num_rows:
            frontier(choice, text, option, beside or say("today's rules"))
        for name, said in SAID.items():
            page_frame.download(
                say(said), tables[name], choice, f"options.{name}", is_every_area=True
            )


def _make(one: HowFar, option: Option, beside: str) -> None:
    """Offer the answer as an option of the set."""
    value, name = one.asked["value"], say(FINDS[one.asked["find"]])
    found = st.session_state[option_sets.SET]
    if not value or len(found.options) >= option_sets.MOST:
        return
    if st.button(say("Make this an option"), key="press-how-far"):
        areas = tuple(one.asked["areas"].split(";"))
        named = f"{beside}, {name}" if beside else name
        made = replace(with_value(option, areas, value), name=named)
        form.turn(option_sets.added(found, made), len(found.options))


Row = dict[str, Any]

#: Names of the axis of each rule's choices.
_AXES = {
    Find.CLOSE: phrase("last open day"),
    Find.MARKED: phrase("marked fish only from"),
    Find.DAILY_LIMIT: phrase("daily limit, Chinook"),
    Find.MIN_LENGTH: phrase("minimum length, {unit}"),
    Find.WEEKDAYS: phrase("sets of days of the week, by angler trips"),
}
_FOLD = "frontier-fold"


def curve(rows: Sequence[Row], asked: Row) -> None:
    """Draw the chance at each choice of a rule; `asked` is the answer at the risk asked."""
    find = Find(asked["find"])
    axis = say(_AXES[find], unit=filters.units().length)
    choices = [
        RiskChoice(
            _tick(find, row), _words(find, row), row["prob"], row["prob_low"], row["prob_high"]
        )
        for row in rows
    ]
    answer = _answered(rows, asked)
    figure = drawn.curve(
        choices,
        answer,
        of=axis,
        is_steady=find is not Find.WEEKDAYS,
        palette=page_frame.colours(),
    )
    title = _finding(choices, answer)
    alt = f"{title}. {drawn.curve_alt(choices, answer, of=axis)}"
    page_frame.panel(title, figure, key="risk-curve", alt=alt)
    signs = drawn.CURVE_SIGNS if find is not Find.WEEKDAYS else drawn.CURVE_SIGNS[2:3]
    left_out = [] if answer.place is not None else ["◆"]
    left_out += [] if answer.band is not None else ["▯"]
    if shown := [one for one in signs if one[0] not in left_out]:
        page_frame.signs(shown, drawn.RISK_HUES)


def _tick(find: Find, row: Row) -> str:
    if find is Find.CLOSE:
        day = row["last_open_day"]
        return say("none") if day is None else short_day(day)
    if find is Find.MARKED:
        return short_day(date.fromisoformat(row["value"])) if row["value"] else say("never")
    if find is Find.MIN_LENGTH:
        return f"{at_least(float(row['value']), filters.units().length):g}"
    return "" if find is Find.WEEKDAYS else str(row["value"])


def _words(find: Find, row: Row) -> str:
    return value_words(find, row["value"], row["last_open_day"])


def _answered(rows: Sequence[Row], asked: Row) -> Answered:
    values = [row["value"] for row in rows]
    if asked["value"] is None:
        return Answered(asked["risk"])
    band = None
    if asked["band_high"] is not None:
        low = 0 if asked["band_low"] is None else values.index(asked["band_low"])
        band = low, values.index(asked["band_high"])
    return Answered(asked["risk"], values.index(asked["value"]), band)


def _finding(choices: Sequence[RiskChoice], answer: Answered) -> str:
    wanted = f"{100 * answer.risk:g} %"
    if answer.place is not None:
        found = choices[answer.place]
        return say(
            "The chance stays at or below {risk} with: {rule}", risk=wanted, rule=found.words
        )
    if all(one.chance > answer.risk for one in choices):
        return say("No choice of this rule brings the chance down to {risk}", risk=wanted)
    return say("The chance does not rise steadily: several stretches keep {risk}", risk=wanted)


def frontier(choice: Choice, toml: str, option: Option, now: str) -> None:
    """Draw opportunity against risk in a fold: worked out when it is opened.

    `now` names the rules as they stand beside the question.
    """

    def drawn_() -> None:
        table = data.how_far(choice.index.card, toml, is_frontier=True)["frontier"]
        if not table.num_rows:
            st.caption(say("There is no season ahead in which these rules would change anything."))
            return
        _points(Points(table.to_pylist()), option, now)
        page_frame.download(
            say("opportunity against risk"), table, choice, "options.frontier", is_every_area=True
        )

    page_frame.folded(say("Opportunity against risk"), _FOLD, drawn_)


def _points(points: Points, option: Option, now: str) -> None:
    gain = filters.switch(say("Opportunity"), list(GAINS), key="gain", words=GAINS.__getitem__)
    asked = option.solve
    best = None if asked is None else points.best(gain, asked.risk)
    spots = [_spot(points, row, gain) for row in points.rows]
    at = None if best is None else spots[list(points.rows).index(best)]
    _figure(spots, 0.0 if asked is None else asked.risk, at, gain, now)
    _make_point(points, best, option, gain)


def _spot(points: Points, row: Mapping[str, Any], gain: str) -> Spot:
    return Spot(
        points.line(row),
        points.words(row),
        row["prob"],
        row[gain],
        row["is_dominated"],
        is_now=points.is_planned(row),
    )


def _figure(spots: Sequence[Spot], risk: float, best: Spot | None, gain: str, now: str) -> None:
    wanted = f"{100 * risk:g} %"
    title = say("No point keeps the chance at or below {risk}", risk=wanted)
    if best is not None:
        title = say(
            "Most {gain} at a risk of {risk}: {rules} ({n:,.0f})",
            gain=GAINS[gain],
            risk=wanted,
            rules=best.words,
            n=best.gain,
        )
    named = {"of": GAINS[gain]}
    figure = drawn.frontier(spots, risk, best, now=now, palette=page_frame.colours(), **named)
    alt = f"{title}. {drawn.frontier_alt(spots, best, **named)}"
    page_frame.panel(title, figure, key="frontier", alt=alt)
    hidden = "" if any(one.is_dominated for one in spots) else "○"
    page_frame.signs([one for one in drawn.FRONTIER_SIGNS if one[0] != hidden], drawn.RISK_HUES)
    st.caption(Points.ABOUT)


def _make_point(points: Points, best: Mapping[str, Any] | None, option: Option, gain: str) -> None:
    """Offer a point that is not dominated as an option of the set."""
    found = st.session_state[option_sets.SET]
    free = [row for row in points.rows if not row["is_dominated"] and not points.is_planned(row)]
    if not free or len(found.options) >= option_sets.MOST:
        return
    free.sort(key=lambda row: (row["prob"], row[gain]))

    def said(at: int) -> str:
        row = free[at]
        words = points.words(row)
        known = {"rules": words, "chance": chance(row["prob"]), "n": row[gain]}
        return say("{rules}: chance {chance}, {n:,.0f} {gain}", gain=GAINS[gain], **known)

    first = free.index(best) if best in free else 0
    places = range(len(free))
    label = say("A point to make an option")
    at = int(st.selectbox(label, places, index=first, format_func=said))
    if st.button(say("Make this point an option"), key="press-point"):
        name = points.words(free[at])
        made = replace(with_point(option, free[at]), name=capitalised(name))
        form.turn(option_sets.added(found, made), len(found.options))
