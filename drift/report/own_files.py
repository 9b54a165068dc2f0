"""This module recognises what drift wrote.

A file is taken for drift's own where three things agree: its name is one that drift gives, what it
holds begins as what drift writes, and the record beside it has its digest.  The record alone
proves nothing, since anyone can write one.
"""

import hashlib
import json
import re
import zipfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

# Says in a page who made it; `reports/frame.html.jinja2` has it.
_PAGE_MARK = b'name="generator" content="drift"'
_RECORD_MARK = b'"program": "drift"'
# Begins what pages with figures share; `drift/report/figures/assets.py` writes it.
_ASSET_MARK = b"/* drift: "
_ASSETS = r"assets/(?:(?:vega|figures|page)\.js|(?:page|dossier|evidence|fleet)\.css)"
_HEAD_BYTES = 4096
# How the titles of workbooks begin.
_BOOK_TITLES = (b"Fleet review of ", b"Round of visits of ")
_LARGEST_RECORD = 64 * 2**20
# What desktops leave in any folder that they show; it is nobody's work.
_DROPPINGS = {".DS_Store", "Thumbs.db", "desktop.ini"}
# A column of each table that only what drift writes has.
TABLE_MARKS: dict[str, str] = {
    "meters": "standing",
    "obligations": "obligation",
    "since": "before",
    "visits": "unadjusted_path_pct",
    "trends": "resemblance_p",
    "forecast": "horizon_days",
    "intervals": "carried",
    "signals": "chart",
    "phases": "limits_phase",
    "responses": "problem",
    "open_points": "asks",
    "due": "since_on",
    "register": "age_years",
    "register_faults": "fault",
    "reference": "confounded_with",
    "vessels": "usable",
    "bowls": "en_before",
    "vessel_bowls": "disagreeing",
    "vessel_history": "en_all",
    "vessel_belief": "birge_ratio",
    "vessel_checks": "off_pct",
    "vessel_agreement": "en_stated",
    "check_meters": "jumped_pct",
    "reference_verdicts": "p_vessel",
    "check_series": "in_control",
    "check_days": "cusum_limit",
    "comparison_scores": "zeta",
    "field_bench": "reliability",
    "conformity": "p_conform",
    "uncertainty": "coverage_factor",
    "risks": "false_accept",
    "causes": "probability",
    "zero_span": "law_se_pct",
    "zero_span_drifts": "beyond_since",
    "hysteresis": "difference_pct",
    "own_standings": "standing",
    "evidence": "to_file",
    "barred_uses": "since_on",
    "unread_rows": "words",
    "held_back": "reason",
    "retirement": "carried_by",
    "retirement_grounds": "verdict",
    "retirement_costs": "expected_cost",
    "field_tests": "p_verdict_wrong",
    "path": "p_been_out",
    "study_components": "shared_with",
    "study_effects": "compared_over",
}

# Whether a file below a folder, by its name there, holds what drift writes under that name.
Judge = Callable[[Path, str], bool]


@dataclass(frozen=True, slots=True)
class FileKind:
    """What a command writes into its folder.

    Attributes
    ----------
    what : str
        In a word or two, for messages.
    record : str
        Name below the folder of the record of what was written.
    names : re.Pattern
        What the names below the folder look like, the record's among them.
    table : callable
        The table that a CSV file of such a name holds.
    blank : callable or None
        Judge of CSV files that are no table of drift's but files to fill in.
    """

    what: str
    record: str
    names: re.Pattern[str]
    table: Callable[[str], str]
    blank: Judge | None = None


REVIEW_FOLDER = FileKind(
    what="a review",
    record="data/run.json",
    names=re.compile(
        r"(?:index|meters|reference|intervals|signals|basis|guide|evidence|register|labels|journal)"
        r"\.(?:html|pdf)|(?:meters|sites|studies)/[^/\\]+\.(?:html|pdf)|review\.xlsx"
        rf"|{_ASSETS}"
        r"|data/(?:run\.json|[a-z_]+\.(?:csv|parquet))"
    ),
    table=lambda name: Path(name).stem,
)
RETIREMENT = FileKind(
    what="a retirement memo",
    record="record.json",
    names=re.compile(rf"retirement\.(?:html|json)|retirement[a-z_]*\.csv|record\.json|{_ASSETS}"),
    table=lambda name: Path(name).stem,
)
IMPACT = FileKind(
    what="impact notes",
    record="record.json",
    names=re.compile(
        r"[^/\\]+_\d{4}-\d\d-\d\d(?:\.html|_field_tests\.csv|_path\.csv)|record\.json"
        rf"|{_ASSETS}"
    ),
    table=lambda name: "path" if name.endswith("_path.csv") else "field_tests",
)
STUDY = FileKind(
    what="studies of repeatability",
    record="record.json",
    names=re.compile(
        r"[^/\\]+\.(?:html|json)|[^/\\]+_study_(?:components|effects)\.csv|record\.json"
        rf"|{_ASSETS}"
    ),
    table=lambda name: "study_" + Path(name).stem.rpartition("_study_")[2],
)

VISITS = FileKind(
    what="visit records",
    record="record.json",
    names=re.compile(r"[^/\\]+_\d{4}-\d\d-\d\d\.html|record\.json"),
    table=lambda _name: "",
)


