"""The command line ``blackmouth``: everything a user can do without writing Python."""

from __future__ import annotations

from analytics.cli.group import main

__all__ = ["main"]
