"""The pages of catch rates and of the timing of the run."""
