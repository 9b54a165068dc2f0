"""The journal: what a person changes can be undone exactly; a chain that was touched is found."""

import contextlib
import functools
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from time import process_time

import duckdb
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drift.api.amending import Wanted, plan_edits, plan_restoration, write_planned
from drift.api.journal import Asked, export_store, read_journal
from drift.api.sources import intake, read_known
from drift.errors import DriftError
from drift.review.policy import Policy
from drift.store.connection import Connection, frame
from drift.store.journal import Draft, chained, save_rows_of_journal, signed_now
from drift.store.opening import open_store
from drift.store.replaying import load_tables
from drift.store.rows_in_force import rows_where
from drift.store.tables import HELD_BACK
from tests.csv_folders import readings, write

ROWS = (
    "A,2024-01-05,as_found,5,5.1",
    "A,2024-01-05,as_found,5,5.0",
    "A,2024-04-05,as_found,5,5.2",
    "B,2024-01-05,as_found,10,9.9",
)
SIGNED = signed_now("K. Vale", "a slip")
IN_WAYS = ("folder", "store")


def source_of(place: Path, way: str) -> Path:
    """Return a folder, or a store made of one."""
    folder = write(place / "lab", r=readings(*ROWS))
    if way == "folder":
        return folder
    (place / "s.duckdb").write_bytes(store_made())
    return place / "s.duckdb"


@functools.cache
def store_made() -> bytes:
    """Return the file of a store made of a folder."""
    with tempfile.TemporaryDirectory() as made:
        store = Path(made) / "s.duckdb"
        intake(source_of(Path(made), "folder"), store=store, signed=SIGNED)
        return store.read_bytes()


def rows_of(source: Path) -> list[tuple[str, ...]]:
    """Return the readings in force."""
    return looked_at(
        source,
        lambda con: [tuple(row.cells.values()) for row in rows_where(con, "readings", cells={})],
    )


def looked_at(
    source: Path, look: Callable[[Connection], list[tuple[str, ...]]]
) -> list[tuple[str, ...]]:
    """Return what is seen in a source."""
    if source.is_dir():
        with open_store(None) as con:
            load_tables(con, source)
            return look(con)
    with open_store(source, read_only=True) as con:
        return look(con)


def changed(source: Path, sets: dict[str, str] | None, **cells: str) -> int:
    """Amend or withdraw readings; return the entry."""
    planned = plan_edits(source, Wanted("readings", cells), sets, weighed=None)
    return write_planned(source, planned, SIGNED)


def restored(source: Path, entry_no: int) -> int:
    """Undo an entry; return the entry that does."""
    return write_planned(source, plan_restoration(source, entry_no, weighed=None), SIGNED)


STEPS: list[tuple[dict[str, str] | None, dict[str, str]]] = [
    ({"reading_air_pct": "5.3"}, {"meter_id": "A", "replicate": "1"}),
    ({"reading_air_pct": "5.4"}, {"meter_id": "A", "performed_on": "2024-04-05"}),
    ({"meter_id": "B"}, {"meter_id": "A", "performed_on": "2024-01-05"}),
    ({"performed_on": "2024-01-06"}, {"meter_id": "B"}),
    ({"remarks": "wet"}, {"meter_id": "B"}),
    (None, {"meter_id": "A", "replicate": "2"}),
    (None, {"meter_id": "B"}),
]
CHANGES = st.sampled_from(STEPS)


def check_undone(
    source: Path, steps: Sequence[tuple[dict[str, str] | None, dict[str, str]]]
) -> None:
    """Change a source, then undo each change in reverse, each undoing undone once and again."""
    seen = [rows_of(source)]
    entries = []
    for sets, cells in steps:
        try:
            entries.append(changed(source, sets, **cells))
        except DriftError:
            # No such row is left, or it says so already.
            assert rows_of(source) == seen[-1]
            continue
        seen.append(rows_of(source))
    for entry_no, before in zip(reversed(entries), reversed(seen[:-1]), strict=True):
        undoing = restored(source, entry_no)
        assert rows_of(source) == before
        restored(source, undoing)
        restored(source, entry_no)
        assert rows_of(source) == before
    assert not read_journal(source, Asked()).broken


@pytest.mark.parametrize("way", IN_WAYS)
def test_changes_undone_leave_every_row_as_it_was(tmp_path: Path, way: str) -> None:
    """A row moved beside another and both withdrawn; of a store, first a value amended."""
    check_undone(source_of(tmp_path, way), [*STEPS[: way == "store"], STEPS[2], STEPS[6]])


