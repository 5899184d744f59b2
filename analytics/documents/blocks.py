"""What a document is made of: one content, which PDF, HTML and Markdown all show; who publishes it.

A block is a plain mapping that JSON can hold, so that it goes to the typesetter as it is. Words
come as text, or as the Markdown of the sentence builders: bold, and signs escaped.

Who publishes, whom to ask and when the next comes stands in a small file beside the data.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field, fields
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analytics.documents.typesetting import pdf_of, template
from analytics.errors import UsageError
from analytics.options.report import plain
from analytics.palette import LIGHT

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import datetime

    from jinja2 import Template


Block = dict[str, Any]

_MARKS = re.compile(r"(\*\*|\\.)", re.DOTALL)


@dataclass(frozen=True, slots=True, eq=False)
class Document:
    """A document: its head, its blocks in order, its pictures by name.

    Parameters
    ----------
    title, about, status : str
        Its name, what it is about in a line, and whether it is preliminary.
    foot : str
        Stands at the foot of every page.
    blocks, annex : list of dict
        Made by the functions of this module; the annex begins a page and is in smaller print.
    pictures : mapping of str to bytes
        SVG.
    made : datetime.datetime
        When it says that it was made.
    """

    title: str
    about: str
    status: str
    foot: str
    blocks: Sequence[Block]
    made: datetime
    annex: Sequence[Block] = ()
    pictures: Mapping[str, bytes] = field(default_factory=dict)


def runs(words: str, *, is_markdown: bool = True) -> list[dict[str, Any]]:
    """Return words as runs of plain and bold text."""
    if not is_markdown:
        return [{"text": words, "is_bold": False}]
    found: list[dict[str, Any]] = []
    is_bold = False
    for part in _MARKS.split(words):
        if part == "**":
            is_bold = not is_bold
            continue
        text = part[1:] if part.startswith("\\") else part.replace("`", "")
        if found and found[-1]["is_bold"] == is_bold:
            found[-1]["text"] += text
        elif text:
            found.append({"text": text, "is_bold": is_bold})
    return found


def text_of(words: str) -> str:
    """Return the Markdown of a sentence builder as plain text."""
    return "".join(one["text"] for one in runs(words))


def words_of(found: Sequence[Block]) -> str:
    """Return the words of paragraphs and lists, in boxes too."""
    parts = []
    for block in found:
        lines = [block.get("runs", []), *block.get("items", [])]
        parts += [one["text"] for line in lines for one in line]
        parts.append(words_of(block.get("blocks", [])))
    return "".join(parts)


def heading(words: str, *, level: int = 2, is_new_page: bool = False) -> Block:
    """Return a heading; one of level 2 may begin a page."""
    return {"kind": "heading", "text": words, "level": level, "is_new_page": is_new_page}


def prose(words: str, *, is_markdown: bool = True, is_small: bool = False) -> Block:
    """Return a paragraph."""
    how = {"is_small": is_small, "is_sticky": False}
    return {"kind": "prose", "runs": runs(words, is_markdown=is_markdown), **how}


def text(words: str, *, stays_with_next: bool = False) -> Block:
    """Return a paragraph of words as they are; it may stay with the block after it."""
    return prose(words, is_markdown=False) | {"is_sticky": stays_with_next}


def labelled(name: str, words: str = "", *, stays_with_next: bool = False) -> Block:
    """Return a paragraph that begins in bold; it may head the block after it."""
    parts = [{"text": name, "is_bold": True}, {"text": words, "is_bold": False}]
    how = {"is_small": False, "is_sticky": stays_with_next}
    return {"kind": "prose", "runs": parts[: 1 + bool(words)], **how}


def quote(lines: Sequence[str]) -> Block:
    """Return lines of somebody's words."""
    return {"kind": "quote", "lines": list(lines)}


def paragraphs(words: str, *, is_markdown: bool = True) -> list[Block]:
    """Return the paragraphs of a text, which an empty line parts."""
    parts = re.split(r"\n[ \t]*\n", words.strip())
    # A space that keeps a number with its sign stays as it is.
    lines = [re.sub(r"[ \t\r\n]+", " ", one).strip(" ") for one in parts]
    return [prose(one, is_markdown=is_markdown) for one in lines if one]


def bullets(lines: Iterable[str], *, is_markdown: bool = True) -> Block:
    """Return a list of short paragraphs."""
    return {"kind": "list", "items": [runs(one, is_markdown=is_markdown) for one in lines]}


def box(blocks: Sequence[Block], *, is_urgent: bool = False) -> Block:
    """Return blocks that stand out: what a manager must see first."""
    return {"kind": "box", "blocks": list(blocks), "is_urgent": is_urgent}


def beside(*columns: Sequence[Block]) -> Block:
    """Return columns that stand beside each other on paper, and below each other on a phone."""
    return {"kind": "columns", "columns": [list(one) for one in columns]}


def figure(name: str, *, title: str, alt: str, caption: str = "") -> Block:
    """Return a picture of the document by its name, with its title, and words for the blind."""
    return {"kind": "figure", "name": name, "title": title, "alt": alt, "caption": caption}


def cell(main: str, *small: str, mark: str = "") -> Block:
    """Return a cell of a table: its figure, a mark of caution, small print below."""
    return {"main": main, "mark": mark, "small": [one for one in small if one]}


