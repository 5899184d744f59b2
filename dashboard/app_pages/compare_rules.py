"""Compare rule changes: what other rules would do to the rest of the season."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import streamlit as st

from analytics.catch_limits import TOTALS
from analytics.codes import with_limit_names
from analytics.errors import UsageError
from analytics.options.option_file import write_options
from analytics.options.report import COUNTS
from analytics.quantities import QUANTITIES
from analytics.wording import limits as standings
from analytics.wording import numbers, reasons
from analytics.wording.week import EFFORT
from dashboard import data, document_buttons, filters, notices, page_frame, people
from dashboard.catalogue import phrase, say
from dashboard.catch_rates.records import has_tables
from dashboard.charts import rule_changes as dotted
from dashboard.options import compare, form, how_far, option_sets, sentences
from dashboard.page_frame import Chosen, colours, draw_page, grid, lead
from dashboard.released.records import head
from dashboard.season_limits import panels

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from analytics.documents.answer_document import ComparedOptions
    from analytics.options.option import OptionSet
    from analytics.options.report import ReportContext
    from analytics.wording.bulletin_index import BulletinIndex
    from analytics.wording.limits import Line
    from dashboard.filters import Choice
    from dashboard.options.compare import Answered, ComparisonInputs, ComparisonResult

SAID = {
    "figures": phrase("the figures"),
    "limit_exceedance": phrase("the limits"),
    "dominance": phrase("what is dominated"),
    "assumptions": phrase("the assumptions"),
}


def _body(chosen: Chosen, on: ComparisonInputs | None) -> None:
    choice, folder = chosen.choice, data.archive_folder()
    why = _why_not(choice, on)
    if on is None or folder is None or why:
        lead(why)
        return
    found, unmet = option_sets.held(on.baseline, on.first)
    top = st.container()
    for said in unmet:
        st.warning(numbers.sentence(said))
    st.header(say("The options"), anchor=False)
    st.caption(say(form.ABOUT))
    if found == option_sets.example(on.baseline, on.first):
        st.caption(say(option_sets.STARTS_FROM))
    found = form.draw(found, option_sets.FormContext(choice.index, on.baseline))
    unlinked = option_sets.hold(found)
    option_sets.note()
    try:
        toml = write_options(found)
        result = data.compared(choice.index.card, toml)
    except UsageError as error:
        with top:
            st.error(numbers.plain(say("The options cannot be compared: {error}", error=error)))
        return
    _files(choice, toml)
    if unlinked:
        st.caption(numbers.plain(unlinked))
    limits = data.view("limits", choice.index.card).limits
    with top:
        _answer(choice, result, on, limits)
    document = compare.as_document(choice.index, on, result, toml)
    labels = {line["limit_id"]: standings.label(choice.index, line) for line in limits}
    labels = {one.limit_id: labels.get(one.limit_id, one.limit_id) for one in on.limits}
    if labels:
        _how_far(choice, on, labels, result.answer, document.about)
    _answers(choice, result, limits, on.baseline.through, document=document)


def _how_far(
    choice: Choice,
    on: ComparisonInputs,
    labels: Mapping[str, str],
    found: Answered,
    about: ReportContext,
) -> None:
    """Ask how far a rule may go, for the limits whose chance is known under today's rules."""
    today = ((one, found.reach.get((one, found.options[0]))) for one in labels)
    known = {
        one: labels[one] for one, row in today if row and row["prob_exceeded_by_close"] is not None
    }
    with st.container(key="how-far-part" if known else "how-far-unknown"):
        st.header(say("How far may a rule go"), anchor=False)
        if known:
            page_frame.part(lambda: how_far.draw(choice, on, known, about))
        else:
            st.markdown(
                say(
                    "This cannot be given: the probability of exceeding a limit is not known for "
                    "any limit, because no total that they are on can be projected."
                )
            )


def _why_not(choice: Choice, on: ComparisonInputs | None) -> str:
    """Return why nothing can be compared; empty where it can."""
    season = numbers.plain(choice.index.card.season)
    if not has_tables(choice.index, "draws"):
        return notices.older(panels.OLDER)
    if on is None:
        return say(
            "This bulletin holds no simulations of the rest of the season, so no change can be "
            "compared on it: {why}.",
            why=_why_no_draws(choice.index),
        )
    if not len(on.baseline.days):
        return say(
            "Season {season} is over: there is no day left on which a rule could change.",
            season=season,
        )
    return ""


