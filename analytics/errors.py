"""The one tree of errors a user can meet: what was seen, what is allowed, what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analytics.findings import Finding


class BlackmouthError(Exception):
    """Anything a user can correct; the command line prints it in words and never as a traceback."""


class UsageError(BlackmouthError):
    """A call or command that asks for something that does not exist (exit status 2)."""


class StoreError(BlackmouthError):
    """The store cannot be read or written."""


class NotAStoreError(StoreError, UsageError):
    """The path given is that of no store, or none can be kept there (exit status 2)."""


class DataRejected(BlackmouthError):  # noqa: N818 - reads as a sentence
    """The data cannot be taken as they are; nothing was stored (exit status 1).

    Parameters
    ----------
    message : str
        One sentence for people.
    findings : sequence of Finding
        Every finding, errors and warnings, in the order of the tables.
    """

    def __init__(self, message: str, findings: Sequence[Finding] = ()) -> None:
        super().__init__(message)
        self.findings = tuple(findings)
