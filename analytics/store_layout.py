"""Names of the folders and files of a store that more than one room reads or writes."""

from __future__ import annotations

#: Table of the events, and folder of the log of each table.
EVENTS, DELTA_LOG = "_batches", "_delta_log"
#: Folder for half-written files that `maintain` set apart; nothing reads it.
APART = "_apart"
#: Folder for work under way, which no estimate reads; its parts are uploads, drafts and tables.
DESK = "desk"
#: Folder of kept bulletins, each in a folder of its own: its card, and notes that are added later.
BULLETINS = "bulletins"
CARD_FILE, NOTES_FILE, NOTES_LOCK = "bulletin.json", "notes.jsonl", ".notes.lock"
#: Folder of what went out to the public.
PUBLISHED = "published"
#: Key of a sealed record of the desk: the SHA-256 of files that lie beside it, by their paths.
BESIDE = "sums"
