"""What the store keeps, how it takes the same and changed rows, and what it hands out."""

import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import duckdb
import polars as pl
import pytest

from drift import folders
from drift.errors import StoreError
from drift.intake.column import Column
from drift.intake.columns import IN_ORDER, TABLES
from drift.store import connection, opening
from drift.store.connection import Connection, frame, run
from drift.store.journal import Draft, Signed
from drift.store.loading import take_folder
from drift.store.opening import open_store
from drift.store.tables import AMENDMENTS, FILES, HELD_BACK, SESSIONS
from tests.csv_folders import KEYS, counts, held, load, read, readings, take, write

ROWS = (
    "A,2024-01-05,as_found,5,5.1",
    "A,2024-01-05,as_found,5,5.1",
    "A,2024-01-05,as_left,5,5.0",
    "B,2024-02-05,as_found,9.98,9.9",
)
MARKS = "meter_id,performed_on,mark,zero_reading_pct,action\n"
HOLD = """
import sys, time
from pathlib import Path
from drift.store.opening import open_store
con = open_store(Path(sys.argv[1]))
print("open", flush=True)
time.sleep(float(sys.argv[2]))
con.close()
"""
TAKE = """
import sys, time
from pathlib import Path
from drift.store.loading import take_folder
from drift.store.opening import open_store

def told(name, done, total):
    print(name, flush=True)
    time.sleep(float(sys.argv[3]))

store, folder = map(Path, sys.argv[1:3])
take_folder(open_store(store, folder=folder), folder, progress=told)
print("done", flush=True)
"""


@pytest.fixture
def con() -> Iterator[Connection]:
    with open_store(None) as store:
        yield store


def values(store: Connection) -> list[tuple[str, str, list[float]]]:
    sessions = read(store).sessions
    return sessions.select("meter_id", "stage", "biases_pct").rows()


# Opening


def test_a_store_file_says_what_its_folder_says(tmp_path: Path) -> None:
    """Made, closed, opened for reading twice at once: the same frames as from memory."""
    folder = write(tmp_path / "f", r=readings(*ROWS, "B,2024-02-05,as_found,9.98,x"))
    path = tmp_path / "s.duckdb"
    with open_store(path, folder=tmp_path) as store:
        take_folder(store, folder)
    with open_store(path, read_only=True) as one, open_store(path, read_only=True) as two:
        from_memory = load(folder)[1]
        for store in (one, two):
            found = read(store)
            assert found.sessions.equals(from_memory.sessions)
            assert found.held_back.equals(from_memory.held_back)
            assert found.files.equals(from_memory.files)


@pytest.mark.parametrize("name", ["r.csv", "r.parquet", "r.json", "r.duckdb"])
def test_a_table_in_a_file_is_no_store_under_any_name(tmp_path: Path, name: str) -> None:
    """The library would open some as a view in memory, and what is loaded would be lost."""
    path = tmp_path / name
    path.write_text(readings(*ROWS), encoding="utf-8")
    for read_only in (True, False):
        with pytest.raises(StoreError, match="is not a store"):
            open_store(path, read_only=read_only)
    assert path.read_text(encoding="utf-8") == readings(*ROWS)


def test_a_name_that_means_memory_to_the_library_is_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is loaded into a store is in its file, whatever that is called."""
    monkeypatch.chdir(tmp_path)
    folder = write(tmp_path / "f", r=readings(*ROWS))
    with open_store(Path(":memory:"), folder=tmp_path) as store:
        take_folder(store, folder)
    with open_store(Path(":memory:"), read_only=True) as store:
        assert read(store).sessions.equals(load(folder)[1].sessions)


def test_what_is_no_store_is_said_and_left_alone(tmp_path: Path) -> None:
    """A text file, a folder, a missing file, a foreign database: one clear sentence each."""
    text = tmp_path / "text.duckdb"
    text.write_text("meter_id\nA\n" * 1000)
    with pytest.raises(StoreError, match=r"text\.duckdb: is not a store; expected a file made by"):
        open_store(text)
    assert text.read_text().startswith("meter_id\n")
    with pytest.raises(StoreError, match="is a folder"):
        open_store(tmp_path)
    with pytest.raises(StoreError, match="does not exist"):
        open_store(tmp_path / "none.duckdb", read_only=True)
    assert not (tmp_path / "none.duckdb").exists()
    with pytest.raises(StoreError, match="cannot be made: its folder does not exist"):
        open_store(tmp_path / "none" / "s.duckdb")
    foreign = tmp_path / "foreign.duckdb"
    with duckdb.connect(str(foreign)) as other:
        other.execute("create table t (x integer)")
    with pytest.raises(StoreError, match="is a database but not a store"):
        open_store(foreign)
    empty = tmp_path / "empty.duckdb"
    duckdb.connect(str(empty)).close()
    with pytest.raises(StoreError, match="is a database but not a store"):
        open_store(empty, read_only=True)


def test_a_store_of_another_version_is_refused(tmp_path: Path) -> None:
    """A store of a later form is neither read nor changed."""
    path = tmp_path / "s.duckdb"
    with open_store(path, folder=tmp_path) as store:
        store.execute("update store_info set schema_version = 99")
    with pytest.raises(StoreError, match="has version 99; expected a store of version 4") as caught:
        open_store(path)
    assert "newer drift" in caught.value.hint


def held_open(path: Path, seconds: float) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path), str(seconds)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "open\n"
    return process


def test_a_store_in_use_is_waited_for_and_then_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The process that has it is named; where it ends in time nothing is said."""
    path = tmp_path / "s.duckdb"
    monkeypatch.setattr(opening, "LOCK_PATIENCE_S", 0.2)
    with held_open(path, 60.0) as process:
        try:
            for read_only in (False, True):
                with pytest.raises(StoreError, match=f"is in use by process {process.pid}"):
                    open_store(path, read_only=read_only)
        finally:
            process.kill()
    monkeypatch.setattr(opening, "LOCK_PATIENCE_S", 20.0)
    with held_open(path, 0.3), open_store(path) as store:
        assert read(store).sessions.is_empty()


