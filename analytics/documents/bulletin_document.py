"""A bulletin as a document: two pages for the manager. The annex has a module of its own."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING
from unicodedata import east_asian_width

from analytics.catch_limits import LIKELY
from analytics.documents import blocks, figures
from analytics.documents.annex import annex, area_table, wide_cell
from analytics.precision import DASH, PERCENT, chance, number
from analytics.quantities import QUANTITIES
from analytics.units import short_day
from analytics.wording import accuracy, limits, numbers, reasons, week
from analytics.wording.bulletin_index import index_bulletin, lines, monday
from analytics.wording.week import season_strength, strength_answer

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from analytics.bulletin.archive import Bulletin
    from analytics.bulletin.notes import Note
    from analytics.documents.blocks import Block, Document, Imprint
    from analytics.wording.bulletin_index import BulletinIndex, Row
    from analytics.wording.limits import Line, Standings

    #: What draws a figure of a width and a height in inches.
    _Draw = Callable[[float, float], list[Block]]

#: Fish that went back or died, in the order of the table.
RELEASED = (
    *("kept_fish", "released_legal_fish", "released_sublegal_fish", "released_unknown_fish"),
    *("release_deaths_fish", "drop_off_deaths_fish", "total_deaths_fish"),
)
#: Characters that the first page has room for beside its figures, and those a note has at least.
FIRST_PAGE, LEAST_NOTE = 2300, 400
#: Characters of a line of the note; a paragraph takes whole lines, and half a line above it.
_LINE = 105
#: Height of its figures in inches: as the words leave room, by so much a character.
_LOWEST, _USUAL, _TALLEST, _PER_SIGN = 2.0, 2.45, 3.1, 0.0015
NOTE = "Analyst's note"
#: How many reservations stand on the second page; all stand in the annex.
MOST_RESERVATIONS = 4
_INDEX = "Standardised encounters per angler-hour"
#: How many limits the second page has room for, the one reached first on top.
MOST_LIMITS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Content:
    """What a bulletin's document is made from: the bulletin indexed, and its limits.

    `pictures` gathers the figures, `left_over` what the first page had no room for.
    """

    index: BulletinIndex
    standings: Standings
    pictures: dict[str, bytes] = field(default_factory=dict)
    left_over: list[Block] = field(default_factory=list)

    @property
    def week(self) -> str:
        """The last week of the bulletin."""
        return self.index.card.through

    @property
    def last_day(self) -> date:
        """The last day of that week."""
        return monday(self.week) + timedelta(days=6)


def bulletin_document(bulletin: Bulletin, *, note: Note | None, imprint: Imprint) -> Document:
    """Return the document of a bulletin.

    Parameters
    ----------
    bulletin : Bulletin
    note : Note or None
        The analyst's, of this bulletin.
    imprint : Imprint
        Who publishes it, whom to ask, and when the next one comes.
    """
    index = index_bulletin(bulletin)
    content = Content(index, limits.read(index))
    card = index.card
    found = [*_first_page(content, note), *_second_page(content)]
    status = "Preliminary" if card.preliminary else "Final, unless late data come"
    if has_revisions(bulletin):
        status += " · earlier weeks revised"
    return blocks.Document(
        title=f"Winter Chinook fishery, week of {numbers.week_dates(card.through)}",
        about=f"Season {card.season} · all areas · week {card.through}",
        status=status,
        foot=f"Bulletin {card.bulletin} · {status.lower()}",
        blocks=found,
        annex=annex(index, content.standings, imprint, note=content.left_over),
        pictures=content.pictures,
        made=datetime.fromisoformat(card.made_utc),
    )


def has_revisions(bulletin: Bulletin) -> bool:
    """Return whether figures of the bulletin before were revised."""
    return "revised" in set(bulletin.revisions["kind"].to_pylist())


# Page 1: what to know in a minute.


def _first_page(content: Content, note: Note | None) -> list[Block]:
    index = content.index
    found = [blocks.heading("Key points"), blocks.bullets(week.key_points(index).values())]
    found.append(blocks.box(_limit_words(content), is_urgent=_is_urgent(content.standings)))
    used = len(blocks.words_of(found))
    if note is not None and note.text:
        shown = _fitting(note.text, max(FIRST_PAGE - used, LEAST_NOTE))
        used += _space(shown) + _LINE  # its heading and signature
        found.append(blocks.box([blocks.heading(NOTE, level=3), *_note(note, shown)]))
        if shown != note.text:
            whole = [blocks.heading(NOTE, level=3), *_note(note, note.text)]
            content.left_over.extend(whole)
    height = min(max(_USUAL + _PER_SIGN * (FIRST_PAGE - used), _LOWEST), _TALLEST)
    drawn = [draw for draw in (_trend(content), _seasons(content)) if draw is not None]
    # One alone is as wide as the page.
    columns = [draw(figures.WIDE if len(drawn) < 2 else figures.NARROW, height) for draw in drawn]
    if len(columns) > 1:
        found.append(blocks.beside(*columns))
    else:
        found += [block for column in columns for block in column]
    level = numbers.level(index.card.level)
    return [
        *found,
        blocks.prose(f"{week.caution('bulletin')} Intervals are {level}.", is_small=True),
    ]


def _note(note: Note, shown: str) -> list[Block]:
    """Return what is shown of a note, with its signature."""
    by = f"{note.author}, {note.at_utc[:10]}" if note.author else note.at_utc[:10]
    if shown != note.text:
        by += " · the whole note stands in the annex"
    signed = blocks.prose(by, is_markdown=False, is_small=True)
    return [*blocks.paragraphs(shown, is_markdown=False), signed]


def _fitting(words: str, room: int) -> str:
    """Return a text, or as much of it as the room has space for, up to a whole word."""
    if _space(words) <= room:
        return words
    end = next(n for n in range(min(room, len(words)), -1, -1) if _space(words[:n]) <= room)
    cut = words[:end].rstrip()
    return f"{cut.rpartition(' ')[0] or cut} …"


def _space(words: str) -> int:
    """Return the characters whose room the paragraphs of a text take on the page."""
    found = [blocks.words_of([one]) for one in blocks.paragraphs(words, is_markdown=False)]
    widths = [sum(2 if _is_wide(sign) else 1 for sign in one) for one in found]
    return sum(-(-width // _LINE) * _LINE + _LINE // 2 for width in widths)


def _is_wide(sign: str) -> bool:
    return sign in "mwMW@" or east_asian_width(sign) in "WF"


def _limit_words(content: Content) -> list[Block]:
    found = [blocks.heading("Limits", level=3)]
    found += blocks.paragraphs(limits.limits_answer(content.index, content.standings, ()))
    if content.standings.limits:
        words = (
            "Before a season is closed or left open on these figures, read the interval and the "
            "chance beside them; every limit, and how past projections did, stands below under "
            "“Where the limits go”."
        )
        found.append(blocks.prose(words, is_small=True))
    return found


def _is_urgent(standings: Standings) -> bool:
    return any(
        limits.is_passed(line) or (line["prob_exceeded_by_close"] or 0.0) >= LIKELY
        for line in standings.limits
    )


def _trend(content: Content) -> _Draw | None:
    """Return what draws the catch rate by week; None where no week has one."""
    rows = [content.index.row(None, one, week.RATE) for one in content.index.axis]
    if not any(row is not None and row.estimate is not None for row in rows):
        return None
    return partial(_draw_trend, content, rows)


def _draw_trend(
    content: Content, rows: Sequence[Row | None], width: float, height: float
) -> list[Block]:
    """Return the figure of the catch rate by week, with its smoothed trend."""
    index = content.index
    svg = figures.trend(
        rows,
        weeks=index.axis,
        chosen=content.week,
        top=numbers.axis_end(rows),
        band=_band(index),
        size=(width, height),
    )
    content.pictures["trend"] = svg
    label = QUANTITIES[week.RATE].label
    signs = [
        f"{one.glyph} {one.words}" for one in numbers.legend(row for row in rows if row is not None)
    ]
    caption = f"{'; '.join(signs)}. Bars: intervals. Copper: this week."
    caption += " Band: smoothed trend of the standardised rate." if _band(index) else ""
    alt = numbers.trend_description(rows, weeks=index.axis, area="all areas", label=label)
    return [blocks.figure("trend", title=f"{label}, by week", alt=alt, caption=caption)]


def _band(index: BulletinIndex) -> figures.Band | None:
    found = [
        line
        for line in lines(index, "trend")
        if line["season"] == index.card.season
        and (line["area"], line["response"]) == (None, "encounters")
        and not line["is_projected"]
        and None not in (line["week"], line["level"], line["ci_low"], line["ci_high"])
    ]
    found.sort(key=lambda line: line["week"])
    if len(found) < 2:
        return None
    weeks, *values = (
        tuple(line[name] for line in found) for name in ("week", "level", "ci_low", "ci_high")
    )
    return figures.Band(weeks, *values)


def _seasons(content: Content) -> _Draw | None:
    """Return what draws this season over past ones; None where one of them lacks."""
    index = content.index
    found: dict[str, dict[float, float]] = {}
    for line in lines(index, "seasonal_pattern"):
        if line["area"] is None and line["day"] is not None and line["index"] is not None:
            found.setdefault(line["season"], {})[line["day"]] = line["index"]
    now = found.pop(index.card.season, {})
    past = {season: tuple(sorted(line.items())) for season, line in sorted(found.items())}
    if not now or not past:
        return None
    return partial(_draw_seasons, content, tuple(sorted(now.items())), past)


def _draw_seasons(
    content: Content,
    points: figures.Points,
    past: Mapping[str, figures.Points],
    width: float,
    height: float,
) -> list[Block]:
    """Return the figure of this season over past ones."""
    index = content.index
    start = _season_start(content, points[-1][0])
    content.pictures["seasons"] = figures.seasons(
        points, past, start=start, name=index.card.season, size=(width, height)
    )
    strength = blocks.text_of(strength_answer(season_strength(index)))
    return [
        blocks.figure(
            "seasons",
            title="This season against past ones",
            alt=f"{_INDEX} by day of the season: {strength}",
            caption=f"{_INDEX}; grey: {numbers.count(len(past), 'past season')}.",
        )
    ]


def _season_start(content: Content, last: float) -> date:
    """Return the day that the days of the season's pattern count from."""
    return content.last_day - timedelta(days=int(last))


