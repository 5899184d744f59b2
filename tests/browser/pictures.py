"""Take the pictures of the README from the demo season: ``python -m tests.browser.pictures``.

The first page on a wide screen, *Local waters* on a phone beside it, and the manager's two pages of
the bulletin as a document.
"""

from __future__ import annotations

import argparse
import io
from pathlib import Path
from typing import TYPE_CHECKING

import pypdfium2
from PIL import Image

from analytics.bulletin.archive import archive_of, list_bulletins, load
from analytics.cli.demo_store import prepare
from analytics.documents.files import bulletin_files
from tests.browser.screens import CHARTS, settle
from tests.browser.serving import browser, dashboard

if TYPE_CHECKING:
    from collections.abc import Sequence

    from playwright.sync_api import Browser

OUT = Path(__file__).parents[2] / "dashboard" / "pictures"
#: Pages side by side in a picture: name in the address, and window.
SCREENS = (("", (1280, 800)), ("waters", (390, 800)))
_GAP, _PAPER = 24, "#C9C4B6"
_SCALE = 1.15


def side_by_side(pictures: Sequence[Image.Image]) -> Image.Image:
    """Return pictures of one height beside each other, with a frame of grey between them."""
    width = sum(one.width for one in pictures) + _GAP * (len(pictures) + 1)
    made = Image.new("RGB", (width, max(one.height for one in pictures) + 2 * _GAP), _PAPER)
    left = _GAP
    for one in pictures:
        made.paste(one, (left, _GAP))
        left += one.width + _GAP
    return made


def screens(chrome: Browser, address: str) -> Image.Image:
    """Return the first page and *Local waters* as they stand in their windows."""
    taken = []
    for page, (width, height) in SCREENS:
        context = chrome.new_context(viewport={"width": width, "height": height})
        shown = context.new_page()
        shown.goto(f"{address}/{page}")
        settle(shown, charts=CHARTS[page])
        shown.wait_for_timeout(1200)
        taken.append(Image.open(io.BytesIO(shown.screenshot())).convert("RGB"))
        context.close()
    return side_by_side(taken)


def document(archive: Path) -> Image.Image:
    """Return the manager's two pages of the newest bulletin."""
    bulletin = load(archive, list_bulletins(archive)[-1].bulletin)
    pages = pypdfium2.PdfDocument(bulletin_files(bulletin, names=["bulletin.pdf"])["bulletin.pdf"])
    return side_by_side([pages[at].render(scale=_SCALE).to_pil() for at in (0, 1)])


def main() -> None:
    """Write the pictures."""
    argparse.ArgumentParser(description=__doc__).parse_args()
    archive = archive_of(prepare(lambda _: None))
    with dashboard(archive) as address, browser() as chrome:
        found = {"first_page.png": screens(chrome, address), "bulletin.png": document(archive)}
    for name, picture in found.items():
        # Few colours are in sight, and the file is a quarter of the size.
        picture.quantize(128).save(OUT / name, optimize=True)
        print(OUT / name, picture.size)


if __name__ == "__main__":
    main()