def _why_no_draws(index: BulletinIndex) -> str:
    """Return why a bulletin has no draws: its totals were not estimated, else it is public."""
    totals = [index.row(area, None, name) for area in (None, *index.areas) for name in TOTALS]
    if any(row is not None and row.estimate is not None for row in totals):
        return say("it was made for the public, which leaves them out")
    why = reasons.why_no_estimate(index.row(None, None, EFFORT))
    return say("no total of the season so far can be estimated ({why})", why=numbers.plain(why))


def _answer(
    choice: Choice, result: ComparisonResult, on: ComparisonInputs, limits: Sequence[Line]
) -> None:
    """Draw a sentence on each option, and what could not be compared."""
    index, found = choice.index, result.answer
    area = choice.areas[0] if len(choice.areas) == 1 else None
    named = {line["limit_id"]: standings.limit(index, line) for line in limits}
    each = sentences.options_answer(found, named, area, index)
    if sentences.is_many(found):
        lead(sentences.summary(found, area, index))
        with st.expander(say("What each option does, in a sentence")):
            st.markdown(each)
    else:
        lead(each)
    st.caption(notices.as_of(choice))
    for said in result.refused:
        st.error(numbers.plain(say("Not compared: {why}", why=said)))
    for said in on.left_out:
        st.caption(numbers.sentence(said))


def _files(choice: Choice, toml: str) -> None:
    """Offer the set as a file, and take one."""
    with st.expander(say("Save, share or load the options")):
        st.markdown(
            say(
                "The address of this page holds the options: copy it to share them. A file keeps "
                "them, and the command `blackmouth options FILE` compares the same."
            )
        )
        people.offer(
            say("Save the options (TOML)"),
            lambda: toml,
            file_name=f"{choice.index.card.season}.options.toml",
            mime="application/toml",
            key="download-options",
        )
        label = say("Load options from a file")
        file = st.file_uploader(label, type=["toml"], key="options-file")
        faults = option_sets.uploaded(file, lambda found: _refused(choice, found))
        if faults == []:
            st.rerun()
        for said in faults or []:
            st.error(numbers.plain(said))


def _refused(choice: Choice, found: OptionSet) -> Sequence[str]:
    """Return why options cannot be compared on this season; none where they can."""
    folder = data.archive_folder()
    if folder is None:
        return ()
    try:
        return data.compared(choice.index.card, write_options(found)).refused
    except UsageError as error:
        return str(error).splitlines()


def _answers(
    choice: Choice,
    result: ComparisonResult,
    limits: Sequence[Line],
    through: date,
    *,
    document: ComparedOptions,
) -> None:
    found = result.answer
    labels = {line["limit_id"]: standings.label(choice.index, line) for line in limits}
    st.header(say("What each option gives"), anchor=False)
    is_many = sentences.is_many(found)
    table = partial(
        sentences.decision_table,
        choice.index,
        found,
        labels,
        choice.domains,
        rules=document.rules,
    )
    st.html(table(is_short=is_many))
    if is_many:
        with st.expander(say("The totals of each option")):
            st.html(table())
    st.caption(say(sentences.MEANING))
    st.markdown(sentences.dominated(found))
    st.caption(say(sentences.DOMINANCE))
    _figures(choice, found)
    by_id = {line["limit_id"]: line for line in limits if line["limit_id"] in found.limits}
    if by_id:
        st.header(say("Each limit under each option"), anchor=False)
        page_frame.part(lambda: _limit(choice, result, by_id, through))
        passed = {name: line["prob_exceeded_to_date"] for name, line in by_id.items()}
        with st.expander(say("Every limit under each option")):
            st.html(sentences.limits_table(found, labels, through, passed))
    _assumptions(choice, found)
    folder = data.archive_folder()
    if folder is not None:
        held = data.view("limits", choice.index.card)
        panels.assumed(choice, held, say("What every number ahead rests on"))
    with st.container(key="downloads"):
        st.header(say("Downloads"), anchor=False)
        document_buttons.answer_buttons(document, key="answer")
        for name, said in SAID.items():
            table = result.tables[name]
            page_frame.download(say(said), table, choice, f"options.{name}", is_every_area=True)