# Page 2: by area, released fish, projections, what is uncertain.


def _second_page(content: Content) -> list[Block]:
    dates = numbers.week_dates(content.week)
    found = [blocks.heading(f"By area, {dates}", is_new_page=True), _by_area(content)]
    found.append(blocks.heading("Kept, released and dead"))
    found += _released(content)
    found.append(blocks.heading("Where the limits go"))
    found += _projections(content)
    found.append(blocks.heading("What is uncertain, and why"))
    found.append(blocks.bullets(uncertain(content)))
    return found


def _by_area(content: Content) -> Block:
    return area_table(content.index, week.HEADLINE, content.week)


def _released(content: Content) -> list[Block]:
    """Return fish kept, released and dead, of the week and the season; quantities it has alone."""
    index = content.index
    lines_: list[list[Block | str]] = []
    for name in RELEASED:
        rows = [index.row(None, one, name) for one in (content.week, None)]
        label = QUANTITIES[name].label
        label += " (kept, released, drop-off)" * (name == RELEASED[-1])
        if rows != [None, None]:
            lines_.append([label, *map(wide_cell, rows)])
    if not lines_:
        return [blocks.text("The bulletin has no such figure.")]
    heads = ["Chinook", "This week", f"Season through {limits.day(content.last_day)}"]
    found = [blocks.table(heads, lines_, widths=[1.6, 1.2, 1.2])]
    fish = week.fish_words(index.card.basis)
    return found + [blocks.prose(f"Released fish {fish}.", is_small=True)] * bool(fish)


