"""The pages of catch rates and of the seasonal pattern."""
