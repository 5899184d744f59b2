"""Where a season goes and what a change of its rules would do: numpy and scipy alone."""
