"""What lies at the edge of a file: its path, its kind, its encoding, what stands beside it."""

import os
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from drift.cli import main
from drift.errors import SourceError, StoreError
from drift.intake.columns import TABLES
from drift.intake.encoding import FileLines
from drift.intake.files import SourceFile, lines_of
from drift.intake.headers import recognise
from drift.intake.mapping import read_mapping
from drift.limits.signals import SIGNALS
from drift.meter.ledger import LEDGER
from drift.report.data_files import disarmed
from drift.review.meters import METERS
from drift.review.responses import RESPONSES
from drift.store import saving
from drift.store.loading import take_folder
from drift.store.opening import open_store
from drift.store.tables import HELD_BACK
from tests.csv_folders import KEYS, counts, held, load, read, readings, take, write
from tests.fuzz_files import FOLDERS, STEMS
from tests.stopped_run import run_stopped

ROW = "A-1,2024-01-05,as_found,5,5.1"
OTHER = "ZZ,2024-01-05,as_found,5,5"


# Paths


@pytest.mark.parametrize("folder_name", FOLDERS)
def test_a_path_is_that_file_and_no_other(tmp_path: Path, folder_name: str) -> None:
    """With siblings beside files and folder that a pattern would match."""
    rows = {stem: f"A-{number:02},2024-01-05,as_found,5,5.1" for number, stem in enumerate(STEMS)}
    folder = write(tmp_path / folder_name, **{stem: readings(row) for stem, row in rows.items()})
    for sibling in ("gg1", "labx", "a"):
        write(tmp_path / sibling, **dict.fromkeys((*STEMS, "r1", "rx", "axb", "a", "b"), OTHER))
    store = tmp_path / "s.duckdb"
    with open_store(store, folder=folder) as con:
        summary = take_folder(con, folder)
        named = con.execute("select file, meter_id from readings join files using (file_no)")
        assert dict(named.fetchall()) == {f"{stem}.csv": row[:4] for stem, row in rows.items()}
    assert counts(summary) == {f"{stem}.csv": (1, 1, 0, 0, 0) for stem in STEMS}


def test_siblings_in_one_folder_are_read_each_as_itself(tmp_path: Path) -> None:
    """`r[1].csv`, `r1.csv` and `r*.csv` side by side."""
    names = ("r1", "r[1]", "r*", "r?")
    folder = write(
        tmp_path / "f",
        **{name: readings(f"M{k},2024-01-05,as_found,5,5.{k}") for k, name in enumerate(names)},
    )
    summary, sources = load(folder)
    assert summary.files["taken"].to_list() == [1] * 4
    assert dict(sources.sessions.select("meter_id", pl.col("bias_pct").round(1)).iter_rows()) == {
        f"M{k}": k / 10 for k in range(4)
    }


@pytest.mark.parametrize("off", [-1, 1])
def test_rows_that_do_not_add_up_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, off: int
) -> None:
    """Whatever else may read a file wrong, no row is lost or gained unsaid."""

    def wrong(file: SourceFile, *, scratch: Callable[[], Path]) -> FileLines:
        found = lines_of(file, scratch=scratch)
        return replace(found, count=found.count + off)

    monkeypatch.setattr(saving, "lines_of", wrong)
    with open_store(None) as con:
        with pytest.raises(SourceError, match="is not what it was"):
            take_folder(con, write(tmp_path, r=readings(ROW, OTHER)))
        assert read(con).files.is_empty()


def test_a_file_that_changes_while_it_is_read_is_refused(tmp_path: Path) -> None:
    """Its checksum would be that of other bytes."""
    folder = write(tmp_path, r=readings(ROW))

    def meddle(*_: object) -> None:
        (folder / "r.csv").write_text(readings(ROW, OTHER))

    with open_store(None) as con, pytest.raises(SourceError, match=r"what it was|written to while"):
        take_folder(con, folder, progress=meddle)


# Side tables


