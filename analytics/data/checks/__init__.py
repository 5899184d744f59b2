"""Checks of rows: within one table, and by rules between rows and tables, run as SQL."""

from analytics.data.checks.run import check_between, check_keys, first_warnings

__all__ = ["check_between", "check_keys", "first_warnings"]
