"""What may be wrong with a file as a whole, its encoding, its lines and its header."""

from pathlib import Path

import polars as pl
import pytest

from drift.errors import SourceError
from drift.intake.encoding import fingerprint
from drift.intake.mapping import read_mapping
from drift.intake.records import FileRecord, first_record
from drift.store import saving
from drift.store.loading import take_folder
from drift.store.opening import open_store
from tests.csv_folders import HEADER, counts, held, load, readings, take, write

ROW = "A-1,2024-01-05,as_found,5,5.1"
SECOND = "A-1,2024-01-05,as_found,5,5.2"
REMARKED = f"{HEADER},remarks\n"


def biases(folder: Path) -> list[float]:
    (session,) = load(folder)[1].sessions.iter_rows(named=True)
    return list(session["biases_pct"])


@pytest.mark.parametrize(
    "content",
    [
        readings(ROW, SECOND),
        readings(ROW, SECOND).rstrip("\n"),
        "\ufeff" + readings(ROW, SECOND),
        readings(ROW, SECOND).replace("\n", "\r\n"),
        readings(ROW, SECOND).replace("\n", "\r"),
        readings(ROW, SECOND).replace("\n", "\r\n", 1),
        readings(ROW, SECOND).replace("\n", "\r", 1),
        "\n \n" + readings(ROW, "", SECOND, ",,,,", " , ,,,", ""),
        readings(ROW, SECOND).replace(",", ";"),
        readings(ROW, SECOND).replace(",", "\t"),
        readings(ROW, SECOND).replace(",", " , "),
        readings(ROW, SECOND).replace(",", ",\u00a0").replace("\n", "\u00a0\n"),
        readings(ROW, SECOND).replace(",", "\u200b,").replace("\n", "\u2060\n"),
        readings('"A-1","2024-01-05",as_found,"5",5.1', SECOND),
        readings(ROW, SECOND).replace(",", ";").replace("5.1", "5,1").replace("5.2", "5,2"),
        readings(ROW, SECOND).replace(",", ";").replace("5.1", '"5,1"').replace("5.2", "+5,20"),
        readings(ROW, SECOND).upper().replace("AS_FOUND", "as_found"),
    ],
)
def test_forms_of_one_file_say_the_same(tmp_path: Path, content: str) -> None:
    """Line endings, byte order mark, blanks, delimiters and quotes change no value."""
    assert biases(write(tmp_path, r=content)) == [0.1, 0.2]


@pytest.mark.parametrize("order", ["utf-16", "utf-16-le", "utf-16-be"])
def test_utf_16_is_read_by_its_byte_order_mark(tmp_path: Path, order: str) -> None:
    """A spreadsheet's "Unicode text" is read."""
    mark = "" if order == "utf-16" else "\ufeff"
    assert biases(write(tmp_path, r=(mark + readings(ROW, SECOND)).encode(order))) == [0.1, 0.2]


def test_utf_16_without_a_mark_is_refused(tmp_path: Path) -> None:
    """Bytes that are no text in any encoding that is told are held back with the remedy."""
    folder = write(tmp_path, a=readings(ROW), b=readings(ROW).encode("utf-16-le"))
    why = "is not text: it holds NUL bytes throughout; save it as CSV in UTF-8"
    assert held(take(folder)) == [("b.csv", 1, "", why)]


@pytest.mark.parametrize(
    ("encoding", "name", "known_as"),
    [("cp1252", "Ürsel “Q”", "cp1252"), ("latin-1", "é \x81", "latin-1"), ("utf-8", "Ü", "utf-8")],
)
def test_western_text_is_read_and_said(
    tmp_path: Path, encoding: str, name: str, known_as: str
) -> None:
    """Text that is not UTF-8 is read as Western, and the list of files says so."""
    folder = write(tmp_path, r=(REMARKED + ROW + "," + name + "\n").encode(encoding))
    summary, sources = load(folder)
    assert fingerprint(folder / "r.csv").encoding == known_as
    assert sources.sessions["remarks"].to_list() == [name]
    assert ("Windows-1252" in summary.files["note"][0]) == (encoding != "utf-8")


@pytest.mark.parametrize("quote", ["", '"'])
@pytest.mark.parametrize("stray", [b"\xe9", b"\x81"])
def test_a_mark_of_utf_8_before_other_bytes_hides_no_column(
    tmp_path: Path, quote: str, stray: bytes
) -> None:
    """A file marked UTF-8 that is not UTF-8 is read as Western, its first column by its name."""
    header = ",".join(f"{quote}{name}{quote}" for name in REMARKED.strip().split(","))
    text = "\ufeff" + header + "\n" + ROW + ","
    summary, sources = load(write(tmp_path, r=text.encode() + stray + b"\n"))
    assert held(summary) == []
    assert sources.sessions["remarks"].to_list() == [stray.decode("latin-1")]
    assert "Windows-1252" in summary.files["note"][0]


