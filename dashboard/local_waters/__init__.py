"""The page for anglers: what an area is like lately, its rules, and care for fish and people."""