def _figures(choice: Choice, found: Answered) -> None:
    """Draw what differs: every count, or of many options one count at a time."""
    if not found.changed:
        return
    st.header(say("Against today's rule"), anchor=False)
    if sentences.is_many(found):
        page_frame.part(lambda: _one_count(choice, found))
    else:
        _counts(choice, found, COUNTS)


def _one_count(choice: Choice, found: Answered) -> None:
    def label(name: str) -> str:
        return QUANTITIES[name].label

    _counts(choice, found, [filters.switch(say("Count"), COUNTS, key="count", words=label)])


def _counts(choice: Choice, found: Answered, names: Sequence[str]) -> None:
    every = [(area, name, _shifts(found, area, name)) for area in choice.domains for name in names]
    panels = [one for one in every if any(each.amount.value is not None for each in one[2])]
    if len(panels) < len(every):
        titles = [_title(choice, area, name) for area, name, _ in every]
        lacking = [title for title, one in zip(titles, every, strict=True) if one not in panels]
        st.markdown(
            say(
                "No difference from today's rules can be given for: {figures}.",
                figures=numbers.plain("; ".join(lacking)),
            )
        )
    if not panels:
        return
    st.caption(say(dotted.MEANING))
    if signs := dotted.signs([one for _, _, shifts in panels for one in shifts]):
        page_frame.signs(signs, dotted.HUES)

    def one(panel: tuple[str | None, str, list[dotted.Shift]]) -> None:
        area, quantity, shifts = panel
        title = _title(choice, area, quantity)
        unit = numbers.unit_words(QUANTITIES[quantity].unit)
        figure = dotted.figure(shifts, palette=colours(), unit=unit)
        said = dotted.description(shifts, of=title)
        key = f"season-shift-{quantity}-{area or 'all'}"
        page_frame.panel(f"{title}: {dotted.finding(shifts)}", figure, key=key, alt=said)

    grid(panels, one)


def _title(choice: Choice, area: str | None, quantity: str) -> str:
    return QUANTITIES[quantity].label + (f", {head(choice.index, area)}" if area else "")


def _shifts(found: Answered, area: str | None, quantity: str) -> list[dotted.Shift]:
    shifts = []
    for name in found.changed:
        amount = found.difference(name, area, quantity)
        span = sentences.signed_span(amount)
        said = sentences.signed(amount) + (f" ({span})" if span else "")
        shifts.append(dotted.Shift(name, amount, said, is_dominated=name in found.dominated))
    return shifts


def _limit(
    choice: Choice, result: ComparisonResult, by_id: Mapping[str, Line], through: date
) -> None:
    """Draw one limit under each option, and week by week under one beside today's rules."""
    labels = {name: standings.label(choice.index, line) for name, line in by_id.items()}
    left, right = st.columns(2)
    ordered = [name for name in result.answer.limits if name in by_id]
    first = result.answer.binding
    ordered.sort(key=lambda name: name != first)
    with left:
        limit = filters.pick(say("Limit"), ordered, key="limit", words=labels.__getitem__)
    with right:
        label = say("Week by week under")
        name = filters.pick(label, result.answer.options[::-1], key="under")
    passed = {limit: by_id[limit]["prob_exceeded_to_date"]}
    st.html(sentences.limits_table(result.answer, labels, through, passed, one=limit))
    found = data.view("limits", choice.index.card)
    fan = panels.option_fan(found, by_id[limit], result.fans, name)
    if fan is not None:
        panels.draw_fan(fan, labels[limit])
        return
    why = by_id[limit]["reason"] or say("the bulletin gives no reason")
    st.markdown(say("What is to come of this limit is not known: {why}.", why=numbers.plain(why)))


def _assumptions(choice: Choice, found: Answered) -> None:
    def said(lines: Sequence[str]) -> str:
        limits = standings.limit_names(choice.index)
        named = (standings.in_words(choice.index, with_limit_names(one, limits)) for one in lines)
        return "\n".join(f"- {numbers.plain(one)}" for one in named)

    st.header(say("Assumptions"), anchor=False)
    st.markdown(say("**All options**"))
    st.markdown(said(found.shared()) or say("- nothing to say"))
    is_many = sentences.is_many(found)
    with st.expander(say("Of each option")) if is_many else st.container():
        for name in found.options:
            own = found.own(name)
            if own:
                st.markdown(f"**{numbers.plain(name)}**")
                st.markdown(said(own))


draw_page("Compare rule changes", "compare_rules", view="inputs", body=_body)
