"""The pages of the season: where it stands against its limits, and what a change would do."""