def _projections(content: Content) -> list[Block]:
    index, found = content.index, content.standings.limits
    if not found:
        return [blocks.prose(limits.limits_answer(index, content.standings, ()))]
    shown = found[:MOST_LIMITS]
    heads = [
        "Limit on",
        "Fish",
        "So far",
        "Used",
        "Projected at close",
        "Chance to exceed",
        "Reached",
    ]
    rows = [_limit_line(index, line) for line in shown]
    made = [blocks.table(heads, rows, widths=[2.2, 0.8, 1.15, 1.05, 1.25, 0.95, 1.35])]
    if len(found) > len(shown):
        more = numbers.count(len(found) - len(shown), "further limit")
        made.append(blocks.prose(f"The workbook has {more}.", is_small=True))
    made.append(blocks.prose(accuracy.accuracy_answer(index, content.standings.backtest)))
    if content.standings.issued:
        made.append(blocks.prose(accuracy.issued_answer(content.standings.issued)))
    return made


def _limit_line(index: BulletinIndex, line: Line) -> list[Block | str]:
    so_far, used, expected = limits.total(line), limits.used(line), limits.expected(line)
    passed = line["prob_exceeded_to_date"]
    now = f"already: {chance(passed)}" if passed is not None and passed >= limits.NOTABLE else ""
    is_ahead = limits.has_outlook(line)
    return [
        limits.label(index, line),
        number(line["limit_fish"], place=0),
        blocks.cell(so_far.words, so_far.limits or (line["reason"] or "no interval")),
        blocks.cell(used.words, used.limits),
        blocks.cell(expected.words, expected.limits) if is_ahead else DASH,
        blocks.cell(chance(line["prob_exceeded_by_close"]) if is_ahead else DASH, now),
        _reached(line),
    ]


