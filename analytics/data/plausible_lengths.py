"""What lengths and weights of one fish can be: the limits that checks and conversions share.

Working rules; common practice, no source.
"""

from __future__ import annotations

#: Fork over total length of most Chinook (common practice, no source).
FORK_PER_TOTAL_USUAL = (0.928, 0.95)
#: Fork over total length outside which one of the two was misread (common practice, no source).
FORK_PER_TOTAL_POSSIBLE = (0.85, 1.0)
#: Total over fork length where no fish can tell: the middle of the usual range.
TOTAL_PER_FORK = 2 / sum(FORK_PER_TOTAL_USUAL)

#: Condition K = 100 W/L³ (g, cm of fork length) of most Chinook (common practice, no source).
CONDITION_USUAL = (1.1, 1.3)
#: Condition outside which length or weight was misread, by either length (working rule).
CONDITION_POSSIBLE = (0.5, 2.5)
#: Condition where no fish can tell: the middle of the usual range.
CONDITION = sum(CONDITION_USUAL) / 2
