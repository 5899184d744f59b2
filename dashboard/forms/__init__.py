"""Keying a day's paper forms and editing small tables: parts of those pages."""
