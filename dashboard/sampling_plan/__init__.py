"""The page Sampling plan: what is asked for, what it promises, the schedule, what became of it."""
