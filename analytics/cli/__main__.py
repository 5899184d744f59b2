"""``python -m analytics.cli`` does what ``blackmouth`` does."""

from __future__ import annotations

from analytics.cli.group import main

if __name__ == "__main__":
    main()
