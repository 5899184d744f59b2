"""Files in: found, read, typed cell by cell, put together as a batch."""