def test_one_process_cannot_open_a_store_in_two_ways(tmp_path: Path) -> None:
    """Writing and reading at once is refused with a sentence, not a traceback of the library."""
    path = tmp_path / "s.duckdb"
    with open_store(path), pytest.raises(StoreError, match=r"s\.duckdb: cannot be opened"):
        open_store(path, read_only=True)


# The same row again


def test_loading_the_same_folder_twice_adds_nothing(tmp_path: Path, con: Connection) -> None:
    """Every frame is as it was, and every row is told to be known."""
    text = readings(*ROWS, "B,2024-02-05,as_found,9.98,x", ROWS[3], columns="")
    folder = write(tmp_path, r=text, m=MARKS + "A,2024-01-05,-1.5,0.0,verified\n")
    take_folder(con, folder)
    before = read(con)
    again = take_folder(con, folder)
    after = read(con)
    assert counts(again) == {"m.csv": (1, 0, 0, 1, 0), "r.csv": (6, 0, 1, 5, 0)}
    assert held(again) == [("r.csv", 6, "reading_air_pct", "'x' is not a number")]
    for name in ("sessions", "marks", "held_back", "amendments", "files"):
        assert getattr(before, name).equals(getattr(after, name))
    assert con.execute("select count(*) from loads").fetchall() == [(1,)]


def test_a_longer_export_adds_its_new_rows_alone(tmp_path: Path, con: Connection) -> None:
    """Equal readings in one file are replicates; the same ones in a later file are known."""
    take_folder(con, write(tmp_path / "one", r=readings(*ROWS)))
    longer = write(tmp_path / "two", r=readings(*ROWS, ROWS[0], "C,2024-03-05,as_found,5,5"))
    assert counts(take_folder(con, longer)) == {"r.csv": (6, 2, 0, 4, 0)}
    assert values(con) == [
        ("A", "as_found", [0.1, 0.1, 0.1]),
        ("A", "as_left", [0.0]),
        ("B", "as_found", [-0.08]),
        ("C", "as_found", [0.0]),
    ]


def test_the_same_rows_in_two_files_are_known(tmp_path: Path, con: Connection) -> None:
    """Overlapping files of one folder do not double the readings, nor do copies of a file."""
    one, two = readings(*ROWS[:3]), readings(*ROWS)
    folder = write(tmp_path, a=one, b=two, c=two + "\n", d=one)
    summary = take_folder(con, folder)
    assert counts(summary) == {
        "a.csv": (3, 3, 0, 0, 0),
        "b.csv": (4, 1, 0, 3, 0),
        "c.csv": (4, 0, 0, 4, 0),
        "d.csv": (3, 0, 0, 3, 0),
    }
    assert summary.files["note"].to_list() == ["", "", "", "same content as a.csv"]
    assert values(con)[0] == ("A", "as_found", [0.1, 0.1])
    assert read(con).files.equals(summary.files)


def test_a_numbered_row_twice_in_one_file_is_held_back(tmp_path: Path, con: Connection) -> None:
    """Where replicates are numbered, the same number and value again is a slip."""
    rows = [f"{row},{n}" for row, n in zip(ROWS, (1, 2, 1, 1), strict=True)]
    folder = write(tmp_path, r=readings(*rows, rows[1], rows[1], columns="replicate"))
    summary = take_folder(con, folder)
    assert held(summary) == [("r.csv", 6, "", "repeats line 3"), ("r.csv", 7, "", "repeats line 3")]
    assert counts(summary) == {"r.csv": (6, 4, 2, 0, 0)}
    longer = write(
        tmp_path / "x", r=readings(*rows, "A,2024-01-05,as_left,5,5,2", columns="replicate")
    )
    assert counts(take_folder(con, longer)) == {"r.csv": (5, 1, 0, 4, 0)}


