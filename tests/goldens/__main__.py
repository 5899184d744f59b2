"""``python -m tests.goldens``: freeze a checkout, or compare two frozen ones."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from tests.goldens.compare import compare
from tests.goldens.freeze import HERE, freeze
from tests.goldens.names import Names, read_names

MAP = HERE / "tests" / "goldens.toml"


def main() -> int:
    """Return 0, or 1 where something differs that is not accepted."""
    parser = argparse.ArgumentParser(prog="python -m tests.goldens", description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    one = commands.add_parser("freeze", help="write every demo table and command output")
    one.add_argument("out", type=Path, metavar="OUT", help="folder to write; must not exist")
    one.add_argument("--root", type=Path, default=HERE, metavar="CHECKOUT", help="default: this")
    one.add_argument("--jobs", type=int, default=2, help="commands at a time (default 2)")
    two = commands.add_parser("compare", help="say what differs; status 1 where anything does")
    two.add_argument("old", type=Path, metavar="OLD")
    two.add_argument("new", type=Path, metavar="NEW")
    two.add_argument("--map", type=Path, default=MAP, help="default: tests/goldens.toml")
    two.add_argument("--no-map", action="store_true", help="no name may differ")
    two.add_argument("--rtol", type=float, default=0.0, help="let pass (default 0: the last bit)")
    two.add_argument("--most", type=int, default=60, help="differences to print (default 60)")
    for part in (one, two):
        part.add_argument(
            "--only",
            nargs="+",
            default=["*"],
            metavar="PATTERN",
            help="tables, open, open_public, help, or cases such as 'estimate*' (default: all); "
            "help, demo*, held*, import* need no demo store and are quick",
        )
        part.add_argument(
            "--tables",
            action="store_const",
            const=["tables"],
            dest="only",
            help="the same as --only tables: no output of commands, in a sixth of the time",
        )
    given = parser.parse_args()
    begun = time.monotonic()
    if given.command == "freeze":
        freeze(given.out, given.root, given.jobs, given.only)
        print(f"frozen {given.root} in {time.monotonic() - begun:.0f} s")
        return 0
    names = Names() if given.no_map else read_names(given.map)
    outcome = compare(given.old, given.new, names, given.rtol, given.only)
    for difference in outcome.differences[: given.most]:
        print(difference)
    if len(outcome.differences) > given.most:
        print(f"... and {len(outcome.differences) - given.most} more (--most)")
    for entry in names.unused() if given.only == ["*"] else ():
        print(f"the map's {entry} was not needed")
    print(
        f"{len(outcome.differences)} differences, {outcome.n_accepted} accepted, "
        f"{outcome.n_files} files, {time.monotonic() - begun:.1f} s"
    )
    return 1 if outcome.differences else 0


if __name__ == "__main__":
    sys.exit(main())
