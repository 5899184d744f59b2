"""Files in: read as they stand, typed cell by cell, checked, stored as one batch or refused."""