def _reached(line: Line) -> Block:
    if limits.is_passed(line):
        return blocks.cell("exceeded")
    if not limits.has_outlook(line):
        return blocks.cell(DASH if line["is_preliminary"] else "not reached")
    half, late = line["exceedance_date_p50"], line["exceedance_date_p90"]
    if half is None:
        return blocks.cell("likely not")
    words = limits.when(half, line["through"], None)
    return blocks.cell(words, f"9 in 10: by {short_day(late)}" if late else "")


def uncertain(content: Content) -> list[str]:
    """Return what the figures of the week rest on where that is little, and what they leave out."""
    index, one = content.index, content.week
    found = [*week.thin_notes(index, areas=index.areas, week=one)]
    found += week.strata_notes(index, areas=index.areas, week=one)
    more = len(found) - MOST_RESERVATIONS
    said = [numbers.plain(words) for words in found[:MOST_RESERVATIONS]]
    if more > 0:
        said.append(f"{numbers.count(more, 'further reservation')} of this kind: see the annex.")
    said += [part for part in (week.bases_apart_in_week(index, areas=(None,), week=one),) if part]
    said += _elsewhere(index)
    if week.has_marks(index, areas=(None, *index.areas), week=one):
        signs = "; ".join(f"**{sign}** {words}" for sign, words in reasons.CAUTION_SIGNS)
        said.append(f"In the tables, {signs}.")
    said.append(week.COVERAGE)
    return said


def _elsewhere(index: BulletinIndex) -> list[str]:
    """Return which part of boats the totals hold, where boats were asked on the water."""
    known = [line["share"] for line in lines(index, "coverage") if line["share"] is not None]
    if not known:
        return []
    low, high = (number(100 * one, place=0) for one in (min(known), max(known)))
    part = f"{low} to {high}{PERCENT}" if low != high else f"{low}{PERCENT}"
    return [
        f"Totals hold the boats that land at listed sites: {part} of the boats asked on the water"
        f"{', by area' if len(known) > 1 else ''}. Boats that land elsewhere are not in them."
    ]