def test_rows_of_other_tables_twice_in_one_file_are_held_back(
    tmp_path: Path, con: Connection
) -> None:
    """A mark, a meter or a service written twice says nothing new."""
    mark, meter = "A,2024-01-05,-1.5,,verified", "A,north"
    folder = write(
        tmp_path,
        r=readings(*ROWS),
        m=f"{MARKS}{mark}\n{mark}\n",
        s=f"meter_id,site\n{meter}\nB,south\n{meter}\n",
    )
    assert held(take_folder(con, folder)) == [
        ("m.csv", 3, "", "repeats line 2"),
        ("s.csv", 4, "", "repeats line 2"),
    ]


def test_unnumbered_readings_follow_the_numbered_ones(tmp_path: Path) -> None:
    """A file that numbers some replicates only loses none of the others."""
    rows = [
        "A,2024-01-05,as_found,5,5.2,",
        "A,2024-01-05,as_found,5,5.0,1",
        "A,2024-01-05,as_found,5,5.1,2",
    ]
    summary, sources = load(write(tmp_path, r=readings(*rows, columns="replicate")))
    assert counts(summary) == {"r.csv": (3, 3, 0, 0, 0)}
    assert sources.sessions["biases_pct"].to_list() == [[0.0, 0.1, 0.2]]


# Amendments


def test_a_changed_value_amends_and_the_old_one_stays(tmp_path: Path, con: Connection) -> None:
    """One row per changed column, with where both values stand; nothing is overwritten."""
    take_folder(con, write(tmp_path / "one", r=readings(*ROWS)))
    changed = (*ROWS[:2], "A,2024-01-05,as_left,5.02,4.9", ROWS[3])
    summary = take_folder(con, write(tmp_path / "two", s=readings(*changed)))
    assert counts(summary) == {"s.csv": (4, 1, 0, 3, 1)}
    key = "A · 2024-01-05 · 2024-01-05 · as_left · 5 · 1"
    wanted = [
        ("readings", key, "correct_air_pct", "5", "5.02", "one/r.csv", 4, "two/s.csv", 4),
        ("readings", key, "reading_air_pct", "5", "4.9", "one/r.csv", 4, "two/s.csv", 4),
    ]
    assert summary.amendments.rows() == wanted
    assert read(con).amendments.rows() == wanted
    assert values(con)[1] == ("A", "as_left", [-0.12])
    assert con.execute("select count(*) from readings").fetchall() == [(5,)]


def test_amendments_chain_and_versions_count(tmp_path: Path, con: Connection) -> None:
    """Three loads and two lines of one file: five forms of a row, each but the last set aside."""
    take_folder(con, write(tmp_path / "a", r=readings(*ROWS), v=vessels("5.00")))
    take_folder(con, write(tmp_path / "b", v=vessels("5.01", "5.02")))
    take_folder(con, write(tmp_path / "c", v=vessels("5.000")))
    take_folder(con, write(tmp_path / "d", v=vessels("5.00", "5.04")))
    assert read(con).vessels["air_pct"].to_list() == [5.04]
    amended = read(con).amendments
    assert amended.select("old_value", "new_value", "new_file", "new_line").rows() == [
        ("5", "5.01", "b/v.csv", 2),
        ("5.01", "5.02", "b/v.csv", 3),
        ("5.02", "5", "c/v.csv", 2),
        ("5", "5.04", "d/v.csv", 3),
    ]
    aside = con.execute("select count(*) from changes where not in_force").fetchone()
    assert aside == (4,)


def vessels(*contents: str) -> str:
    rows = "".join(f"V,2024-01-01,{content}\n" for content in contents)
    return f"vessel_id,calibrated_on,air_pct\n{rows}"


def test_a_longer_export_of_an_amended_file_does_not_amend_back(
    tmp_path: Path, con: Connection
) -> None:
    """Where a file says A, then B, its longer export says nothing new up to B."""
    take_folder(con, write(tmp_path / "a", r=readings(*ROWS), v=vessels("5.00", "5.02")))
    longer = vessels("5.00", "5.02") + "W,2024-01-01,9.9\n"
    summary = take_folder(con, write(tmp_path / "b", v=longer))
    assert counts(summary) == {"v.csv": (3, 1, 0, 2, 0)}
    assert read(con).vessels["air_pct"].to_list() == [5.02, 9.9]


def test_an_old_file_loaded_again_changes_nothing(tmp_path: Path, con: Connection) -> None:
    """The same bytes under another name or folder are known, whatever was amended since."""
    take_folder(con, write(tmp_path / "a", r=readings(*ROWS), v=vessels("5.00")))
    take_folder(con, write(tmp_path / "b", v=vessels("5.02")))
    summary = take_folder(con, write(tmp_path / "c", w=vessels("5.00")))
    assert counts(summary) == {"w.csv": (1, 0, 0, 1, 0)}
    assert read(con).vessels["air_pct"].to_list() == [5.02]


