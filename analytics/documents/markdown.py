"""A document of blocks as Markdown: the same words as the PDF and the page, without the figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.options.report import plain

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from typing import Any

    from analytics.documents.blocks import Block, Document


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