def test_an_encoding_is_told_across_the_seams_of_reading(tmp_path: Path) -> None:
    """A character cut in two by a block of reading is still UTF-8, and a lone half is not."""
    filler = REMARKED + (ROW + ",x\n") * ((1 << 22) // 32)
    cut = filler.encode()[: (1 << 22) - 1]
    whole = tmp_path / "whole.csv"
    whole.write_bytes(cut + "é\n".encode())
    half = tmp_path / "half.csv"
    half.write_bytes(cut + "é".encode()[:1] + b"\n")
    assert fingerprint(whole).encoding == "utf-8"
    assert fingerprint(half).encoding == "cp1252"


def test_lines_that_cannot_be_split_are_held_back_by_true_line(tmp_path: Path) -> None:
    """Each bad line is named by the number an editor shows, quoted newlines and blanks counted."""
    text = "\n".join(
        [
            f"{HEADER},remarks",
            f'{ROW},"two',
            'lines, and ""more"""',
            "",
            "A-1,2024-01-05,as_found,5",
            f"{ROW},x,y",
            f'{ROW},"never closed',
            f"{ROW},a NUL \0 here",
            f'{ROW},"closed" too early',
            f'{ROW},a 5" vessel',
            f"{SECOND},last",
            "",
        ]
    )
    summary, sources = load(write(tmp_path, r=text))
    assert held(summary) == [
        ("r.csv", 5, "", "has 4 cells where the header has 6"),
        ("r.csv", 6, "", "has 7 cells where the header has 6"),
        ("r.csv", 7, "", "a quote opened on this line is not closed where its cell ends"),
        ("r.csv", 8, "", "holds a NUL character: the file is damaged here"),
        ("r.csv", 9, "", "its quotes are wrong (',' expected after '\"')"),
    ]
    assert counts(summary) == {"r.csv": (8, 3, 5, 0, 0)}
    (session,) = sources.sessions.iter_rows(named=True)
    assert session["biases_pct"] == [0.1, 0.1, 0.2]
    assert session["remarks"] == 'a 5" vessel + last + two\nlines, and "more"'


@pytest.mark.parametrize("rows_between", [0, 1, 150, 300])
def test_a_stray_quote_swallows_no_rows(tmp_path: Path, rows_between: int) -> None:
    """Two stray quotes with whole rows between them cost two lines, however far apart."""
    between = [f"{ROW},fine"] * rows_between
    text = "\n".join([f"{HEADER},remarks", f'{ROW},"stray', *between, f'{ROW},stray"', ""])
    summary, sources = load(write(tmp_path, r=text))
    assert [line for _, line, _, _ in held(summary)] == [2]
    assert sources.sessions["replicates"].to_list() == [rows_between + 1]


def test_a_quote_never_closed_costs_its_line_alone(tmp_path: Path) -> None:
    """The rows below an open quote are read."""
    text = "\n".join([f"{HEADER},remarks", f'"{ROW},open', *[f"{ROW},fine"] * 1000, ""])
    summary, sources = load(write(tmp_path, r=text))
    assert [line for _, line, _, _ in held(summary)] == [2]
    assert sources.sessions["replicates"].to_list() == [1000]


@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_records_know_their_lines(tmp_path: Path, mark: str, ending: str) -> None:
    """The line of a record is that of its first line, whatever came before."""
    lines = [
        f"{HEADER},remarks",
        f'{ROW},"1',
        '2"',
        "",
        f"{ROW},3",
        f'{ROW},"4""',
        '"',
        f'{ROW},"""5"" ',
        "",
        '"',
        'A-1,2024-01-05,as_found,5,5.1,"6""7"',
    ]
    text = ending.join(line.replace(",", mark) for line in lines)
    with open_store(None) as con:
        assert held(take_folder(con, write(tmp_path, r=text))) == []
        rows = con.execute("select line, remarks from readings order by line").fetchall()
    assert rows == [(2, "1\n2"), (5, "3"), (6, '4"'), (8, '"5"'), (11, '6"7')]


def test_a_record_within_a_record_begins_none(tmp_path: Path) -> None:
    """Of records of several lines that overlap, the first is one, and what follows it."""
    text = "\n".join(["meter_id,site", *[f'",{number}' for number in range(5)], '"x",y', ""])
    with open_store(None) as con:
        summary = take_folder(con, write(tmp_path, m=text, r=readings(ROW)))
        rows = con.execute("select line, meter_id, site from meters order by line").fetchall()
    assert rows == [(2, ",0", "1"), (4, ",2", "3"), (7, "x", "y")]
    assert [(line, why[:7]) for _, line, _, why in held(summary)] == [(6, "a quote")]


@pytest.mark.parametrize(
    ("content", "found"),
    [
        ("\n ,\na, b\n", FileRecord(3, 3, ("a", "b"))),
        ('"a\nb",c\r1,2', FileRecord(1, 2, ("a\nb", "c"))),
        ('\n"a', FileRecord(2, 2, (), "a quote opened on this line is not closed")),
        ('"a\nb"c,d\n', FileRecord(1, 1, (), "a quote opened on this line is not closed")),
        ('"a"b,c\n', FileRecord(1, 1, (), "its quotes are wrong")),
        ("a\0,b\n", FileRecord(1, 1, ("a\0", "b"), "holds a NUL character")),
        ("\n\n", None),
    ],
)
def test_a_header_is_the_first_record(content: str, found: FileRecord | None) -> None:
    """Its lines are counted, and what is wrong with it is said."""
    record = first_record(content.splitlines(keepends=True), delimiter=",")
    if found is None or record is None:
        assert record is found
        return
    assert (record.line, record.end, record.cells) == (found.line, found.end, found.cells)
    assert record.problem.startswith(found.problem)
    assert bool(record.problem) == bool(found.problem)


@pytest.mark.parametrize(
    ("content", "lines", "as_it_is"),
    [
        (b"a,b\n1,2\n3,4", 3, True),
        (b"a,b\n1,2\r\n3,4\n", 3, False),
        (b"a,b\r\n1,2\r\n\r\n", 3, True),
        (b"a,b\r1,2\r\r3,4", 4, True),
        (b"a,b\r1,2\n", 2, False),
        (b"\xef\xbb\xbfa,b\n\n\n", 3, True),
        (b"a,b\n1,\xe9\n", 2, False),
        (b"", 0, True),
        pytest.param(b"x" * ((1 << 20) - 1) + b"\r\n" + b"y", 2, True, id="seam"),
    ],
)
def test_lines_are_counted_as_the_library_reads_them(
    tmp_path: Path, content: bytes, lines: int, as_it_is: bool
) -> None:
    """Only text in UTF-8 with one kind of line ending is read without a decoded copy."""
    path = tmp_path / "x.csv"
    path.write_bytes(content)
    found = fingerprint(path)
    assert (found.lines, found.is_read_as_it_is) == (lines, as_it_is)


def test_a_long_line_is_read(tmp_path: Path) -> None:
    """A remark of 3 MiB is a remark."""
    folder = write(tmp_path, r=f"{HEADER},remarks\n{SECOND},\n{ROW},{'x' * (3 << 20)}\n")
    with open_store(None) as con:
        take_folder(con, folder)
        long = con.execute("select line, length(remarks) from readings where line = 3").fetchall()
    assert long == [(3, 3 << 20)]


def test_files_of_many_forms_mix(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Files come in any order and encoding, one a batch or many, good rows and bad."""
    bad = "A-1,2024-01-05,as_left,5,x"
    large = [f"B-{k},2024-01-05,as_found,5,5.1" for k in range(20)]
    folder = write(
        tmp_path,
        a=readings(ROW, bad),
        b=readings(*large, bad).encode("utf-16"),
        c=readings(SECOND, bad).replace("\n", "\r\n", 1),
        d=readings(*large, bad, large[0]),
        e="meter_id,status\nA-1,lost\n",
    )
    for size in (1, 400, 1 << 20):
        monkeypatch.setattr(saving, "BATCH_BYTES", size)
        summary, sources = load(folder)
        assert [(file, line) for file, line, _, _ in held(summary)] == [
            ("a.csv", 3),
            ("b.csv", 22),
            ("c.csv", 3),
            ("d.csv", 22),
            ("e.csv", 2),
        ]
        assert counts(summary)["d.csv"] == (22, 1, 1, 20, 0)
        assert sources.sessions.height == 21


def test_files_in_batches_are_read_as_together(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Replicates are numbered and bad lines held back across the seams of reading."""
    rows = [f"A,2024-01-05,as_found,5,{'x' if k % 7 == 3 else 5 + k / 1000}" for k in range(50)]
    folder = write(tmp_path, a=readings(*rows), b=readings(*rows, ROW + ",2"))
    whole = load(folder)
    monkeypatch.setattr(saving, "BATCH_BYTES", 5)
    in_parts = load(folder)
    assert held(in_parts[0]) == held(whole[0])
    assert counts(in_parts[0]) == counts(whole[0])
    assert counts(whole[0]) == {"a.csv": (50, 43, 7, 0, 0), "b.csv": (51, 0, 8, 43, 0)}
    assert in_parts[1].sessions.equals(whole[1].sessions)


def test_tables_are_known_by_their_headers(tmp_path: Path) -> None:
    """File names say nothing; several files may hold one table; columns come in any order."""
    folder = write(
        tmp_path,
        one=readings(ROW),
        two="reading_air_pct,stage,meter_id,correct_air_pct,performed_on\n4.9,as_left,A-1,5,2024-01-06\n",
        readings="meter_id,performed_on,mark,action\nA-1,2024-01-05,-1.5,verified\n",
        x="meter_id,performed_on,action\nA-1,2024-01-05,hand_reset\n",
        y="Vessel_ID,calibrated_on,air_pct\nV-1,2024-01-01,5.02\n",
        z="meter_id,site\nA-1,north\n",
        v="test_id,meter_id,tested_on,air_pct\nT-1,A-1,2024-01-07,6.1\n",
        w="signal_id,recorded_on,finding,action,recorded_by\ns,2024-01-07,f,a,who\n",
    )
    summary, sources = load(folder)
    assert dict(zip(summary.files["file"], summary.files["table_name"], strict=True)) == {
        "one.csv": "readings",
        "readings.csv": "marks",
        "two.csv": "readings",
        "v.csv": "field_tests",
        "w.csv": "responses",
        "x.csv": "service",
        "y.csv": "vessels",
        "z.csv": "meters",
    }
    assert sources.sessions.height == 2
    assert sources.marks["mark"].to_list() == [-1.5]
    assert sources.service["action"].to_list() == ["hand_reset"]
    assert sources.vessels["air_pct"].to_list() == [5.02]
    assert sources.meters["site"].to_list() == ["north"]
    assert sources.field_tests["air_pct"].to_list() == [6.1]
    assert sources.responses["finding"].to_list() == ["f"]


def test_files_that_hold_no_table_are_passed_over_with_a_note(tmp_path: Path) -> None:
    """Nothing is dropped without a word: each file of the folder is listed."""
    folder = write(
        tmp_path,
        a=readings(ROW),
        b="",
        c="\n\n",
        d=readings(),
        e="day,price\n1,2\n",
        f=readings(f"{ROW},x,y,z", columns="colour,Water temp °C,"),
    )
    (folder / "notes.txt").write_text("no table")
    (folder / "deeper").mkdir()
    (folder / "deeper" / "g.csv").write_text("not looked at")
    summary = take(folder)
    assert dict(zip(summary.files["file"], summary.files["note"], strict=True)) == {
        "a.csv": "",
        "b.csv": "is empty",
        "c.csv": "is empty",
        "d.csv": "has a header but no rows",
        "e.csv": "passed over: its header fits no input table",
        "f.csv": "columns ignored: 'colour', 'Water temp °C' (meant water_temp_c?)",
    }
    assert held(summary) == []


def test_a_header_that_cannot_be_used_holds_its_file_back(tmp_path: Path) -> None:
    """A column twice, or a required one missing, is named; no row of the file is guessed at."""
    folder = write(
        tmp_path,
        a=readings(ROW),
        b=f"{HEADER}, Meter_ID \n{ROW},A-2\n{ROW},A-3\n",
        c="meter_id,performed_on,reading_air_pct\nA-1,2024-01-05,5\n",
        d="meter_id,performed_on,mark_unit,zero_reading_pct,action\nA-1,2024-01-05,kpa,0,verified\n",
    )
    summary = take(folder)
    assert held(summary) == [
        ("b.csv", 1, "meter_id", "is in the header more than once: no row can be used"),
        (
            "c.csv",
            1,
            "stage, correct_air_pct",
            "is not in the header, which looks like readings: no row can be used",
        ),
        ("d.csv", 1, "mark", "is not in the header, which looks like marks: no row can be used"),
    ]
    assert counts(summary) == {
        "a.csv": (1, 1, 0, 0, 0),
        "b.csv": (2, 0, 2, 0, 0),
        "c.csv": (1, 0, 1, 0, 0),
        "d.csv": (1, 0, 1, 0, 0),
    }


def test_a_mapping_file_names_columns_and_the_layout_of_dates(tmp_path: Path) -> None:
    """What a laboratory declares is followed; an ISO date stays one."""
    text = "METER NO.,Date,stage,correct_air_pct,reading_air_pct\n"
    folder = write(tmp_path, r=f"{text}7,31/01/2024,as_found,5,5\n7,2024-02-01,as_left,5,5\n")
    (folder / "mapping.toml").write_text(
        '[dates]\nformat = "%d/%m/%Y"\n'
        '[columns]\n"Meter no." = "meter_id"\n"date" = "performed_on"\n'
    )
    summary, sources = load(folder)
    assert held(summary) == []
    assert sources.sessions["performed_on"].cast(pl.String).to_list() == [
        "2024-01-31",
        "2024-02-01",
    ]


def test_a_declared_layout_like_iso_is_the_only_one(tmp_path: Path) -> None:
    """Year, day, month in ISO's dress is not mixed with ISO."""
    folder = write(tmp_path, r=readings("A,2024-31-01,as_found,5,5", "A,2024-01-31,as_found,5,5"))
    (folder / "mapping.toml").write_text('[dates]\nformat = "%Y-%d-%m"\n')
    summary = take(folder)
    why = "'2024-01-31' is not a date in the layout %Y-%d-%m that mapping.toml declares"
    assert held(summary) == [("r.csv", 3, "performed_on", why)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[dates", "is not TOML"),
        ("[words]\n", "unknown section or key 'words'"),
        ("dates = 1\n", "unknown section or key 'dates'"),
        ("[dates]\nlayout = 1\n", "something other than a format"),
        ('[dates]\nformat = "%d.%m."\n', "does not tell a day"),
        ('[dates]\nformat = "%d/%m/%Q%Y"\n', "does not tell a day"),
        ('[columns]\n"Meter" = "meterid"\n', "is no column of an input table"),
        ("[columns]\nMeter = 3\n", "is no column of an input table"),
    ],
)
def test_a_mapping_that_cannot_be_meant_is_refused(tmp_path: Path, text: str, said: str) -> None:
    """The mapping file is checked before any row is read."""
    (tmp_path / "mapping.toml").write_text(text)
    with pytest.raises(SourceError, match=said):
        read_mapping(tmp_path)


def test_a_mapping_error_suggests_the_column_that_was_meant(tmp_path: Path) -> None:
    """A slip in a column's name is answered with the nearest name."""
    (tmp_path / "mapping.toml").write_text('[columns]\n"Meter" = "meterid"\n')
    with pytest.raises(SourceError) as caught:
        read_mapping(tmp_path)
    assert caught.value.hint == "did you mean 'meter_id'?"


def test_a_folder_that_cannot_be_used_is_said_in_one_sentence(tmp_path: Path) -> None:
    """No folder, a file, no CSV file: each its own words."""
    with pytest.raises(SourceError, match=r"nowhere: does not exist; expected a folder of CSV"):
        take(tmp_path / "nowhere")
    with pytest.raises(SourceError, match=r"holds no CSV file"):
        take(write(tmp_path / "empty"))
    file = write(tmp_path / "full", r=readings(ROW)) / "r.csv"
    with pytest.raises(SourceError, match=r"r\.csv: is a file; expected a folder") as caught:
        take(file)
    assert str(tmp_path / "full") in caught.value.hint


def test_a_folder_without_readings_names_the_closest_file(tmp_path: Path) -> None:
    """What was seen, what a table of readings needs, and what the closest file lacks."""
    folder = write(
        tmp_path / "a", m="meter_id,site\nA,x\n", n="meter_id,performed_on,stage,vessel_id\n"
    )
    with pytest.raises(SourceError, match=r"no table of readings .*\(m\.csv, n\.csv\)") as caught:
        take(folder)
    assert caught.value.hint == "n.csv comes closest, but lacks correct_air_pct, reading_air_pct"
    with pytest.raises(SourceError) as caught:
        take(write(tmp_path / "b", m="meter_id,site\nA,x\n"))
    assert "the columns meter_id, performed_on" in caught.value.expected
    assert "mapping.toml" in caught.value.hint
    with pytest.raises(SourceError) as caught:
        take(write(tmp_path / "c", r=f"{HEADER},stage\n{ROW},as_left\n"))
    assert "r.csv comes closest: held back whole: stage is in the header" in caught.value.hint


def test_files_are_taken_in_the_order_of_their_names(tmp_path: Path) -> None:
    """The order does not hang on the disk, and the case of the ending does not matter."""
    folder = write(tmp_path, b=readings(ROW), a=readings(SECOND))
    (folder / "C.CSV").write_text(readings(ROW))
    summary = take(folder)
    assert summary.files["file"].to_list() == ["C.CSV", "a.csv", "b.csv"]