def test_putting_a_held_back_row_right_amends_nothing(tmp_path: Path, con: Connection) -> None:
    """Held back readings keep their number, so that their correction is a new row and no more."""
    rows = [
        "A,2024-01-05,as_found,5,5.0",
        'A,2024-01-05,as_found,5,"5,1"',
        "A,2024-01-05,as_found,5,5.2",
    ]
    folder = tmp_path / "export"
    summary = take_folder(con, write(folder, r=readings(*rows)))
    assert counts(summary) == {"r.csv": (3, 2, 1, 0, 0)}
    rows[1] = "A,2024-01-05,as_found,5,5.1"
    summary = take_folder(con, write(folder, r=readings(*rows)))
    assert counts(summary) == {"r.csv": (3, 1, 0, 2, 0)}
    found = read(con)
    assert found.sessions["biases_pct"].to_list() == [[0.0, 0.1, 0.2]]
    assert found.amendments.is_empty()
    assert found.held_back.is_empty()
    assert found.files["held_back"].to_list() == [1, 0]


def test_held_back_rows_stay_listed_until_their_file_comes_again(
    tmp_path: Path, con: Connection
) -> None:
    """A file of the same name that lacks what the first one gave is another file."""
    bad = "A,2024-01-06,as_found,5,x"
    take_folder(con, write(tmp_path / "q1" / "export", r=readings(*ROWS, bad)))
    take_folder(
        con,
        write(
            tmp_path / "q2" / "export",
            r=readings("Z,2024-05-05,as_found,5,y", "Z,2024-05-05,as_found,5,5"),
        ),
    )
    assert read(con).held_back["line"].to_list() == [2, 6]
    take_folder(
        con, write(tmp_path / "q1" / "export", r=readings(*ROWS, bad, "A,2024-01-07,as_found,5,5"))
    )
    assert read(con).held_back["line"].to_list() == [2, 6]
    moved = readings(*ROWS, "A,2024-01-07,as_found,5,5", bad)
    take_folder(con, write(tmp_path / "q1" / "export", r=moved))
    assert read(con).held_back["line"].to_list() == [2, 7]


def test_a_new_mapping_reads_a_held_back_file_again(tmp_path: Path, con: Connection) -> None:
    """Dates that could not be read are read once their layout is declared."""
    folder = write(tmp_path, a=readings(*ROWS), b=readings("D,05/01/2024,as_found,5,5"))
    assert len(held(take_folder(con, folder))) == 1
    (folder / "mapping.toml").write_text('[dates]\nformat = "%d/%m/%Y"\n')
    assert counts(take_folder(con, folder)) == {"a.csv": (4, 0, 0, 4, 0), "b.csv": (1, 1, 0, 0, 0)}
    assert read(con).held_back.is_empty()
    assert values(con)[-1] == ("D", "as_found", [0.0])


def test_further_tables_may_come_alone(tmp_path: Path, con: Connection) -> None:
    """A store that has readings takes responses without them."""
    take_folder(con, write(tmp_path / "a", r=readings(*ROWS)))
    text = "signal_id,recorded_on,finding,action,recorded_by\ns,2024-03-01,worn,replaced,QM\n"
    take_folder(con, write(tmp_path / "b", r=text))
    assert read(con).responses["finding"].to_list() == ["worn"]


# Sessions


def test_a_reading_belongs_to_the_nearest_point_in_reach(tmp_path: Path) -> None:
    """Within 1 % of a nominal point it is that point, else its content rounded to 1 %."""
    contents = ("0.4", "4.0", "4.49", "6.0", "6.01", "7.5", "8.99", "9.0", "11.2")
    rows = [f"A,2024-01-05,as_found,{content},{content}" for content in contents]
    _, sources = load(write(tmp_path, r=readings(*rows)))
    points = sources.sessions.select("point_pct", "replicates", "correct_air_pct").rows()
    assert points == [
        (0.0, 1, 0.4),
        (5.0, 3, 4.83),
        (6.0, 1, 6.01),
        (8.0, 1, 7.5),
        (9.0, 1, 8.99),
        (10.0, 1, 9.0),
        (11.0, 1, 11.2),
    ]


