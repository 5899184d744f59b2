"""What pages are drawn with: frame, answer, figures in a grid, signs, downloads."""

from __future__ import annotations

import html
import json
from dataclasses import dataclass
from functools import partial, wraps
from typing import TYPE_CHECKING, Any, TypeVar

import streamlit as st

from analytics.errors import BlackmouthError
from analytics.palette import palette
from analytics.people import Action
from analytics.wording import numbers
from analytics.wording.limits import limit_names
from dashboard import catalogue, data, filters, html_tables, notices, people, url_state
from dashboard.catalogue import phrase, say
from dashboard.catch_rates.records import has_tables
from dashboard.charts import forest
from dashboard.style import is_dark

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    import plotly.graph_objects as go
    import pyarrow as pa
    from streamlit.delta_generator import DeltaGenerator

    from analytics.bulletin.archive import BulletinMetadata
    from dashboard.charts.forest import ForestRow
    from dashboard.filters import Choice

T = TypeVar("T")

PRODUCT = "Blackmouth"
COLUMNS = 3
OWN_SCALE = phrase("Each panel has its own scale, from zero.")


@dataclass(frozen=True, slots=True, eq=False)
class Chosen:
    """What a reader chose, and the cards it was chosen from."""

    choice: Choice
    cards: Sequence[BulletinMetadata]


def draw_page(
    title: str,
    script: str,
    *,
    body: Callable[[Chosen, Any], None],
    view: str = "",
    needs: Sequence[str] = (),
    older: str = "",
    with_week: bool = False,
) -> None:
    """Draw a page, or say in words why it cannot be drawn.

    `title` is its English title and `script` the name of its script; `body` draws its own part
    with the `view` of the bulletin that `dashboard.data.view` names. Without the tables in `needs`
    a bulletin is too old for the page, which `older` says: both texts are in English.
    """
    url_state.follow(script)
    title = say(title)
    st.title(title)
    notices.invented()
    try:
        folder, cards = open_archive()
        if folder is None:
            return
        choice = filters.choose(folder, cards, with_week=with_week)
        tab_title(title, *([choice.week] if with_week else []), *choice.area_names)
        loaded = data.view(view, choice.index.card) if view else None
    except BlackmouthError as error:
        notices.unreadable(error)
        return
    wishes = st.container()
    if has_tables(choice.index, *needs):
        body(Chosen(choice, cards), loaded)
    else:
        lead(notices.older(older))
    with on_paper(9):
        notices.foot()
    with wishes:
        notices.unmet(url_state.unmet())
    url_state.write()


def open_archive() -> tuple[Path | None, Sequence[BulletinMetadata]]:
    """Return the folder of bulletins and their cards, and say which cannot be read.

    Without a bulletin to show it says what to do, and the folder is None. Raises `BlackmouthError`
    as `dashboard.data.kept_bulletins` does.
    """
    folder = data.archive_folder()
    cards, damaged = data.kept_bulletins(folder) if folder else ([], [])
    notices.damaged(damaged)
    if folder is None or not cards:
        notices.empty_archive(folder)
        return None, []
    return folder, cards


def tab_title(*parts: str) -> None:
    """Name the tab of the browser: the page, then what was chosen."""
    st.set_page_config(page_title=" · ".join([*parts, PRODUCT]))


def lead(words: str) -> None:
    """Draw the answer of a page or a part, in large print."""
    with st.container(key="answer"):
        st.markdown(words)


def on_paper(place: int) -> DeltaGenerator:
    """Return a container that is printed after what has no place, in the order of the places.

    On the screen it changes nothing. The places are those of the style sheet: 1 to 4, and 9 for the
    end of the page.
    """
    return st.container(key=f"paper-{place}")


def part(draw: Callable[..., None], *given: Any) -> None:
    """Draw a part of the page that is drawn alone when one of its own choices moves."""

    @wraps(draw)
    def drawn() -> None:
        url_state.read_in_language()
        people.require(Action.READ)
        draw(*given)
        url_state.write_part()

    st.fragment(drawn)()


def chart(figure: go.Figure, *, key: str, alt: str, **how: Any) -> Any:
    """Draw a figure; `alt` stands for it where it cannot be seen.

    With `on_select` in `how` it returns what was pressed, as `st.plotly_chart` does.
    """
    config = {"displayModeBar": False, "responsive": True}
    return st.plotly_chart(figure, theme=None, config=config, key=key, alt=alt, **how)


def panel(title: str, figure: go.Figure, *, key: str, alt: str) -> None:
    """Draw a figure under its title, which is as it stands in the data and escaped here."""
    st.markdown(f"**{numbers.plain(title)}**")
    chart(figure, key=key, alt=alt)


