"""``publish``: the public's figures of a season, with what would tell of few boats withheld."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from analytics.cli.result_commands import SEASON, THROUGH
from analytics.cli.terminal import (
    STORE,
    examples,
    out_folder,
    progress,
    require_room_for,
    say,
    write_files,
    written_at,
)

if TYPE_CHECKING:
    from pathlib import Path


@click.command(
    short_help="Write what the public may see of a season.",
    epilog=examples(
        "blackmouth publish --store mystore --out public",
        "blackmouth open --public public",
    ),
)
@STORE
@SEASON
@THROUGH
@out_folder(
    "Folder for figures.csv and about.json, made where missing; files of the same names are "
    "replaced. Nothing else leaves the store."
)
def publish(*, store: Path, season: str | None, through: str | None, out: Path) -> None:
    """Write what the public may see of a season: figures.csv and about.json.

    A figure that rests on one or two interviewed boats is withheld, and others with it, so that
    none follows from sums, ratios or earlier publications; figures with a percent standard error
    over 50 are not published, those over 30 are marked. A figure of an area and week that went out
    is revised once late or corrected forms of three boats change it, and goes out as it was until
    then. The store remembers what went out. Figures stand on what interviews report. The same data
    through the same week give the same files.
    """
    require_room_for(out, is_public=True)

    from analytics.data.store import Store  # noqa: PLC0415 - keeps --help quick
    from analytics.publishing.publish import publish as published  # noqa: PLC0415
    from analytics.whole_files import require_writable  # noqa: PLC0415

    target = Store(store)
    if target.exists:
        require_writable(target.path)  # it remembers what went out
    made = published(target, season=season, through=through, progress=progress)
    with written_at(out):
        out.mkdir(parents=True, exist_ok=True)
    write_files(made.files(), out)
    about, domains = made.about, len(made.publication.domains)
    lost = (
        f" ({100 * made.n_withheld / max(domains, 1):.0f} %; {made.weight:.0f} boats behind them, "
        f"any protection costs {made.bound:.0f} at least)"
        if made.n_withheld
        else ""
    )
    say(f"season {about['season']} through {about['through']} written to {out}")
    say(
        f"{domains} areas, weeks and sums: {made.n_sensitive} on fewer than three boats, "
        f"{made.n_withheld} withheld{lost}; {about['figures']['not_published']} of "
        f"{about['figures']['all']} figures not published for their error"
    )
    if made.n_kept:
        say(
            f"{made.n_kept} figures of an area and week as they went out before: what has changed "
            "them since is of one or two boats, and goes out with more"
        )