def test_a_session_carries_what_its_readings_say(tmp_path: Path) -> None:
    """Means in decimal, the n − 1 spread, the coarsest resolution, and words joined."""
    columns = "resolution_pct,vessel_id,operator,water_temp_c,remarks"
    columns += ",draws,procedure,checked_by,stated_verdict,visit_reason"
    rows = [
        "A,2024-01-05,as_found,5,5.1,0.05,V2,bo,20,,1,C 231,yo,pass,doubt",
        "A,2024-01-05,as_found,5,5.0,0.1,V1,al,21,dry,2,,xi,,",
        "A,2024-01-05,as_found,5.2,5.2,,V2,al,,,,,,,",
    ]
    _, sources = load(write(tmp_path, r=readings(*rows, columns=columns)))
    (row,) = sources.sessions.iter_rows(named=True)
    assert row == {
        "meter_id": "A",
        "visit_id": "2024-01-05",
        "performed_on": date(2024, 1, 5),
        "stage": "as_found",
        "point_pct": 5.0,
        "correct_air_pct": 5.066666666667,
        "replicates": 3,
        "bias_pct": 0.033333333333,
        "biases_pct": [0.1, 0.0, 0.0],
        "places": [1, 2, 3],
        "spread_pct": 0.057735026919,
        "resolution_pct": 0.1,
        "vessel_id": "V1 + V2",
        "operator": "al + bo",
        "water_temp_c": 20.5,
        "draws": 2,
        "procedure": "C 231",
        "checked_by": "xi + yo",
        "stated_verdict": "pass",
        "visit_reason": "doubt",
        "remarks": "dry",
        "readings_left_out": 0,
    }


def test_equal_readings_have_no_spread(tmp_path: Path) -> None:
    """Rounding cannot make a spread out of three equal biases; one reading has none."""
    rows = ["A,2024-01-05,as_found,5.02,5.1"] * 3 + ["A,2024-01-05,as_left,5.02,5.1"]
    _, sources = load(write(tmp_path, r=readings(*rows)))
    assert sources.sessions["spread_pct"].to_list() == [0.0, None]
    assert sources.sessions["bias_pct"].to_list() == [0.08, 0.08]


def test_visits_of_one_day_are_kept_apart_by_their_id(tmp_path: Path) -> None:
    """A visit_id splits a day, joins days near each other, and may come back another year."""
    rows = [
        "A,2024-01-05,as_found,5,5.1,",
        "A,2024-01-05,as_found,5,5.2,1",
        "A,2024-01-05,as_found,5,5.3,2",
        "A,2024-01-06,as_left,5,5.0,2",
        "A,2024-04-05,as_found,5,5.4,1",
        "A,2024-04-05,as_found,5,5.5,2024-01-05",
        "B,2024-01-05,as_found,5,5.6,W-7",
    ]
    _, sources = load(write(tmp_path, r=readings(*rows, columns="visit_id")))
    found = sources.sessions.select("meter_id", "visit_id", "performed_on", "stage", "bias_pct")
    assert found.rows() == [
        ("A", "2", date(2024, 1, 5), "as_found", 0.3),
        ("A", "2", date(2024, 1, 5), "as_left", 0.0),
        ("A", "2024-01-05", date(2024, 1, 5), "as_found", 0.1),
        ("A", "2024-01-05 1", date(2024, 1, 5), "as_found", 0.2),
        ("A", "2024-04-05 1", date(2024, 4, 5), "as_found", 0.4),
        ("A", "2024-04-05 2024-01-05", date(2024, 4, 5), "as_found", 0.5),
        ("B", "W-7", date(2024, 1, 5), "as_found", 0.6),
    ]


def test_a_zero_check_with_a_mark_is_a_reading_at_zero(tmp_path: Path) -> None:
    """Found unless the mark was established then; a reading recorded as one goes before it."""
    marks = (
        "A,2024-01-05,-1.5,-0.1,verified\n"
        "A,2024-01-05,-1.4,0.02,established\n"
        "B,2024-02-05,-1.5,0.3,moved\n"
        "C,2024-03-05,-1.5,0.4,verified\n"
        "C,2024-03-06,-1.5,,verified\n"
        "D,2024-03-05,-1.5,0.5,verified\n"
    )
    rows = [*ROWS, "B,2024-02-05,as_found,0,0.1", "D,2024-03-05,as_left,0,0.1"]
    _, sources = load(write(tmp_path, r=readings(*rows), m=MARKS + marks))
    zeros = sources.sessions.filter(pl.col("point_pct") == 0)
    assert zeros.select("meter_id", "visit_id", "stage", "bias_pct", "replicates").rows() == [
        ("A", "2024-01-05", "as_found", -0.1, 1),
        ("A", "2024-01-05", "as_left", 0.02, 1),
        ("B", "2024-02-05", "as_found", 0.1, 1),
        ("C", "2024-03-05", "as_found", 0.4, 1),
        ("D", "2024-03-05", "as_found", 0.5, 1),
        ("D", "2024-03-05", "as_left", 0.1, 1),
    ]


def test_a_zero_check_joins_the_first_or_last_visit_of_its_day(tmp_path: Path) -> None:
    """What was found belongs to the day's first visit, what was left to its last."""
    rows = [f"A,2024-01-05,as_found,5,5.{n},v{n}" for n in (1, 2, 3)]
    marks = "A,2024-01-05,-1.5,-0.1,verified\nA,2024-01-05,-1.4,0.0,established\n"
    folder = write(tmp_path, r=readings(*rows, columns="visit_id"), m=MARKS + marks)
    zeros = load(folder)[1].sessions.filter(pl.col("point_pct") == 0)
    assert zeros.select("visit_id", "stage").rows() == [("v1", "as_found"), ("v3", "as_left")]