def sheets_kind(blank: Judge) -> FileKind:
    """Return what `drift sheet` writes; `blank` judges the files to fill in."""
    return FileKind(
        what="visit sheets",
        record="record.json",
        names=re.compile(
            r"(?:index|bench)\.html|round-\d{4}-\d\d-\d\d\.xlsx|(?:as_found|as_left|marks)/[^/\\]+\.csv|record\.json"
        ),
        table=lambda _name: "",
        blank=blank,
    )


def is_dropping(name: str) -> bool:
    """Say whether a desktop left a file of this name."""
    return name.rpartition("/")[2] in _DROPPINGS


def looks_own(folder: Path, name: str, kind: FileKind, *, whole: bool = True) -> bool:
    """Say whether a file could be drift's by its name and by what it holds.

    Parameters
    ----------
    folder : Path
        Folder of output.
    name : str
        Of a file below it, its parts parted by ``/``.
    kind : Kind
        What is written there.
    whole : bool
        Whether the file was written to its end; one that was not may be empty.
    """
    path = folder / name
    if kind.names.fullmatch(name) is None or path.is_symlink() or not path.is_file():
        return False
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
    if not head:
        return not whole
    return _BEGINNINGS[path.suffix](folder, name, kind, head, whole)


def _is_page(_folder: Path, _name: str, _kind: FileKind, head: bytes, _whole: bool) -> bool:
    """Say whether a page names its maker."""
    return _PAGE_MARK in head


def _is_print(folder: Path, name: str, _kind: FileKind, head: bytes, whole: bool) -> bool:
    """Say whether a PDF file stands beside the page that it was printed from."""
    if not whole:
        return head.startswith(b"%PDF")
    try:
        with (folder / name).with_suffix(".html").open("rb") as page:
            return head.startswith(b"%PDF") and _PAGE_MARK in page.read(_HEAD_BYTES)
    except OSError:
        return False


def _is_workbook(folder: Path, name: str, _kind: FileKind, head: bytes, whole: bool) -> bool:
    """Say whether a workbook names itself a fleet review or a round."""
    if not whole:
        return head.startswith(b"PK")
    try:
        with zipfile.ZipFile(folder / name) as book:
            named = book.read("docProps/core.xml")
            return any(title in named for title in _BOOK_TITLES)
    except (OSError, KeyError, ValueError, zipfile.BadZipFile):
        return False


def _is_table(folder: Path, name: str, kind: FileKind, head: bytes, _whole: bool) -> bool:
    """Say whether a CSV file has the column that only drift's table of its name has."""
    if kind.blank is not None:
        return kind.blank(folder, name)
    mark = TABLE_MARKS.get(kind.table(name))
    return mark is not None and mark.encode() in head.split(b"\n", 1)[0].split(b",")


def _is_parquet(folder: Path, name: str, kind: FileKind, head: bytes, whole: bool) -> bool:
    """Say whether a Parquet file has the column that only drift's table of its name has."""
    if not whole or not head.startswith(b"PAR1"):
        return head.startswith(b"PAR1")
    try:
        columns = pl.read_parquet_schema(folder / name)
    except (OSError, pl.exceptions.PolarsError):
        return False
    return TABLE_MARKS.get(kind.table(name)) in columns


def _is_asset(_folder: Path, _name: str, _kind: FileKind, head: bytes, _whole: bool) -> bool:
    """Say whether a script or a style sheet says whose it is."""
    return head.startswith(_ASSET_MARK)


def _is_record(_folder: Path, _name: str, _kind: FileKind, head: bytes, _whole: bool) -> bool:
    """Say whether a record begins with the program's name."""
    return _RECORD_MARK in head


_BEGINNINGS: Mapping[str, Callable[[Path, str, FileKind, bytes, bool], bool]] = {
    ".html": _is_page,
    ".pdf": _is_print,
    ".xlsx": _is_workbook,
    ".csv": _is_table,
    ".parquet": _is_parquet,
    ".json": _is_record,
    ".js": _is_asset,
    ".css": _is_asset,
}


def digest(path: Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def digests_recorded(folder: Path, kind: FileKind) -> dict[str, str]:
    """Return the digests that the record in a folder gives, by name; none where it is no record."""
    written = record_at(folder / kind.record).get("written")
    if not isinstance(written, dict):
        return {}
    return {name: value for name, value in written.items() if isinstance(value, str)}


def record_at(path: Path) -> dict[str, Any]:
    """Return a record of drift's, or nothing where a file is anything else, whatever it holds."""
    try:
        if path.is_symlink() or not path.is_file() or path.stat().st_size > _LARGEST_RECORD:
            return {}
        record = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return record if isinstance(record, dict) and record.get("program") == "drift" else {}


def names_below(folder: Path, before: str = "") -> Iterator[str]:
    """Yield what stands below a folder by name: links are not followed, empty folders have a ``/``.

    Raises
    ------
    OSError
        If a folder cannot be read.
    """
    entries = sorted((folder / before).iterdir())
    for entry in entries:
        name = f"{before}{entry.name}"
        if entry.is_dir() and not entry.is_symlink():
            yield from names_below(folder, f"{name}/")
        else:
            yield name
    if before and not entries:
        yield before