def test_a_list_with_meter_ids_is_no_table_of_meters(tmp_path: Path) -> None:
    """It amends nothing and is named with the reason."""
    folder = write(
        tmp_path,
        m="meter_id,interval_days,status\nA-1,182,withdrawn\n",
        owners="meter_id,owner\nA-1,Kim\n",
        r=readings(ROW),
    )
    summary, sources = load(folder)
    assert sources.meters.select("interval_days", "status").rows() == [(182, "withdrawn")]
    assert summary.amendments.is_empty()
    notes = dict(summary.files.select("file", "note").iter_rows())
    assert notes["owners.csv"] == "passed over: of the columns of meters it has only meter_id"


def test_a_column_that_is_not_there_amends_nothing(tmp_path: Path) -> None:
    """What a second list does say is amended, with both values; an empty cell says "empty"."""
    store = tmp_path / "s.duckdb"
    with open_store(store, folder=tmp_path) as con:
        take_folder(
            con,
            write(
                tmp_path / "a",
                m="meter_id,interval_days,site\nA-1,182,north\nB,91,south\n",
                r=readings(f"{ROW},V-1,7", columns="vessel_id,operator"),
            ),
        )
        summary = take_folder(
            con,
            write(
                tmp_path / "b",
                m="meter_id,site\nA-1,west\nB,\n",
                r=readings("A-1,2024-01-05,as_found,5,5.2,8", columns="operator"),
            ),
        )
        found = read(con)
    assert found.meters.select("meter_id", "interval_days", "site").rows() == [
        ("A-1", 182, "west"),
        ("B", 91, None),
    ]
    assert found.sessions.select("vessel_id", "operator").rows() == [("V-1", "8")]
    changed = summary.amendments.select("column", "old_value", "new_value").rows()
    assert sorted(changed, key=str) == sorted(
        [
            ("site", "north", "west"),
            ("site", "south", None),
            ("operator", "7", "8"),
            ("reading_air_pct", "5.1", "5.2"),
        ],
        key=str,
    )


def test_columns_are_kept_through_a_row_of_files(tmp_path: Path) -> None:
    """In one load: each file lacks others, and the last has what all of them said."""
    folder = write(
        tmp_path,
        a="meter_id,interval_days,site\nA,1,x\n",
        b="meter_id,site,status\nA,y,active\n",
        c="meter_id,interval_days,status\nA,3,active\n",
        d="meter_id,site\nA,y\n",
        r=readings(ROW),
    )
    summary, sources = load(folder)
    assert sources.meters.select("interval_days", "site", "status").rows() == [(3, "y", "active")]
    assert counts(summary)["d.csv"] == (1, 0, 0, 1, 0)


@pytest.mark.parametrize("table", TABLES)
def test_each_optional_column_of_each_table_may_be_left_out(tmp_path: Path, table: str) -> None:
    """A file that lacks some of them leaves these as they are; each is lacking in one."""
    columns = TABLES[table]
    full = {
        column.name: column.choices[0]
        if column.choices
        else {"text": "t", "date": "2024-01-05"}.get(column.kind, "1")
        for column in columns
    }
    if table == "vessels":
        full["bowl_water_mass_g"] = "100"
    # Without a column of its key another row is meant.
    further = [
        column for column in columns if not column.required and column.name not in KEYS[table]
    ]
    groups = [{column.name for column in further[at::5]} for at in range(min(5, len(further)))]
    store = {
        f"t{number}": f"{','.join(kept)}\n{','.join(full[name] for name in kept)}\n"
        for number, kept in enumerate(
            [list(full), *([name for name in full if name not in left] for left in groups)]
        )
    }
    summary = take(write(tmp_path, a=readings("Q,2001-01-01,as_found,5,5"), **store))
    assert summary.amendments.is_empty()
    assert summary.files["taken"].sum() == 2
    assert summary.files["known"].sum() == len(store) - 1


@pytest.mark.parametrize(
    "header",
    [
        *(tuple(schema) for schema in (METERS, SIGNALS, LEDGER, HELD_BACK, RESPONSES)),
        ("vessel_id", "calibrated_on", "air_pct", "u_air_pct", "usable", "problem"),
        ("meter_id", "choice", "interval_days", "expected_cost", "low_cost", "high_cost"),
        ("meter_id", "ground", "value", "threshold", "unit", "verdict", "sentence"),
        ("meter_id", "recommendation", "carried_by", "reason", "would_change"),
        ("test_id", "tested_on", "placement", "air_pct", "spec_min_pct", "spec_max_pct"),
    ],
)
def test_what_this_program_writes_is_no_record(header: tuple[str, ...]) -> None:
    """Its own tables, put back into a source, amend nothing."""
    found = recognise(list(header), declared={})
    assert not found.table or found.lacking