def tool_words() -> dict[str, str]:
    """Return what the script of the pages says, by its English."""
    return {
        "Save this figure as {kind}": say("Save this figure as {kind}"),
        "Save the data of this figure as CSV": say("Save the data of this figure as CSV"),
        "Find in the table": say("Find in the table"),
        "The date was left incomplete and is not taken: the field is empty.": say(
            "The date was left incomplete and is not taken: the field is empty."
        ),
        "The date was left incomplete and is not taken: {kind} still counts.": say(
            "The date was left incomplete and is not taken: {kind} still counts."
        ),
        "Fill in every part of it, or empty every part.": say(
            "Fill in every part of it, or empty every part."
        ),
        "Menu": say("Menu"),
        "Close the menu": say("Close the menu"),
    }


def give_tool_words() -> None:
    """Give the script of the pages its words in another language than English, unseen."""
    language = url_state.language()
    if language != catalogue.ENGLISH:
        words = html.escape(json.dumps(tool_words(), ensure_ascii=False))
        lang = html.escape(language)
        st.html(f"<div class='bm-words' data-lang='{lang}' data-words='{words}'></div>")


def reading(*paragraphs: str) -> None:
    """Draw what a reader may want to know of the figures, folded."""
    with st.expander(say("How to read this page")):
        for words in paragraphs:
            st.markdown(words)


def colours() -> Any:
    """Return the palette of the reader's theme."""
    return palette(dark=is_dark())


def grid(items: Sequence[T], draw: Callable[[T], None]) -> None:
    """Draw small panels, three across; one alone has the full width."""
    across = COLUMNS if len(items) > 1 else 1
    for start in range(0, len(items), across):
        for place, one in zip(st.columns(across), items[start : start + across], strict=False):
            with place:
                draw(one)


def signs(words: Sequence[tuple[str, str]], hues: Mapping[str, str] | None = None) -> None:
    """Draw the signs of a figure with their words."""
    st.html(html_tables.signs(words, hues=hues))


def on_demand(legend: str) -> None:
    """Draw the signs of a figure, folded: what matters is named in the figure itself."""
    st.html(html_tables.folded(say("What the signs mean"), legend))


def folded(words: str, key: str, draw: Callable[[], object]) -> None:
    """Draw what is looked at on demand in a fold: made when it is opened, and drawn alone."""

    def drawn() -> None:
        fold = st.expander(words, key=key, on_change="rerun")
        with fold:
            if fold.open:
                draw()

    part(drawn)


def forest_signs(found: Sequence[ForestRow], named: Sequence[tuple[str, str]]) -> None:
    """Draw the signs of a figure of numbers with their intervals."""
    hues = dict(forest.HUES)
    drawn = {row.hue for row in found}
    if len(drawn) == 1 and drawn != {"sea"}:
        hues |= dict.fromkeys(forest.BARS, drawn.pop())
    signs(forest.signs(found, named), hues)


def forest_panel(
    found: Sequence[ForestRow],
    *,
    title: str,
    key: str,
    of: str,
    names: Sequence[tuple[str, str]] = (),
    guide: float | None = None,
) -> None:
    """Draw one or more numbers with their intervals under a title, which is escaped here.

    `key` is unique on the page; `of` says what the numbers are, for those who cannot see the
    figure; `names` are the words of each hue; `guide` is a number to compare with.
    """
    figure = forest.figure(found, palette=colours(), guide=guide)
    alt = forest.description(found, of=f"{of}, {title}", names=names)
    panel(title, figure, key=key, alt=alt)


def download(
    words: str,
    table: pa.Table | Callable[[], pa.Table],
    choice: Choice,
    name: str,
    *,
    is_every_area: bool = False,
) -> None:
    """Offer a table as CSV with names of areas and limits, rows of chosen areas; all if none is.

    The file is made when it is asked for, and so is a table given as a function.
    """
    areas = () if is_every_area else choice.areas

    def file() -> bytes:
        found = table() if callable(table) else table
        mine = html_tables.of_areas(found, areas=areas)
        return html_tables.csv(mine, choice.index.names, limit_names(choice.index))

    people.offer(
        say("Download {words} (CSV)", words=words),
        file,
        file_name=f"{choice.index.card.bulletin}.{name}.csv",
        mime="text/csv",
        key=f"download-{name}",
    )


def downloads(choice: Choice, **named: str) -> None:
    """Offer tables of the bulletin, each by its name and words; those without a line are left out.

    Result rows have their percent standard error with them.
    """
    for name, words in named.items():
        table = choice.index.bulletin.table(name)
        if table.num_rows:
            is_rows = {"estimate", "se", "status"} <= {*table.schema.names}
            made = partial(html_tables.with_precision, table) if is_rows else table
            download(words, made, choice, name)
