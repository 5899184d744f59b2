"""Changes of the rules compared on joint draws of the rest of a season."""
