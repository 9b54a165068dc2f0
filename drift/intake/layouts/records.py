"""This module finds the files of records and reads them into sheets."""

from pathlib import Path

from drift.errors import SourceError
from drift.ids import nearest_file
from drift.intake.layouts.cells import Sheet
from drift.intake.layouts.texts import TEXT_SUFFIXES as TEXTS
from drift.intake.layouts.texts import read_text
from drift.intake.layouts.workbooks import WORKBOOK_SUFFIXES as WORKBOOKS
from drift.intake.layouts.workbooks import read_workbook
from drift.places import check_place

RECORD_SUFFIXES = (*WORKBOOKS, *TEXTS)
_EXPECTED = f"a file or a folder of files that end in {', '.join(RECORD_SUFFIXES)}"


def record_paths(records: Path) -> list[Path]:
    """Return the files of records in the order of their names.

    Raises
    ------
    SourceError
        If there are none, or one is a link, a device or a pipe.
    """
    check_place(records, raised=SourceError, expected=_EXPECTED)
    if not records.exists():
        hint = nearest_file(records)
        raise SourceError(what="does not exist", where=str(records), expected=_EXPECTED, hint=hint)
    if records.is_file():
        if records.suffix.lower() not in RECORD_SUFFIXES:
            raise SourceError(
                what="is of a kind that is not read", where=str(records), expected=_EXPECTED
            )
        return [records]
    try:
        inside = [path for path in records.iterdir() if _is_record(path)]
    except OSError as error:
        raise SourceError(
            what=f"cannot be read ({error.strerror})",
            where=str(records),
            expected="a readable folder",
        ) from error
    for path in inside:
        check_place(path, raised=SourceError, expected=_EXPECTED)
    paths = sorted((path for path in inside if path.is_file()), key=lambda path: path.name)
    if not paths:
        raise SourceError(
            what="holds no records",
            where=str(records),
            expected=_EXPECTED,
            hint="folders inside it are not looked into",
        )
    return paths


def _is_record(path: Path) -> bool:
    """Say whether a file may hold records; those that programs keep open for themselves do not."""
    return path.suffix.lower() in RECORD_SUFFIXES and not path.name.startswith(("~$", ".~", "."))


def read_records(records: Path, *, without: frozenset[str] = frozenset()) -> list[Sheet]:
    """Return every sheet of a file or folder of records, some files of it left out.

    Raises
    ------
    SourceError
        If one cannot be read.
    """
    sheets: list[Sheet] = []
    for path in record_paths(records):
        if path.name in without:
            continue
        if path.suffix.lower() in WORKBOOKS:
            sheets.extend(read_workbook(path))
        else:
            sheets.append(read_text(path))
    return sheets
