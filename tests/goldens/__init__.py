"""Frozen results of the demo season, to compare a checkout with another one.

``python -m tests.goldens freeze OUT`` writes every table and the output of every command,
``python -m tests.goldens compare OLD NEW`` says what differs. Names that changed on purpose stand
in ``tests/goldens.toml``.
"""
