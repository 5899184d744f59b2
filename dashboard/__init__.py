"""The pages: they show bulletins and estimate nothing."""
