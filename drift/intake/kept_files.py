"""This module knows the two files that this program keeps in a folder of records: no tables."""

from pathlib import Path

from drift.intake.encoding import text_of

# What was changed in the rows of a folder: the entry of its journal, what was done, the entry that
# was undone, the table and the row, and of each column what it said and says; row_after names the
# row as it is afterwards.
AMENDED = (
    *("entry_no", "action", "undoes", "table_name", "row", "column", "before", "after"),
    "row_after",
)
# Who did what, when and why: as in `drift.store.journal`.
JOURNALLED = (
    *("entry_no", "recorded_at", "zone", "kind", "recorded_by", "why", "what", "meters", "undoes"),
    *("file", "file_sha256", "drift_version", "prior_sha256", "sha256"),
)
AMENDMENTS_FILE, JOURNAL_FILE = "amendments.csv", "journal.csv"
_KEPT = {AMENDMENTS_FILE: AMENDED, JOURNAL_FILE: JOURNALLED}


def is_kept(path: Path) -> bool:
    """Say whether a file is one that this program keeps, by its name and its whole header."""
    header = _KEPT.get(path.name)
    if header is None or not path.is_file():
        return False
    try:
        with text_of(path, encoding="utf-8") as lines:
            return next(iter(lines), "").rstrip("\r\n") == ",".join(header)
    except (OSError, UnicodeDecodeError):
        return False
