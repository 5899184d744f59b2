"""Write the templates of the catalogues anew: ``python -m tests.catalogues``.

A template, ``dashboard/catalogues/PAGE.pot``, has every text of a page in English; a translator
copies it to ``PAGE.LANGUAGE.po``. It has the texts of the modules that the page imports, but for
those that many pages import: they are in the template of the frame.
"""

from __future__ import annotations

import argparse
import ast
import io
from functools import cache
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po, write_po
from jinja2 import Environment
from jinja2.ext import extract_from_ast

from dashboard import catalogue
from dashboard.pages import DATA, RESULTS

DASHBOARD = Path(__file__).parents[1] / "dashboard"
#: Where the texts stand in a call of what says them. (babel's own extraction reads no f-strings.)
KEYWORDS = {"say": slice(1), "phrase": slice(1), "say_n": slice(1, 3)}
#: Reads bulletins for every page through modules of the pages, and says nothing of theirs.
READER = DASHBOARD / "data.py"
PAGES = (*RESULTS, *DATA)
#: What stands about each text in an invented language.
MARKS = "⟦{}⟧"
#: What more pages than these import is said by the frame.
FEW = 3

#: Lines of the head that name nobody, or change each time.
_UNSAID = ('"Report-', '"Last-', '"Language-Team', '"POT-', '"PO-', '"Generated-')

Text = str | tuple[str, ...]


def texts_of(path: Path) -> list[Text]:
    """Return the texts of a module in its order, then those of the HTML templates in it."""
    found, templates = [], []
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            given = node.args[KEYWORDS.get(node.func.id, slice(0))]
            if given and all(isinstance(one, ast.Constant) for one in given):
                texts = [one.value for one in given]
                found.append((node.lineno, texts[0] if len(texts) == 1 else tuple(texts)))
        if isinstance(node, ast.Constant) and "{% macro" in str(node.value):
            said = extract_from_ast(Environment().parse(node.value), ("say",))
            # Jinja gives the values beside a text as None.
            templates += [text if isinstance(text, str) else text[0] for _, _, text in said]
    return [text for _, text in sorted(found, key=lambda one: one[0])] + templates


def modules_of(script: str) -> set[Path]:
    """Return the modules of the dashboard that the script of a page imports, one by another."""
    found, waiting = set(), {DASHBOARD / "app_pages" / f"{script}.py"}
    while waiting:
        path = waiting.pop()
        found.add(path)
        waiting |= _imports(path) - found - {READER}
    return found


@cache
def _imports(path: Path) -> frozenset[Path]:
    tree = ast.parse(path.read_text("utf-8"))
    for node in [one for one in tree.body if isinstance(one, ast.If)]:
        if ast.unparse(node.test) == "TYPE_CHECKING":
            tree.body.remove(node)
    names = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "dashboard":
            folder = DASHBOARD.parent / node.module.replace(".", "/")
            names |= {folder / f"{one.name}.py" for one in node.names} | {folder.with_suffix(".py")}
    return frozenset(path for path in names if path.is_file())


@cache
def catalogues_of() -> dict[Path, list[str]]:
    """Return the names of the catalogues that have the texts of a module, by module."""
    by_page = {script: modules_of(script) for script in PAGES}
    found = {DASHBOARD / name: [catalogue.FRAME] for name in ("app.py", "login.py")}
    for path in set().union(*by_page.values()):
        mine = [script for script, modules in by_page.items() if path in modules]
        found[path] = mine if len(mine) <= FEW else [catalogue.FRAME]
    return found


def template(name: str) -> str:
    """Return the template of a page, or of the frame."""
    made = Catalog(project="Blackmouth", version="1", charset="utf-8", fuzzy=False)
    made.header_comment = f"# Texts of {name}: a copy named {name}.LANGUAGE.po is a translation."
    for path, mine in sorted(catalogues_of().items()):
        for text in texts_of(path) if name in mine else ():
            made.add(text, locations=[(path.relative_to(DASHBOARD).as_posix(), None)])
    written = io.BytesIO()
    write_po(written, made, width=100, include_lineno=False)
    return "".join(
        one
        for one in written.getvalue().decode().splitlines(keepends=True)
        if not one.startswith(_UNSAID)
    )


def marked(name: str) -> str:
    """Return a translation of a template in which every text stands between marks."""
    made = read_po(io.BytesIO(template(name).encode()))
    for one in made:
        if one.id:
            said = [
                MARKS.format(text) for text in ([one.id] if isinstance(one.id, str) else one.id)
            ]
            one.string = said[0] if isinstance(one.id, str) else tuple(said)
    written = io.BytesIO()
    write_po(written, made)
    return written.getvalue().decode()


def names() -> list[str]:
    """Return the names of all templates, that of the frame first."""
    return [catalogue.FRAME, *PAGES]


def renew() -> None:
    """Renew the templates."""
    for name in names():
        (catalogue.FOLDER / f"{name}.pot").write_text(template(name), "utf-8")


if __name__ == "__main__":
    argparse.ArgumentParser(description=__doc__).parse_args()
    renew()