# Encodings


def test_a_stray_byte_costs_its_row_alone(tmp_path: Path) -> None:
    """Ids beyond ASCII stay what they are; the row is named and the file's note says so."""
    rows = [f"Ü-{k},2024-01-05,as_found,5,5.1" for k in range(5)]
    content = readings(*rows).encode().replace("Ü-3".encode(), b"\xdc-3")
    summary, sources = load(write(tmp_path, r=content))
    assert sources.sessions["meter_id"].to_list() == ["Ü-0", "Ü-1", "Ü-2", "Ü-4"]
    assert [(line, why) for _, line, _, why in held(summary)] == [
        (5, "holds bytes that are no text in the encoding of the file: it is damaged here")
    ]
    assert "read as UTF-8, in which its bytes are no text once" in summary.files["note"][0]


def test_western_text_with_a_pair_like_utf_8_stays_western(tmp_path: Path) -> None:
    """Many single Western letters outweigh one pair that happens to be a letter of UTF-8."""
    rows = [f"{ROW},é{k}" for k in range(30)] + [f"{ROW},Ã©"]
    content = readings(*rows, columns="remarks").encode("cp1252")
    summary = take(write(tmp_path, r=content))
    assert "Western" in summary.files["note"][0]
    assert held(summary) == []


@pytest.mark.parametrize("order", ["utf-16-le", "utf-16-be"])
def test_damaged_utf_16_is_read_as_far_as_it_is_text(tmp_path: Path, order: str) -> None:
    """Half a pair of surrogates, or a byte less at the end, is no traceback."""
    files = {}
    for number, at in enumerate((-1, 150, 151, 200)):
        text = readings(ROW.replace("A", f"{number}"), *[OTHER.replace("Z", f"{number}")] * 20)
        content = bytearray(f"\ufeff{text}".encode(order))
        if at < 0:
            del content[-1:]
        else:
            content[at] = 0xDC
        files[f"r{number}"] = bytes(content)
    rows = take(write(tmp_path, **files)).files.to_dicts()
    assert len(rows) == len(files)
    for row in rows:
        assert row["rows"] == row["taken"] + row["held_back"] + row["known"]
        assert row["taken"] > 0
        assert "UTF-16" in row["note"]


def test_a_header_below_a_title_is_pointed_at(tmp_path: Path) -> None:
    """Line 1 was taken for the header, and the remedy is said."""
    folder = write(tmp_path, r="List of 2024\n\n" + readings(ROW))
    with pytest.raises(SourceError) as caught:
        take(folder)
    assert "line 1 was taken for its header, but the columns of readings stand in line 3" in (
        caught.value.hint
    )


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
@pytest.mark.parametrize("many", ["5.1234567891", "1.5e-9", "1E-10"])
def test_more_decimals_than_are_kept_are_said_to_be_rounded(
    tmp_path: Path, encoding: str, many: str
) -> None:
    """Whatever the encoding; long cells of nine decimals or fewer are not."""
    rows = (
        f"A,2024-01-05,as_found,5.0000000000,{many}",
        "B,2024-01-05,as_found,5,5.123456789",
    )
    folder = write(tmp_path, r=readings(*rows).encode(encoding))
    (note,) = take(folder).files["note"]
    assert note.endswith("1 number rounded to nine decimals")


# Mapping


@pytest.mark.parametrize(
    "layout",
    ["%d/%m/%Y %", "%d/%m", "%d/%d/%m/%Y", "%Y-%m-%d-%y", "%d/%m/%%Y", "%d\n%m %Y", "%Q%d%m%Y", ""],
)
def test_a_layout_that_tells_no_day_is_refused(tmp_path: Path, layout: str) -> None:
    """Before any row is read, whatever the library would make of it."""
    text = layout.replace("\n", "\\n")
    (tmp_path / "mapping.toml").write_text(f'[dates]\nformat = "{text}"\n')
    with pytest.raises(SourceError, match="does not tell a day"):
        read_mapping(tmp_path)


