"""The page Today: what each part says, and how it is drawn."""