@pytest.mark.long
@pytest.mark.parametrize("way", IN_WAYS)
@settings(
    max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(steps=st.lists(CHANGES, min_size=1, max_size=4))
def test_any_changes_undone_leave_every_row_as_it_was(
    tmp_path_factory: pytest.TempPathFactory,
    way: str,
    steps: list[tuple[dict[str, str] | None, dict[str, str]]],
) -> None:
    """Whatever was amended, moved or withdrawn."""
    check_undone(source_of(tmp_path_factory.mktemp("case"), way), steps)


def check_export(
    place: Path, steps: Sequence[tuple[dict[str, str] | None, dict[str, str]]]
) -> None:
    """Change a store, export it, and load that elsewhere: every table has the same checksum."""
    store, copy = source_of(place, "store"), place / "copy.duckdb"
    for sets, cells in steps:
        with contextlib.suppress(DriftError):
            changed(store, sets, **cells)
    written = {name[:-4]: checksum for name, _, checksum in export_store(store, place / "out")}
    intake(place / "out", store=copy, signed=SIGNED)
    assert written == read_journal(store, Asked(), checked=True).checksums
    assert written == read_journal(copy, Asked(), checked=True).checksums
    assert rows_of(copy) == rows_of(store)


def test_a_store_made_of_an_export_holds_the_same_tables(tmp_path: Path) -> None:
    """A value amended, a row moved, one withdrawn."""
    check_export(tmp_path, [STEPS[0], STEPS[3], STEPS[5]])


@pytest.mark.long
@settings(
    max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(steps=st.lists(CHANGES, max_size=4))
def test_a_store_made_of_any_export_holds_the_same_tables(
    tmp_path_factory: pytest.TempPathFactory,
    steps: list[tuple[dict[str, str] | None, dict[str, str]]],
) -> None:
    """Whatever was amended, moved or withdrawn before."""
    check_export(tmp_path_factory.mktemp("case"), steps)


def test_what_was_amended_in_a_folder_comes_with_it_into_a_store(tmp_path: Path) -> None:
    """Signed as in the folder, once only, and undone or done again where the folder did so."""
    folder, store = source_of(tmp_path, "folder"), tmp_path / "s.duckdb"
    changed(folder, {"meter_id": "C"}, meter_id="B")
    second = changed(folder, {"reading_air_pct": "9.8"}, meter_id="C")
    changed(folder, None, meter_id="A", performed_on="2024-04-05")
    loader = signed_now("O. Lund", "")

    def loaded() -> int:
        """Load the folder; return how many entries came over."""
        summary = intake(folder, store=store, signed=loader)
        assert rows_of(store) == rows_of(folder)
        assert summary.held_back.is_empty()
        return summary.carried

    assert [loaded(), loaded()] == [3, 0]
    kinds = ["load", "amendment", "amendment", "withdrawal"]
    entries = read_journal(store, Asked()).entries
    assert [row["kind"] for row in entries] == kinds
    assert [row["recorded_by"] for row in entries] == ["O. Lund", *["K. Vale"] * 3]
    assert entries[1]["why"] == "a slip"
    assert entries[1]["what"].endswith("loaded by O. Lund)")
    undoing = restored(folder, second)
    assert [loaded(), loaded()] == [1, 0]
    restored(folder, undoing)
    assert [loaded(), loaded()] == [1, 0]
    # What was undone in the store stays undone there.
    restored(store, 4)
    intake(folder, store=store, signed=loader)
    assert len(rows_of(store)) == len(rows_of(folder)) + 1
    # A longer export of the folder's own file keeps what was amended.
    path = folder / "r.csv"
    path.write_text(path.read_text(encoding="utf-8") + "D,2024-05-05,as_found,5,5.0,,,,,,,\n")
    assert intake(folder, store=store, signed=loader).carried == 0
    assert len(rows_of(store)) == len(rows_of(folder)) + 1
    assert not read_journal(store, Asked()).broken


def test_a_load_is_undone_whole_and_can_be_loaded_again(tmp_path: Path) -> None:
    """None of its rows is left, those it amended say what they said, and its file is new again."""
    store = source_of(tmp_path, "store")
    before = rows_of(store)
    later = write(
        tmp_path / "later", r=readings(ROWS[3].replace("9.9", "9.7"), "C,2024-02-01,as_found,5,5")
    )
    intake(later, store=store, signed=SIGNED)
    after = rows_of(store)
    restored(store, 2)
    assert rows_of(store) == before
    intake(later, store=store, signed=SIGNED)
    assert rows_of(store) == after


@pytest.mark.parametrize("way", IN_WAYS)
def test_what_cannot_be_undone_is_refused(tmp_path: Path, way: str) -> None:
    """An entry that is not there, was undone, or that a later one rests on."""
    source = source_of(tmp_path, way)
    first = changed(
        source, {"reading_air_pct": "5.3"}, meter_id="A", replicate="1", performed_on="2024-01-05"
    )
    second = changed(
        source, {"reading_air_pct": "5.4"}, meter_id="A", replicate="1", performed_on="2024-01-05"
    )
    with pytest.raises(DriftError, match=f"is what entry {second} rests on"):
        restored(source, first)
    undoing = restored(source, second)
    with pytest.raises(DriftError, match=f"was undone already, by entry {undoing}"):
        restored(source, second)
    with pytest.raises(DriftError, match="there is no such entry"):
        restored(source, 99)


@pytest.mark.parametrize("way", IN_WAYS)
def test_somebody_elses_change_is_not_written_over(tmp_path: Path, way: str) -> None:
    """What was shown is what is written, or nothing is."""
    source = source_of(tmp_path, way)
    planned = plan_edits(source, Wanted("readings", {"meter_id": "B"}), None, weighed=None)
    changed(source, {"reading_air_pct": "9.8"}, meter_id="B")
    with pytest.raises(DriftError, match="somebody else"):
        write_planned(source, planned, SIGNED)


def test_a_row_moved_onto_another_is_numbered_after_it(tmp_path: Path) -> None:
    """Replicates of the meter that is there stay what they are."""
    source = source_of(tmp_path, "store")
    changed(source, {"performed_on": "2024-01-05"}, meter_id="A", performed_on="2024-04-05")
    assert [row[5] for row in rows_of(source) if row[0] == "A"] == ["1", "2", "3"]


@pytest.mark.parametrize("value", ["50", "x", ""])
def test_an_amendment_is_held_to_the_rules_of_intake(tmp_path: Path, value: str) -> None:
    """A value that no file could bring is refused, and nothing is written."""
    source = source_of(tmp_path, "store")
    before = rows_of(source)
    with pytest.raises(DriftError):
        changed(source, {"reading_air_pct": value}, meter_id="B")
    assert rows_of(source) == before
    assert read_journal(source, Asked()).total == 1


def test_an_entry_changed_by_hand_is_named(tmp_path: Path) -> None:
    """In a store and in the files of a folder: changed, cut out, or its lines changed."""
    store = source_of(tmp_path / "a", "store")
    changed(store, None, meter_id="B")
    with duckdb.connect(str(store)) as con:
        con.execute("update journal set recorded_by = 'X' where entry_no = 1")
    assert "entry 1 was changed" in read_journal(store, Asked()).broken
    folder = source_of(tmp_path / "b", "folder")
    for reading in ("9.8", "9.7", "9.6"):
        changed(folder, {"reading_air_pct": reading}, meter_id="B")
    whole = tmp_path / "whole"
    shutil.copytree(folder, whole)
    text = (folder / "journal.csv").read_text(encoding="utf-8")
    lines = text.splitlines(keepends=True)
    (folder / "journal.csv").write_text("".join([*lines[:2], *lines[3:]]), encoding="utf-8")
    assert "entry 2 is missing" in read_journal(folder, Asked()).broken
    (folder / "journal.csv").write_text(text.replace("a slip", "a joke", 1), encoding="utf-8")
    assert "entry 1 was changed" in read_journal(folder, Asked()).broken
    (folder / "journal.csv").write_text(text, encoding="utf-8")
    amendments = folder / "amendments.csv"
    amendments.write_text(
        amendments.read_text(encoding="utf-8").replace("9.6", "9.5"), encoding="utf-8"
    )
    assert "entry 3: its lines in amendments.csv" in read_journal(folder, Asked()).broken
    assert not read_journal(whole, Asked()).broken


def test_an_amendment_of_a_row_that_was_edited_since_is_held_back(tmp_path: Path) -> None:
    """A cell of the folder's own file was changed by hand: the amendment fits it no more."""
    folder = source_of(tmp_path, "folder")
    changed(folder, {"reading_air_pct": "9.8"}, meter_id="B")
    path = folder / "r.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("9.9", "9.5"), encoding="utf-8")
    with open_store(None) as con:
        load_tables(con, folder)
        held = con.execute("select line, reason from held_back").fetchall()
    assert [line for line, _ in held] == [2]
    assert "is 9.5 now, and was 9.9 when it was amended" in held[0][1]


def test_an_amendment_that_fits_no_more_is_told_once_and_kept(tmp_path: Path) -> None:
    """Its row left the folder's file; loads go on without a word, and the journal lists it."""
    folder, store = source_of(tmp_path, "folder"), tmp_path / "s.duckdb"
    changed(folder, {"reading_air_pct": "9.8"}, meter_id="B")
    path = folder / "r.csv"
    path.write_text(path.read_text(encoding="utf-8").replace(ROWS[3], ""), encoding="utf-8")
    told = [intake(folder, store=store, signed=SIGNED).held_back for _ in range(2)]
    assert [frame.height for frame in told] == [1, 0]
    (held,) = told[0].to_dicts()
    assert (held["file"], held["line"]) == ("amendments.csv", 2)
    for source in (folder, store):
        (said,) = read_journal(source, Asked(), checked=True).unfit
        assert said.startswith("amendments.csv:2: amends a row of readings that is not there: B")


def test_what_would_change_is_said_of_a_row_that_was_withdrawn_and_restored(
    tmp_path: Path,
) -> None:
    """What is planned comes after all that is on record, and leaves nothing there."""
    source = source_of(tmp_path, "store")
    restored(source, changed(source, None, meter_id="B"))
    before = read_journal(source, Asked())
    weighed = date(2024, 5, 1), Policy()
    planned = plan_edits(source, Wanted("readings", {"meter_id": "B"}), None, weighed=weighed)
    assert ("B", "none") in {(meter, after) for meter, _, after in planned.standings}
    assert read_journal(source, Asked()) == before


def test_amendments_that_fit_no_more_are_closed_by_undoing_them(tmp_path: Path) -> None:
    """Each by itself; a folder lists it no more, nor does a store once it is loaded again."""
    folder, store = source_of(tmp_path, "folder"), tmp_path / "s.duckdb"
    for meter, value in (("B", "9.8"), ("A", "5.3")):
        changed(folder, {"reading_air_pct": value}, meter_id=meter, replicate="1")
    path = folder / "r.csv"
    gone = path.read_text(encoding="utf-8").replace(ROWS[3], "").replace(ROWS[0], "")
    path.write_text(gone, encoding="utf-8")
    told = intake(folder, store=store, signed=SIGNED).held_back["reason"].to_list()
    for entry_no, why in enumerate(told, start=1):
        assert why.endswith(f" (drift restore FOLDER {entry_no} undoes it)")
    assert len(told) == 2
    for left in (1, 0):
        restored(folder, 2 - left)
        assert intake(folder, store=store, signed=SIGNED).held_back.is_empty()
        for source in (folder, store):
            assert len(read_journal(source, Asked(), checked=True).unfit) == left
        held_back = read_known(folder, as_of=date(2025, 1, 1), policy=Policy()).held_back
        assert held_back.height == left
        with open_store(store, read_only=True) as con:
            assert (
                frame(con, "held_back", schema=HELD_BACK, as_of=None, file_nos=None).height == left
            )


def test_an_amendment_that_was_never_finished_is_not_applied(tmp_path: Path) -> None:
    """Lines without their entry, as a stop leaves them, count for nothing and go with the next."""
    folder = source_of(tmp_path, "folder")
    changed(folder, {"reading_air_pct": "9.8"}, meter_id="B")
    before = rows_of(folder)
    with (folder / "amendments.csv").open("a", encoding="utf-8") as file:
        file.write("2,withdrawn,,readings,A · 2024-01-05 · 2024-01-05 · as_found · 5 · 1,,,,\n")
    assert rows_of(folder) == before
    changed(folder, {"reading_air_pct": "9.7"}, meter_id="B")
    assert len(rows_of(folder)) == len(before)
    assert not read_journal(folder, Asked()).broken


def test_ten_thousand_entries_are_listed_in_under_a_second(tmp_path: Path) -> None:
    """All are read, their chain is followed, and filters find theirs."""
    store = source_of(tmp_path, "store")
    with open_store(store) as con:
        rows, prior = [], con.execute("select sha256 from journal").fetchall()[0][0]
        for number in range(2, 10_001):
            draft = Draft(SIGNED, "response", f"S-{number}", (f"AM-{number % 50}",))
            rows.append(chained(draft, entry_no=number, prior_sha256=prior))
            prior = rows[-1]["sha256"]
        save_rows_of_journal(con, rows)
    began = process_time()
    found = read_journal(store, Asked(meter_id="am-7"))
    assert process_time() - began < 1
    assert (found.total, found.broken) == (10_000, "")
    assert len(found.entries) == 200
    # A start of the command takes less than as long again while it loads no numeric library.
    code = "import sys\nfrom drift.cli import main\ntry: main()\nfinally: print(*sys.modules)"
    asked = [sys.executable, "-c", code, "journal", str(store)]
    told = subprocess.run(asked, capture_output=True, text=True, check=True).stdout.splitlines()
    assert sum("response  K. Vale" in line for line in told) == 9_999
    assert not {"numpy", "scipy", "statsmodels", "altair", "jinja2"} & set(told[-1].split())