@pytest.mark.parametrize(
    ("layout", "cell"),
    [
        ("%d/%m/%Y", "05/01/2024"),
        ("%-d.%-m.%y", "5.1.24"),
        ("%a %d (%B) %Y", "Fri 05 (January) 2024"),
        ("%Y%m%d", "20240105"),
        ("%d-%b-%Y %H:%M:%S", "05-Jan-2024 10:11:12"),
        ("%d/%m/%Y %I:%M %p", "05/01/2024 10:11 AM"),
        ("%j %d/%m/%Y", "005 05/01/2024"),
    ],
)
def test_layouts_that_tell_a_day_are_read(tmp_path: Path, layout: str, cell: str) -> None:
    """Each code that is let through is one that the store can read."""
    folder = write(tmp_path, r=readings(ROW.replace("2024-01-05", cell)))
    (folder / "mapping.toml").write_text(f'[dates]\nformat = "{layout}"\n')
    assert load(folder)[1].sessions["performed_on"].cast(pl.String).to_list() == ["2024-01-05"]


@pytest.mark.parametrize(("layout", "cell"), [("%d/%m/%y", "5/1/4"), ("%d/%m/%Y", "5/1/24")])
def test_a_year_has_as_many_digits_as_its_code(tmp_path: Path, layout: str, cell: str) -> None:
    """A year cut short is held back, not taken for another century's."""
    folder = write(tmp_path, r=readings(ROW.replace("2024-01-05", cell)))
    (folder / "mapping.toml").write_text(f'[dates]\nformat = "{layout}"\n')
    assert [column for _, _, column, _ in held(take(folder))] == ["performed_on"]


def test_a_mapping_that_cannot_be_read_is_said(tmp_path: Path) -> None:
    """A folder of its name, deep nesting, two meanings of one header."""
    (tmp_path / "a" / "mapping.toml").mkdir(parents=True)
    with pytest.raises(SourceError, match="cannot be read"):
        read_mapping(tmp_path / "a")
    for number, text in enumerate(("x = " + "[" * 100_000, "x = " + "9" * 5000)):
        folder = write(tmp_path / str(number))
        (folder / "mapping.toml").write_text(text)
        with pytest.raises(SourceError, match="is not TOML"):
            read_mapping(folder)
    folder = write(tmp_path / "two")
    (folder / "mapping.toml").write_text('[columns]\nM = "meter_id"\nm = "vessel_id"\n')
    with pytest.raises(SourceError, match="stands for two columns"):
        read_mapping(folder)


# Kinds of files, and their names


@pytest.mark.parametrize("kind", ["link", "pipe", "device"])
@pytest.mark.parametrize("what", ["source", "store", "file", "mapping"])
def test_links_devices_and_pipes_are_refused(tmp_path: Path, kind: str, what: str) -> None:
    """With a word, and without waiting for what never comes."""
    folder = write(tmp_path / "f", r=readings(ROW))
    place = {
        "source": tmp_path / "odd",
        "store": tmp_path / "odd.duckdb",
        "file": folder / "odd.csv",
        "mapping": folder / "mapping.toml",
    }[what]
    if kind == "pipe":
        os.mkfifo(place)
    elif kind == "link":
        place.symlink_to(folder if what == "source" else folder / "r.csv")
    elif what in {"source", "store"}:
        place = Path("/dev/null")
    else:
        place.symlink_to("/dev/null")
    source = place if what == "source" else folder
    store = place if what == "store" else tmp_path / "s.duckdb"
    with (
        pytest.raises((SourceError, StoreError), match=r"is a (link|pipe|device)"),
        open_store(store, folder=source) as con,
    ):
        take_folder(con, source)