def table(
    heads: Sequence[str],
    lines: Sequence[Sequence[Block | str]],
    *,
    widths: Sequence[float],
    first_is_all: bool = False,
    are_words: Sequence[int] = (),
) -> Block:
    """Return a table, its first column the heads of its lines.

    Parameters
    ----------
    heads : sequence of str
    lines : sequence of sequences
        Cells, or words.
    widths : sequence of float
        Of the columns, relative to each other.
    first_is_all : bool
        The first line is the sum of the others and stands out.
    are_words : sequence of int
        Columns of words, which begin at the left as the first one does.
    """
    cells = [[cell(one) if isinstance(one, str) else one for one in line] for line in lines]
    return {
        "kind": "table",
        "heads": list(heads),
        "lines": cells,
        "widths": list(widths),
        "first_is_all": first_is_all,
        "are_words": [0, *are_words],
    }


def facts(lines: Sequence[tuple[str, str]]) -> Block:
    """Return short facts, each with its name."""
    return {"kind": "facts", "lines": [list(one) for one in lines]}


def as_pdf(document: Document) -> bytes:
    """Return a document as PDF/UA-1."""
    return pdf_of(template("document.typ"), _data(document), document.pictures, made=document.made)


def as_html(document: Document) -> bytes:
    """Return a document as one page of HTML that needs no other file and prints well."""
    pictures = {name: _inline(name, svg.decode()) for name, svg in document.pictures.items()}
    page = _page().render(**_data(document), pictures=pictures, colours=LIGHT)
    return page.encode()


def _data(document: Document) -> dict[str, Any]:
    return {
        "title": document.title,
        "about": document.about,
        "status": document.status,
        "foot": document.foot,
        "blocks": list(document.blocks),
        "annex": list(document.annex),
    }


@cache
def _page() -> Template:
    from jinja2 import Environment, PackageLoader, StrictUndefined  # noqa: PLC0415 - loads late

    return Environment(
        loader=PackageLoader("analytics.documents", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    ).get_template("document.html.j2")


def _inline(name: str, svg: str) -> str:
    """Return an SVG that can stand in a page beside others: no prologue, ids of its own."""
    inner = svg[svg.index("<svg") :]
    inner = re.sub(r'\bid="([^"]+)"', rf'id="{name}-\1"', inner)
    inner = re.sub(r'(xlink:href|href)="#([^"]+)"', rf'\1="#{name}-\2"', inner)
    return re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", inner)


def as_markdown(document: Document) -> str:
    """Return a document as Markdown, ending in a line break; every value is escaped."""
    parts = [f"# {plain(document.title)}"]
    for block in (*document.blocks, *document.annex):
        parts += _parts(block)
    return "\n\n".join(part for part in parts if part) + "\n"


def _parts(block: Block) -> Iterator[str]:
    """Yield the paragraphs of a block."""
    kind = block["kind"]
    if kind == "heading":
        yield f"{'#' * block['level']} {plain(block['text'])}"
    elif kind == "prose":
        yield _runs(block["runs"])
    elif kind == "quote":
        yield "\n".join(f"> {plain(one)}" for one in block["lines"])
    elif kind == "list":
        yield "\n".join(f"* {_runs(one)}" for one in block["items"])
    elif kind == "table":
        yield _table(block)
    elif kind == "facts":
        yield "\n".join(f"* **{plain(name)}**: {plain(words)}" for name, words in block["lines"])
    elif kind == "box":
        for one in block["blocks"]:
            yield from _parts(one)
    elif kind == "columns":
        for column in block["columns"]:
            for one in column:
                yield from _parts(one)


def _runs(runs: Sequence[Mapping[str, Any]]) -> str:
    return "".join(
        f"**{plain(one['text'])}**" if one["is_bold"] else _kept(one["text"]) for one in runs
    )


def _kept(words: str) -> str:
    """Return words escaped; a space at either end stays, for bold words stand beside it."""
    left, right = words[:1] == " ", words[-1:] == " "
    return " " * left + plain(words) + " " * right


def _table(block: Block) -> str:
    heads = [plain(one) for one in block["heads"]]
    sides = [":--" if at in block["are_words"] else "--:" for at in range(len(heads))]
    lines = [heads, sides, *([_cell(one) for one in line] for line in block["lines"])]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def _cell(cell: Mapping[str, Any]) -> str:
    small = "; ".join(cell["small"])
    words = plain(f"{cell['main']} ({small})" if small else cell["main"])
    return f"{words} **{plain(cell['mark'])}**" if cell["mark"] else words


#: In the store's folder for work under way, which no estimate reads.
FILE = Path("desk") / "imprint.toml"
_LONGEST = 300


@dataclass(frozen=True, slots=True)
class Imprint:
    """What a document says of its publisher; each is empty where it is not given.

    Parameters
    ----------
    publisher : str
        Who answers for the figures.
    contact : str
        Whom to ask.
    next_release : str
        When the next bulletin comes, in words.
    """

    publisher: str = ""
    contact: str = ""
    next_release: str = ""


def read_imprint(store: Path | str) -> Imprint:
    """Return the imprint of a store; one without its file has none.

    Raises
    ------
    UsageError
        If the file cannot be read, or holds what is not known.
    """
    path = Path(store) / FILE
    allowed = [one.name for one in fields(Imprint)]
    try:
        given = tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        return Imprint()
    except (OSError, ValueError) as error:
        raise UsageError(f"{path} cannot be read: {error}; correct it or take it away") from error
    for key, words in given.items():
        if key not in allowed or not isinstance(words, str) or len(words) > _LONGEST:
            raise UsageError(
                f"{path}: {key}; allowed: {', '.join(allowed)}, each a text of at most {_LONGEST} "
                "characters"
            )
    return Imprint(**given)