def test_a_review_sees_only_what_was_known_on_its_date(tmp_path: Path, con: Connection) -> None:
    """Later rows of every dated table are hidden; later readings are named, and not stored."""
    late = {
        "m": MARKS + "A,2024-01-05,-1.5,,verified\nA,2024-02-05,-1.5,0,moved\n",
        "v": "vessel_id,calibrated_on,air_pct\nV,2024-01-05,5\nV,2024-02-05,5\n",
        "s": "meter_id,performed_on,action\nA,2024-01-05,dropped\nA,2024-02-05,dropped\n",
        "q": "signal_id,recorded_on,finding,action,recorded_by\n"
        "s,2024-01-05,f,a,b\ns,2024-02-05,f,a,b\n",
        "f": "test_id,meter_id,tested_on,air_pct\n1,A,2024-01-05,6\n2,A,2024-02-05,6\n",
        "u": "meter_id,in_service_on\nA,2024-02-05\n",
    }
    folder = write(tmp_path / "a", r=readings(*ROWS, "B,2024-02-05,as_found,9.98,x"), **late)
    take_folder(con, folder)
    take_folder(con, write(tmp_path / "b", r=readings(*ROWS[:3], "B,2024-02-05,as_found,9.98,9.8")))
    seen = read(con, as_of=date(2024, 2, 4))
    assert seen.sessions["meter_id"].to_list() == ["A", "A"]
    for rows in (
        seen.marks,
        seen.vessels,
        seen.service,
        seen.responses,
        seen.field_tests,
        seen.meters,
    ):
        assert rows.height == 1
    assert seen.amendments.is_empty()
    assert seen.held_back.rows() == [
        ("a/r.csv", 6, "reading_air_pct", "'x' is not a number"),
        ("b/r.csv", 5, "performed_on", "dated after the review's date, 2024-02-04"),
    ]
    full = read(con, as_of=date(2024, 2, 5))
    assert full.sessions["meter_id"].to_list() == ["A", "A", "A", "B"]
    assert full.amendments.height == 1
    assert full.held_back.height == read(con).held_back.height == 1


def test_nothing_is_read_from_an_empty_store(con: Connection) -> None:
    """Frames keep their schemas without any row."""
    found = read(con)
    assert dict(found.sessions.schema) == SESSIONS
    assert dict(found.held_back.schema) == HELD_BACK
    assert dict(found.amendments.schema) == AMENDMENTS
    assert dict(found.files.schema) == FILES
    assert found.meters.columns == [column.name for column in TABLES["meters"]]


# All or nothing


def test_an_error_leaves_the_store_as_it_was(tmp_path: Path, con: Connection) -> None:
    """What fails half-way is taken back, and the next load goes on from before."""
    folder = write(tmp_path, a=readings(*ROWS[:2]), b=readings(*ROWS[2:]))

    def fail(_name: str, done: int, total: int) -> None:
        if done == total:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        take_folder(con, folder, progress=fail)
    assert read(con).files.is_empty()
    assert counts(take_folder(con, folder)) == {"a.csv": (2, 2, 0, 0, 0), "b.csv": (2, 2, 0, 0, 0)}


def test_a_full_disk_is_said_and_nothing_is_taken(tmp_path: Path, con: Connection) -> None:
    """An error of the library while writing becomes one sentence for the user."""
    folder = write(tmp_path, r=readings(*ROWS))

    def fail(_name: str, _done: int, _total: int) -> None:
        raise duckdb.IOException("IO Error: No space left on device")

    with pytest.raises(StoreError, match=r"cannot be written .*No space left.*nothing was taken"):
        take_folder(con, folder, progress=fail)
    assert read(con).sessions.is_empty()


