"""A kept bulletin in words and numbers for people, the same on pages and in documents."""
