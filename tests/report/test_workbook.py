"""The workbook holds what the data files hold, in types, and runs nothing."""

import dataclasses
import re
import zipfile
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from drift.folders import cautions
from drift.report import workbook
from drift.report.column_notes import COLUMN_NOTES, TABLE_NOTES
from drift.report.data_files import data_tables, write_data
from drift.report.workbook import write_workbook
from drift.review.policy import Policy, choices_of
from drift.review.results import Review
from tests.fabricated_ids import AS_OF
from tests.fabricated_review import fabricate

HOSTILE = ("=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "https://example.org/", "{=1}", "0012", "true")


@pytest.fixture(scope="module")
def review() -> Review:
    """Return the fabricated review with remarks that a spreadsheet would run or convert."""
    made = fabricate()
    remarks = pl.Series("remarks", [HOSTILE[i % len(HOSTILE)] for i in range(made.ledger.height)])
    return dataclasses.replace(made, ledger=made.ledger.with_columns(remarks))


@pytest.fixture(scope="module")
def tables(review: Review) -> dict[str, pl.DataFrame]:
    return data_tables(review)


@pytest.fixture(scope="module")
def book(
    review: Review, tables: dict[str, pl.DataFrame], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    path: Path = tmp_path_factory.mktemp("book") / "review.xlsx"
    write_workbook(review, tables, path)
    return path


def sheet(book: Path, name: str, kinds: pl.Schema | None = None) -> pl.DataFrame:
    """Read a sheet back; with `kinds`, text stays what the cell holds."""
    texts = {column: pl.String for column, kind in (kinds or {}).items() if kind == pl.String}
    return pl.read_excel(book, sheet_name=name, schema_overrides=texts, drop_empty_cols=False)


def xml(book: Path) -> dict[str, str]:
    with zipfile.ZipFile(book) as parts:
        return {name: parts.read(name).decode() for name in parts.namelist()}


def test_sheets_read_back_as_the_tables_in_their_types(
    book: Path, tables: dict[str, pl.DataFrame]
) -> None:
    """Numbers, dates and truth values come back as such, and empty cells as null."""
    for name, frame in tables.items():
        if frame.is_empty():
            continue
        known = [column for column in frame.columns if frame[column].null_count() < frame.height]
        back = sheet(book, name, frame.schema).select(known)
        assert back.height == frame.height, name
        for column in known:
            kind = frame.schema[column]
            if kind in {pl.Boolean, pl.Date, pl.String}:
                assert back.schema[column] == kind, f"{name}.{column}"
                assert back[column].to_list() == frame[column].to_list(), f"{name}.{column}"
            else:
                assert back.schema[column].is_numeric(), f"{name}.{column}"
                assert back[column].cast(pl.Float64).equals(frame[column].cast(pl.Float64))


def test_no_cell_is_a_formula_or_a_link(book: Path, tables: dict[str, pl.DataFrame]) -> None:
    """What looks like a formula stays text as given, and stays text when it is edited."""
    assert set(HOSTILE) <= set(tables["visits"]["remarks"])
    assert sheet(book, "visits", tables["visits"].schema)["remarks"].to_list() == (
        tables["visits"]["remarks"].to_list()
    )
    parts = xml(book)
    sheets = [text for name, text in parts.items() if name.startswith("xl/worksheets/")]
    assert not any(re.search(r"<f[ >]|<hyperlink", text) for text in sheets)
    assert not any("externalLink" in name or "vba" in name.lower() for name in parts)
    # The style that keeps text from being read as a formula, by its place among the formats.
    formats = re.findall(r"<xf [^>]*>", parts["xl/styles.xml"].split("<cellXfs")[1])
    (quoted,) = (place for place, found in enumerate(formats) if 'quotePrefix="1"' in found)
    strings = re.findall(r"<si><t[^>]*>(.*?)</t></si>", parts["xl/sharedStrings.xml"], re.DOTALL)
    marked = {
        strings[int(index)]
        for text in sheets
        for index in re.findall(rf'<c r="\w+" s="{quoted}" t="s"><v>(\d+)</v>', text)
    }
    assert {"=1+1", "+1", "-1", "@SUM(A1)", "\t=1"} <= marked
    assert "https://example.org/" not in marked


def test_heads_stay_in_sight_on_screen_and_paper(
    book: Path, tables: dict[str, pl.DataFrame]
) -> None:
    """Each table's first row is frozen, can be filtered by, and is printed on every page."""
    parts = xml(book)
    for place in range(3, 3 + len(tables)):
        text = parts[f"xl/worksheets/sheet{place}.xml"]
        assert 'state="frozen"' in text
        assert "<autoFilter" in text
        assert "&amp;P / &amp;N" in text
    titles = re.findall(r'name="_xlnm.Print_Titles"[^>]*>(\w+)', parts["xl/workbook.xml"])
    assert set(tables) <= set(titles)


def test_the_first_sheet_says_what_the_workbook_is(
    book: Path, review: Review, tables: dict[str, pl.DataFrame]
) -> None:
    """Date, source, version, cautions, policy and input hashes are all there."""
    about = pl.read_excel(book, sheet_id=1, has_header=False, drop_empty_rows=False)
    cells = {str(cell) for row in about.iter_rows() for cell in row if cell is not None}
    assert review.source_name in cells
    assert {str(AS_OF), f"{AS_OF} 00:00:00"} & cells
    assert set(cautions()) <= cells
    assert set(choices_of(Policy())) <= cells
    assert set(review.sources.files["sha256"]) <= cells
    assert set(tables) <= cells


def test_every_column_has_its_meaning(book: Path, tables: dict[str, pl.DataFrame]) -> None:
    """No column of a data file is left without a note, and no note without a column."""
    notes = sheet(book, "columns")
    assert notes.height == sum(frame.width for frame in tables.values())
    assert notes.filter(pl.col("meaning").is_null()).is_empty()
    assert {name: list(columns) for name, columns in COLUMN_NOTES.items() if name in tables} == {
        name: frame.columns for name, frame in tables.items()
    }
    assert set(TABLE_NOTES) >= set(tables)


def test_the_same_review_gives_the_same_bytes(
    book: Path, review: Review, tables: dict[str, pl.DataFrame], tmp_path: Path
) -> None:
    """The workbook's own date is that of the review."""
    write_workbook(review, tables, tmp_path / "again.xlsx")
    assert (tmp_path / "again.xlsx").read_bytes() == book.read_bytes()
    assert f"{AS_OF}T00:00:00Z" in xml(book)["docProps/core.xml"]


def test_what_does_not_fit_is_said_and_found_in_the_data_files(
    review: Review, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A table too long gives no half sheet, a text too long is cut and counted."""
    monkeypatch.setattr(workbook, "LONGEST_TABLE", 3)
    long = "=" + "x" * 40_000
    tables = {
        "visits": pl.DataFrame({"remarks": ["a", "b", "c", "d"]}),
        "held_back": pl.DataFrame({"reason": ["short", long], "on": [None, date(2025, 1, 1)]}),
    }
    path = tmp_path / "review.xlsx"
    write_workbook(review, tables, path)
    about = pl.read_excel(path, sheet_id=1, has_header=False)
    cells = {cell for row in about.iter_rows() for cell in row}
    assert any("4 rows" in str(cell) and "data/visits.csv" in str(cell) for cell in cells)
    assert any(str(cell).startswith("1 text") for cell in cells)
    assert 'name="visits"' not in xml(path)["xl/workbook.xml"]
    assert sheet(path, "held_back")["reason"].to_list() == ["short", long[:32_767]]
    write_data(tables, tmp_path)
    assert pl.read_csv(tmp_path / "held_back.csv")["reason"].to_list() == ["short", "'" + long]