def killed(path: Path, folder: Path, *, after: str, pause: float) -> None:
    """Kill a load once it has printed `after` and `pause` seconds have passed."""
    command = [sys.executable, "-c", TAKE, str(path), str(folder), "0.1"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        while process.stdout.readline() not in {after, ""}:
            pass
        time.sleep(pause)
        process.send_signal(signal.SIGKILL)


def test_a_killed_load_leaves_all_or_nothing(tmp_path: Path) -> None:
    """Killed between files, before the end and around the commit: every row of it or none."""
    first = write(tmp_path / "first", r=readings(*ROWS))
    rows = [f"M{n:05},2024-01-05,as_found,5,5.1" for n in range(10_000)]
    folder = write(
        tmp_path / "second", a=readings(*rows), b=readings(*rows[::2]).replace("5.1", "5.2")
    )
    path = tmp_path / "s.duckdb"
    with open_store(path, folder=tmp_path) as store:
        take_folder(store, first)
    nothing, everything = (1, 3, 0), (3, 10_003, 5_000)
    moments = [
        ("a.csv\n", 0.0),
        ("b.csv\n", 0.0),
        ("b.csv\n", 0.2),
        ("b.csv\n", 0.4),
        ("done\n", 0),
    ]
    seen = []
    for after, pause in moments:
        killed(path, folder, after=after, pause=pause)
        with open_store(path) as store:
            found = read(store)
            seen.append((found.files.height, found.sessions.height, found.amendments.height))
    assert seen[:2] == [nothing, nothing]
    assert set(seen) == {nothing, everything}
    assert seen[-1] == everything


# The queries themselves


def header_of(name: str) -> dict[str, str]:
    """Return the parts of a query's header comment."""
    text = folders.sql(name)
    comment = re.match(r"(--[^\n]*\n)+", text)
    assert comment is not None, f"{name} has no header"
    prose = re.sub(r"\n--\s*", " ", comment.group().strip()).removeprefix("-- ")
    parts = re.split(r"(?:^| )(purpose|grain|parameters|columns): ", prose)
    assert parts[1::2] == ["purpose", "grain", "parameters", "columns"], f"{name}: {parts[1::2]}"
    return dict(zip(parts[1::2], parts[2::2], strict=True))


QUERIES = sorted(folders.queries())
EVERYTHING: dict[str, object] = {
    "file": "amendments.csv",
    "source_name": None,
    "as_of": date(2030, 1, 1),
    "points_pct": [0.0, 5.0, 10.0],
    "point_window_pct": 1.0,
    "visit_gap_days": 14,
    "file_nos": None,
    "first_file_no": 1,
    "table_name": "readings",
    "mapping_sha256": "",
    "in_force": "meters_in_force",
    "database_name": "store",
    "decimal_mark": ".",
    "absent": ["site", "operator", "stage"],
    "entry_no": 1,
    "meter_id": "A",
}
# Statements that must be given files.
OF_FILES = {"doubled_keys", "tables_of_files"}
# Statements of what this source has none of: somebody else's tables, rows withdrawn, and amendments
# that fit no row.  Their rows are asked for where such sources are made.
OF_OTHER_SOURCES = {"others_made", "set_aside", "told_unfit"}
DOUBLED = "insert into meters by name select * exclude (row_key) from meters where line = 2"
READING = [
    name
    for name in QUERIES
    if re.search(r"^(select|with|from)\b", re.sub(r"--[^\n]*\n", "", folders.sql(name)).strip())
]


@pytest.mark.parametrize("name", QUERIES)
def test_each_query_has_its_header_and_form(name: str) -> None:
    """Purpose, grain, parameters and columns are told, and the parameters are those used."""
    text = folders.sql(name)
    header = header_of(name)
    code = re.sub(r"--[^\n]*", "", text)
    assert all(part.strip().endswith(".") for part in header.values())
    assert set(re.findall(r"\$(\w+)", header["parameters"])) == set(re.findall(r"\$(\w+)", code))
    assert max(map(len, text.splitlines())) <= 100
    keywords = re.findall(r"\b(SELECT|FROM|WHERE|JOIN|CASE|WITH|GROUP|ORDER|INSERT|CREATE)\b", code)
    assert not keywords
    assert f"`{name}`" in (folders.root("queries") / "README.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Connection]:
    """Give a store in memory of two loads, of which the second amends."""
    home = tmp_path_factory.mktemp("queries")
    folder = write(
        home / "a",
        r=readings(*ROWS, "B,2024-02-05,as_found,9.98,x"),
        u="meter_id,site\nA,north\nB,south\n",
    )
    signed = Signed(by="K", why="typing", at=datetime(2024, 3, 1, tzinfo=UTC))
    draft = Draft(signed=signed, kind="load")
    fresh = readings(ROWS[0], "A,2024-01-05,as_found,5,5.3000000001")
    with open_store(None) as store:
        take_folder(store, folder, draft=draft)
        take_folder(store, write(home / "b", r=fresh), draft=draft)
        yield store


@pytest.mark.parametrize("name", READING)
def test_each_query_that_reads_keeps_its_columns_and_grain(loaded: Connection, name: str) -> None:
    """On a small source the columns are those of the header, and no grain comes twice."""
    con = loaded
    con.execute("begin")
    try:
        check_query(con, name)
    finally:
        con.execute("rollback")


def check_query(con: Connection, name: str) -> None:
    """Run a query and hold what it gives to its header."""
    if name == "doubled_keys":
        con.execute(DOUBLED)
    header = header_of(name)
    files = {"file_nos": [1, 2, 3]} if name in OF_FILES else {}
    text, used = connection._query(name, EVERYTHING | files)
    result = con.sql(text, params=used).pl()
    if name == "rows_in_force":
        assert result.columns == [column.name for column in TABLES["meters"]]
        assert result.height == 2
        return
    told = [part.split(",")[0].strip() for part in header["columns"].rstrip(".").split(";")]
    assert result.columns == told
    if name in OF_OTHER_SOURCES:
        assert result.is_empty()
        return
    grain = [column for column in result.columns if re.search(rf"\b{column}\b", header["grain"])]
    assert result.height > 0
    assert result.height == 1 if header["grain"] == "one row." else grain
    if grain:
        assert result.select(grain).is_unique().all()


def test_the_schema_agrees_with_the_columns(con: Connection) -> None:
    """Each input table has its columns in the order declared, each in the type of its kind."""
    kinds = {"text": "VARCHAR", "date": "DATE", "number": "DECIMAL(18,9)", "whole": "INTEGER"}
    kinds |= {"answer": "VARCHAR"}
    for table, columns in TABLES.items():
        found = con.execute(
            "select column_name, data_type, is_nullable from duckdb_columns() where table_name = ?"
            " and not internal order by column_index",
            [table],
        ).fetchall()
        wanted = [
            ("file_no", "INTEGER", False),
            ("line", "BIGINT", False),
            *[(column.name, kinds[column.kind], not column.required) for column in columns],
            ("row_key", "VARCHAR", True),
        ]
        assert found == wanted


@pytest.mark.parametrize("table", TABLES)
def test_the_key_of_a_row_is_made_of_its_key_columns(tmp_path: Path, table: str) -> None:
    """Another value in a key column makes another row, in any other column an amendment."""
    columns = TABLES[table]
    base = {column.name: first_value(column) for column in columns}
    others = [
        column.name
        for column in columns
        # Of a word that is the only one allowed there is no other.
        if len(column.choices) != 1
    ]
    values = {column.name: other_value(column, table) for column in columns}
    rows = [base, *(base | {name: values[name]} for name in others)]
    files = {
        f"t{number:02}": ",".join(row) + "\n" + ",".join(row.values()) + "\n"
        for number, row in enumerate(rows)
    }
    summary = take(write(tmp_path, a=readings("Q,2001-01-01,as_found,5,5"), **files))
    assert summary.files["taken"].sum() == 2 + len(others)
    amended = summary.files["amended"].to_list()[2:]
    assert amended == [int(name not in KEYS[table]) for name in others]


def first_value(column: Column) -> str:
    if column.choices:
        return column.choices[0]
    return {"text": f"{column.name} 1", "date": "2024-01-05"}.get(column.kind, "1")


def other_value(column: Column, table: str) -> str:
    if column.choices:
        return column.choices[-1]
    # What another day follows goes back, so that the order holds.
    if any(column.name == earlier for earlier, _ in IN_ORDER.get(table, ())):
        return "2024-01-04"
    # A lower bound of a specification stays below the upper one.
    number = "0.5" if column.high == 1 or column.name == "spec_min_pct" else "2"
    return {"text": f"{column.name} 2", "date": "2024-01-06"}.get(column.kind, number)


def test_frames_come_sorted(tmp_path: Path, con: Connection) -> None:
    """Sessions, held back rows and small tables are in the order of their grain."""
    rows = [
        "B,2024-02-05,as_left,10,9.9",
        "B,2024-02-05,as_found,10,9.9",
        "A,2025-01-05,as_found,5,z",
        *ROWS,
    ]
    meters = "meter_id,site\nC,x\nA,y\nB,z\n"
    take_folder(
        con, write(tmp_path, z=readings("A,2024-01-05,as_found,5,z"), r=readings(*rows), m=meters)
    )
    found = read(con)
    order = ["meter_id", "performed_on", "visit_id", "stage", "point_pct"]
    assert found.sessions.equals(found.sessions.sort(order))
    assert found.held_back.equals(found.held_back.sort("file", "line", "column", "reason"))
    assert found.meters["meter_id"].to_list() == ["A", "B", "C"]
    assert frame(con, "files", schema=FILES, file_nos=[1]).height == 1
    assert run(con, "next_numbers").fetchall() == [(2, 4, True, False)]


@pytest.mark.parametrize("given", ["2", "0", "-4", "60", "999999999999"])
def test_readings_left_out_are_those_of_a_store_opened_again(tmp_path: Path, given: str) -> None:
    """A number held back is not left out, and one that cannot be meant says nothing of others."""
    head = "meter_id,performed_on,stage,correct_air_pct,reading_air_pct,replicate\n"
    rows = ["A,2024-01-05,as_found,5,5.1,1", "A,2024-01-05,as_found,5,5.0,3"]
    rows += [f"A,2024-01-05,as_found,5,x,{given}"]
    folder = write(tmp_path / "in", r=head + "\n".join(rows) + "\n")
    with open_store(tmp_path / "s.duckdb", folder=folder) as con:
        take_folder(con, folder)
        at_once = read(con).sessions
    with open_store(tmp_path / "s.duckdb", read_only=True) as con:
        again = read(con).sessions
    assert again.equals(at_once)
    missing = {"2": 0, "60": 57}.get(given, 1)
    assert again["readings_left_out"].to_list() == [missing]
