"""The week in result rows, and the archive of bulletins."""
