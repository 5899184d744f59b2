"""Files in: found, read, typed cell by cell, checked as a batch and stored."""

from analytics.data.columns import TEXT_CEILING, CellRule, allowed_of, cell_rule
from analytics.data.importing.batch import (
    Checked,
    Reading,
    about_reason,
    check,
    check_on,
    import_files,
    raws_of,
    read_paths,
    read_rows,
    refusal,
    store_checked,
)
from analytics.data.importing.corrections import (
    Correction,
    amending,
    cell_text,
    from_records,
    to_records,
)
from analytics.data.importing.findings_report import (
    corrections_csv,
    counted,
    findings_csv,
    grouped,
    quarantine_csv,
)
from analytics.data.importing.reading import Raw, read_file
from analytics.data.importing.table_files import (
    ENDINGS,
    OUTLINES,
    OUTLINES_FILE,
    WORKBOOK,
    suggest,
    table_in,
)
from analytics.data.importing.templates import (
    WORKBOOK_NAME,
    codes_of,
    csv_template,
    workbook_template,
    write_templates,
)
from analytics.data.importing.typed import Incoming, type_raw

__all__ = [
    "ENDINGS",
    "OUTLINES",
    "OUTLINES_FILE",
    "TEXT_CEILING",
    "WORKBOOK",
    "WORKBOOK_NAME",
    "CellRule",
    "Checked",
    "Correction",
    "Incoming",
    "Raw",
    "Reading",
    "about_reason",
    "allowed_of",
    "amending",
    "cell_rule",
    "cell_text",
    "check",
    "check_on",
    "codes_of",
    "corrections_csv",
    "counted",
    "csv_template",
    "findings_csv",
    "from_records",
    "grouped",
    "import_files",
    "quarantine_csv",
    "raws_of",
    "read_file",
    "read_paths",
    "read_rows",
    "refusal",
    "store_checked",
    "suggest",
    "table_in",
    "to_records",
    "type_raw",
    "workbook_template",
    "write_templates",
]