@pytest.mark.parametrize("command", ["review", "intake", "sheet"])
def test_a_link_to_nowhere_is_refused(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    command: str,
) -> None:
    """Like any other link, by whatever command meets it first."""
    folder = write(tmp_path / "f", r=readings(ROW))
    (folder / "lost.csv").symlink_to(folder / "nowhere.csv")
    out = "--store" if command == "intake" else "--out"
    given = ["drift", command, str(folder), out, str(tmp_path / "out")]
    monkeypatch.setattr(sys, "argv", given)
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    assert "lost.csv: is a link" in capsys.readouterr().err


@pytest.mark.parametrize("name", [b"r\xff.csv", b"r\n.csv", b"\x1b[2J.csv", b"r\x9b.csv"])
def test_a_name_that_cannot_be_written_down_is_refused(tmp_path: Path, name: bytes) -> None:
    """In one line, its odd signs as codes."""
    folder = write(tmp_path / "f", r=readings(ROW))
    Path(os.fsdecode(bytes(folder) + b"/" + name)).write_bytes(b"meter_id,site\nA,x\n")
    with pytest.raises(SourceError, match="has a name that") as caught:
        take(folder)
    assert str(caught.value).isprintable()


def test_escapes_in_values_are_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """No value clears a terminal, colours it, turns its writing round or adds a line of its own."""
    odd = "\x1b[2J\u202e\x9b1m"
    folder = write(
        tmp_path / "f",
        a=readings(ROW, f"{odd},2024-13-05,{odd},5{odd},5"),
        b=f"meter_id,site,{odd}\nA-1,{odd},1\n",
        c=f'meter_id,site\nA-1,"x\n{odd}"\n',
    )
    monkeypatch.setattr(sys, "argv", ["drift", "intake", str(folder), "--store", f"{tmp_path}/s"])
    with pytest.raises(SystemExit):
        main()
    told = capsys.readouterr()
    text = (told.out + told.err).replace("\n", "")
    assert not [sign for sign in odd if sign in text and not sign.isprintable()]
    assert "\\x1b[2J" in text


def test_cells_split_at_semicolons_run_nothing() -> None:
    """A formula behind a semicolon, a line break or a quote gets its apostrophe too."""
    cells = ["=1", "a;=1", 'a;"=1', "a\n@x", "a;\t=1", "ok; -0.1 % after", "a=1;b", "x\r+1", "-1"]
    frame = disarmed(pl.DataFrame({"a": cells}))
    assert frame["a"].to_list() == [
        "'=1",
        "a;'=1",
        "a;\"'=1",
        "a\n'@x",
        "a;'\t=1",
        "ok; -0.1 % after",
        "a=1;b",
        "x\r'+1",
        "'-1",
    ]


# A disk that is full at the end


@pytest.mark.parametrize("room", [0, 8_192, 100_000])
def test_a_disk_that_fills_is_said_and_the_store_stays_whole(tmp_path: Path, room: int) -> None:
    """Whether it fills while rows are saved or at the commit: one sentence, and all as before."""
    store = tmp_path / "s.duckdb"
    with open_store(store, folder=tmp_path) as con:
        take_folder(con, write(tmp_path / "a", r=readings(ROW)))
    # Within tolerance: a sentence about each of them would take longest.
    rows = [f"M{k:05},2024-01-05,as_found,5,5.0{k % 10}" for k in range(2_500)]
    folder = write(tmp_path / "b", r=readings(*rows))
    limit = store.stat().st_size + room
    done = run_stopped("full", limit, tmp_path, "intake", folder, "--store", store)
    assert "Traceback" not in done.stderr
    with open_store(store, read_only=True) as con:
        many = read(con).sessions.height
    assert (done.returncode, many) in {(2, 1), (0, 2_501)}
    if done.returncode:
        assert "cannot be written" in done.stderr


def test_the_reader_marks_damage_and_nothing_else(tmp_path: Path) -> None:
    """A lone half of a character is damage; a whole one beyond the plane is none, nor U+FFFF."""
    content = readings(f"{ROW},𝛑", f"{ROW},x", f"{ROW},\uffff", columns="remarks").encode("utf-8")
    assert held(take(write(tmp_path / "whole", r=content))) == []
    half = content.replace("\uffff".encode(), b"\xf0\x9d")
    (found,) = held(take(write(tmp_path / "half", r=half)))
    assert found[1] == 4
    assert "damaged" in found[3]
