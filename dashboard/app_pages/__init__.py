"""One script a page, one question a page."""
