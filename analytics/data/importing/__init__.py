"""Files in: found, read, typed cell by cell, checked as a batch and stored."""

from analytics.data.importing.batch import (
    Checked,
    about_reason,
    check,
    import_files,
    raws_of,
    read_paths,
    refusal,
    store_checked,
)
from analytics.data.importing.findings_report import counted, findings_csv, grouped, quarantine_csv
from analytics.data.importing.reading import ENDINGS, read_file
from analytics.data.importing.typed import Incoming, type_raw

__all__ = [
    "ENDINGS",
    "Checked",
    "Incoming",
    "about_reason",
    "check",
    "counted",
    "findings_csv",
    "grouped",
    "import_files",
    "quarantine_csv",
    "raws_of",
    "read_file",
    "read_paths",
    "refusal",
    "store_checked",
    "type_raw",
]
