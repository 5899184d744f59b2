"""The commands together, and the one place where errors become messages and exit statuses."""

from __future__ import annotations

import gc
import io
import logging
import os
import sys
from typing import TYPE_CHECKING

import click

from analytics.cli.holding_command import holding
from analytics.cli.open_command import open_
from analytics.cli.options_command import options
from analytics.cli.plan_command import plan
from analytics.cli.result_commands import bulletin, demo, estimate, revisions, scenarios
from analytics.cli.store_commands import (
    batches,
    form,
    import_,
    maintain,
    publish,
    templates,
    verify,
    withdraw,
)
from analytics.cli.terminal import examples, say, show_findings
from analytics.errors import BlackmouthError, DataRejected, UsageError
from analytics.whole_files import FULL

if TYPE_CHECKING:
    from collections.abc import Sequence

DONE, REFUSED, WRONG_USE, INTERRUPTED = 0, 1, 2, 130


@click.group(
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=examples(
        "blackmouth open",
        "blackmouth import week05/ --store mystore",
        "blackmouth bulletin --store mystore",
        "blackmouth open --store mystore",
    ),
)
@click.version_option(package_name="blackmouth")
def blackmouth() -> None:
    """Weekly estimates for the winter blackmouth (immature Chinook) sport fishery.

    Creel interviews in; effort, catch, sublegal share and deaths by marine area and week out, each
    with its error; a dashboard on top. COMMAND --help explains each.

    Exit status: 0 done; 1 the data were refused and nothing was stored; 2 wrong use.
    """


for _command in (
    import_,
    batches,
    withdraw,
    verify,
    maintain,
    templates,
    form,
    estimate,
    bulletin,
    revisions,
    scenarios,
    options,
    plan,
    publish,
    holding,
    demo,
    open_,
):
    blackmouth.add_command(_command)


def main(args: Sequence[str] | None = None) -> None:
    """Run the command line and exit with its status; no error of a user ends in a traceback."""
    # Commands make many rows that stay: to look through them often for circles frees nothing.
    gc.set_threshold(50_000, 20, 20)
    # Matrices are small: a second thread of linear algebra waits more than it works.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # A home that cannot be written is no news to whoever wants a document.
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    _replace_closed_streams()
    try:
        blackmouth.main(args=args, standalone_mode=False)
        sys.stdout.flush()
        status = DONE
    except click.ClickException as error:
        error.show()
        status = error.exit_code
    except DataRejected as error:
        show_findings(error.findings)
        status = _told(error, REFUSED)
    except BlackmouthError as error:
        status = _told(error, WRONG_USE if isinstance(error, UsageError) else REFUSED)
    except BrokenPipeError:
        # The reader of a pipe went away (as `| head` does); keep Python from saying so at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = DONE
    except OSError as error:
        name = f"{error.filename}: " if error.filename else ""
        advice = "; make room there and run the command again" * (error.errno in FULL)
        status = _told(f"{name}{error.strerror or error}{advice}", REFUSED)
    except (click.Abort, KeyboardInterrupt) as interrupt:
        status = _told(str(interrupt) or "interrupted", INTERRUPTED)
    gc.freeze()  # the end need not look for circles once more: that takes a fifth of a second
    sys.exit(status)


def _replace_closed_streams() -> None:
    """Stand in for streams that the caller closed: a table then cannot be written, as said."""
    if sys.stderr is None:
        sys.stderr = io.StringIO()
    if sys.stdout is None:
        sys.stdout = os.fdopen(os.open(os.devnull, os.O_RDONLY))  # writing fails


def _told(message: object, status: int) -> int:
    say(f"blackmouth: {message}")
    return status
