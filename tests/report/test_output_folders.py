"""Folders of output hold what drift wrote and nothing else; what is another's is never touched."""

import errno
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from drift.api.reviews import review_source
from drift.cli import commands, main
from drift.errors import DriftError
from drift.intake.columns import TABLES
from drift.report import leftovers
from drift.report.data_files import read_previous
from drift.report.exchange import digests_of, exchanged_for, place_for, write_kind_record
from drift.report.own_files import IMPACT, RETIREMENT, REVIEW_FOLDER, TABLE_MARKS, digest
from drift.review.policy import Policy
from drift.store.opening import open_store
from tests.csv_folders import readings, write

AS_OF = date(2026, 3, 1)
FIRST = date(2024, 1, 15)


def reviewed(source: Path, out: Path, *, as_of: date = AS_OF, pages: bool = False) -> None:
    review_source(
        source,
        out=out,
        as_of=as_of,
        policy=Policy(),
        with_pages=pages,
        progress=lambda _done, _of: None,
    )


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    rows = [f"A,{FIRST + timedelta(days=91 * visit)},as_found,5.0,5.02" for visit in range(8)]
    return write(tmp_path_factory.mktemp("outputs") / "in", readings=readings(*rows))


@pytest.fixture(scope="module")
def whole(source: Path) -> Path:
    """Review the source with pages, once."""
    out = source.parent / "whole"
    reviewed(source, out, pages=True)
    return out


@pytest.fixture
def out(whole: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "out"
    shutil.copytree(whole, folder)
    return folder


def put(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def listed(out: Path, name: str) -> Path:
    """Let the record claim a file, by its true digest, as anyone could."""
    record = json.loads((out / REVIEW_FOLDER.record).read_text(encoding="utf-8"))
    record["written"][name] = digest(out / name)
    record["pages"].append(name)
    put(out / REVIEW_FOLDER.record, json.dumps(record))
    return out / name


def linked(out: Path, name: str) -> Path:
    """Put a link to a file of another in the place of one of drift's."""
    path = out / name
    kept = path.rename(out.parent / "theirs")
    path.symlink_to(kept)
    return path


def pipe(out: Path) -> Path:
    (out / "data" / "causes.csv").unlink()
    os.mkfifo(out / "data" / "causes.csv")
    return out / "data" / "causes.csv"


FOREIGN: dict[str, Callable[[Path], Path]] = {
    "a note": lambda out: put(out / "notes.txt", "mine"),
    "a folder": lambda out: put(out / "photos" / "a.jpg", "mine"),
    "a page": lambda out: put(out / "meters" / "mine.html", "mine"),
    "a table": lambda out: put(out / "data" / "bowls.csv", "meter_id\nA\n"),
    "a changed table": lambda out: put(
        out / "data/meters.csv", (out / "data/meters.csv").read_text() + "\n"
    ),
    "a listed page": lambda out: (put(out / "index.html", "mine"), listed(out, "index.html"))[1],
    "a listed input": lambda out: (
        put(out / "data/meters.csv", "meter_id,status\nA,active\n"),
        listed(out, "data/meters.csv"),
    )[1],
    "a listed note": lambda out: (put(out / "notes.txt", "mine"), listed(out, "notes.txt"))[1],
    "a listed workbook": lambda out: (
        put(out / "review.xlsx", "mine"),
        listed(out, "review.xlsx"),
    )[1],
    "a listed print": lambda out: (
        put(out / "meters" / "B.pdf", "%PDF-1.4"),
        listed(out, "meters/B.pdf"),
    )[1],
    "a link": lambda out: linked(out, "index.html"),
    "a link to a folder": lambda out: linked(out, "meters"),
    "a pipe": pipe,
    "no record": lambda out: put(out / REVIEW_FOLDER.record, "[1]"),
    "an older record": lambda out: put(
        out / REVIEW_FOLDER.record, '{"program": "drift", "pages": []}'
    ),
    "left by a stopped run": lambda out: put(out / "unfinished-x" / "new" / "mine.txt", "mine"),
}


@pytest.mark.parametrize("case", FOREIGN)
def test_what_drift_did_not_write_is_named_and_left_alone(
    source: Path, out: Path, case: str
) -> None:
    """The refusal names a file of the folder and the way out; every byte is as it was."""
    mine = FOREIGN[case](out)
    before = {path: path.lstat().st_mtime_ns for path in out.parent.rglob("*")}
    with pytest.raises(DriftError) as caught:
        reviewed(source, out)
    assert caught.value.where.startswith(str(out))
    assert case in {"no record", "an older record"} or str(mine) in caught.value.where
    assert "--out" in caught.value.hint
    assert before == {path: path.lstat().st_mtime_ns for path in out.parent.rglob("*")}


RECORDS = (
    "",
    "[",
    "[1]",
    "7",
    "null",
    '"drift"',
    "[" * 100_000,
    "\x00\x01",
    '{"program": "drift"}',
    '{"program": "drift", "written": 7, "pages": 3}',
    '{"program": "drift", "written": {"a": 1}, "pages": {"../x": 2}}',
    '{"program": "drift", "written": {"../in/readings.csv": "00"}, "as_of": "2026-01-01"}',
    '{"program": "drift", "as_of": 7, "version": "1", "source": "x", "policy": {}, "files": [{}]}',
    (
        '{"program": "drift", "as_of": "2026-01-01", "version": "1", "source": "x", '
        '"policy": {"band_level": 1e999}, "files": [{"file": "a", "sha256": "b"}]}'
    ),
    (
        '{"program": "drift", "as_of": "2026-01-01", "version": "1", "source": "x", '
        '"policy": {"a": {"b": {"c": 1}}}, "files": [{"file": "a", "sha256": "b"}]}'
    ),
    (
        '{"program": "drift", "as_of": "2026-01-01", "version": "1", "source": "x", '
        '"policy": {}, "files": [{"file": 7, "sha256": {}}]}'
    ),
)


@pytest.mark.parametrize("text", RECORDS)
def test_a_record_of_any_shape_is_refused_in_a_sentence(source: Path, out: Path, text: str) -> None:
    """As a place to write into and as an earlier review; nothing outside is touched."""
    put(out / REVIEW_FOLDER.record, text)
    before = digests_of(out.parent)
    with pytest.raises(DriftError, match=r"drift|record|review"):
        reviewed(source, out)
    import polars as pl  # noqa: PLC0415  # for this alone

    with pytest.raises(DriftError):
        read_previous(out, as_of=AS_OF, source_name="in", meter_ids=pl.Series("meter_id", ["A"]))
    assert digests_of(out.parent) == before


def test_a_link_is_not_written_through(source: Path, out: Path, tmp_path: Path) -> None:
    """Neither as the folder itself nor above one that is given from here."""
    (tmp_path / "link").symlink_to(out)
    before = digests_of(out)
    for folder in (tmp_path / "link", Path(os.path.relpath(tmp_path / "link" / "new"))):
        with pytest.raises(DriftError, match="is a link"):
            reviewed(source, folder)
    assert digests_of(out) == before


def test_every_command_refuses_the_folder_of_the_source(source: Path) -> None:
    """The laboratory's own tables are neither replaced nor joined."""
    before = digests_of(source)
    for asked in (["review", source], ["sheet", source], ["impact", source, "A"]):
        ran = CliRunner().invoke(commands, [*map(str, asked), "--out", str(source)])
        assert isinstance(ran.exception, DriftError), asked
        assert "readings.csv" in ran.exception.where
    ran = CliRunner().invoke(commands, ["retirement", str(source), "--out", str(source)])
    assert isinstance(ran.exception, DriftError)
    assert digests_of(source) == before


def test_without_out_each_date_has_a_folder(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Last quarter's review stays; the same date replaces its own; memos go by date too."""
    monkeypatch.chdir(tmp_path)
    for day in ("2025-12-01", "2026-03-01", "2026-03-01"):
        ran = CliRunner().invoke(commands, ["review", str(source), "--data-only", "--as-of", day])
        assert ran.exit_code == 0, ran.exception
    assert sorted(path.name for path in Path("review").iterdir()) == ["2025-12-01", "2026-03-01"]
    ran = CliRunner().invoke(commands, ["impact", str(source), "A", "--as-of", "2026-03-01"])
    assert ran.exit_code == 0, ran.exc_info
    assert [path.name for path in Path("impact").iterdir()] == ["2026-03-01"]
    reviewed(source, Path("review"))  # beside those with a date
    assert sorted(path.name for path in Path("review").iterdir()) == [
        "2025-12-01",
        "2026-03-01",
        "data",
    ]


def test_data_alone_leaves_the_pages_of_the_same_review(source: Path, out: Path) -> None:
    """They stay and belong; beside those of another date no data are put."""
    before = digests_of(out)
    del before[REVIEW_FOLDER.record]
    reviewed(source, out)
    again = digests_of(out)
    del again[REVIEW_FOLDER.record]
    assert again == before
    reviewed(source, out)
    with pytest.raises(DriftError, match="pages of another review, as of 2026-03-01"):
        reviewed(source, out, as_of=AS_OF + timedelta(days=1))
    reviewed(source, out, pages=True)


def test_notes_on_other_visits_stay(tmp_path: Path) -> None:
    """What is added stands beside what was there, each in the record."""
    for name in ("A_2026-01-01", "B_2026-01-01"):
        place = place_for(tmp_path / "out", IMPACT)
        with exchanged_for(place, keep=place.written.keys()) as new:
            put(new / f"{name}_path.csv", "point_pct,p_been_out\n")
            write_kind_record(new, IMPACT, {**place.written, **digests_of(new)})
    assert sorted(place_for(tmp_path / "out", IMPACT).written) == [
        "A_2026-01-01_path.csv",
        "B_2026-01-01_path.csv",
    ]


def memo(out: Path, number: int, tables: tuple[str, ...]) -> None:
    """Write tables of a memo into a folder, in the place of those before."""
    with exchanged_for(place_for(out, RETIREMENT)) as new:
        for table in tables:
            put(new / f"{table}.csv", f"{TABLE_MARKS[table]}\n{number}\n")
        write_kind_record(new, RETIREMENT, digests_of(new))


ONE, TWO = ("retirement", "retirement_costs"), ("retirement", "retirement_grounds")


@pytest.mark.parametrize("at", range(1, 7))
def test_an_exchange_stopped_at_any_renaming_is_finished_by_the_next_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    """Three entries go and three come: whatever was stopped comes to the new output, whole."""
    out, done = tmp_path / "out", 0
    rename = Path.rename

    def stopped(path: Path, target: Path) -> Path:
        nonlocal done
        done += 1
        if done == at:
            raise SystemExit
        return rename(path, target)

    memo(out, 1, ONE)
    place = place_for(out, RETIREMENT)
    with monkeypatch.context() as patched:
        patched.setattr(Path, "rename", stopped)
        with pytest.raises(SystemExit):
            memo(out, 2, TWO)
    assert leftovers.is_interrupted(out)
    place = place_for(out, RETIREMENT)
    assert sorted(place.written) == [f"{table}.csv" for table in TWO]
    assert digests_of(out, place.written.keys()) == place.written
    assert (out / "retirement.csv").read_text().endswith("\n2\n")


@pytest.mark.parametrize("at", range(1, 7))
def test_a_renaming_that_fails_undoes_those_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    """As where another program holds a file open: the earlier output stands, and nothing else."""
    out, done = tmp_path / "out", 0
    rename = Path.rename

    def failing(path: Path, target: Path) -> Path:
        nonlocal done
        done += 1
        if done == at:
            raise PermissionError(13, "Permission denied", str(path))
        return rename(path, target)

    memo(out, 1, ONE)
    before = digests_of(out)
    with monkeypatch.context() as patched:
        patched.setattr(Path, "rename", failing)
        with pytest.raises(DriftError, match="cannot be written"):
            memo(out, 2, TWO)
    assert digests_of(out) == before


def test_a_folder_that_changes_meanwhile_is_left_as_it_is(tmp_path: Path) -> None:
    """Somebody saved a file there while the output was worked out."""
    memo(tmp_path / "out", 1, ONE)
    place = place_for(tmp_path / "out", RETIREMENT)
    put(tmp_path / "out" / "notes.txt", "mine")
    before = digests_of(tmp_path)
    with pytest.raises(DriftError, match="was changed by somebody"), exchanged_for(place) as new:
        write_kind_record(new, RETIREMENT, {})
    assert digests_of(tmp_path) == before


def test_two_runs_do_not_write_into_one_folder(tmp_path: Path) -> None:
    """The second is told; where the first is dead, what it left is removed."""
    out = tmp_path / "out"
    place = place_for(out, RETIREMENT)
    with exchanged_for(place) as new:
        with pytest.raises(DriftError, match="another run"):
            place_for(out, RETIREMENT)
        write_kind_record(new, RETIREMENT, {})
    put(out / "unfinished-x" / leftovers.MARKER, "")
    put(out / "unfinished-x" / "new" / "retirement.csv", "")
    place_for(out, RETIREMENT)
    assert [path.name for path in out.iterdir()] == [RETIREMENT.record]


def test_each_table_has_a_column_that_no_input_has(whole: Path) -> None:
    """So that no table of a laboratory passes for one of drift's."""
    given = {column.name for columns in TABLES.values() for column in columns}
    assert not given & set(TABLE_MARKS.values())
    for path in (whole / "data").glob("*.csv"):
        header = path.read_text(encoding="utf-8").split("\n", 1)[0].split(",")
        assert TABLE_MARKS[path.stem] in header


def test_a_figure_is_written_over_only_as_drift_wrote_it(tmp_path: Path) -> None:
    """A changed one, another's, a link and a device are refused and left alone."""
    figure = tmp_path / "a.svg"
    asked = ["detectability", "--json", "--figure"]
    assert CliRunner().invoke(commands, [*asked, str(figure)]).exit_code == 0
    assert CliRunner().invoke(commands, [*asked, str(figure)]).exit_code == 0
    text = figure.read_text(encoding="utf-8")
    put(figure, text.replace("</svg>", "<!-- mine --></svg>"))
    (tmp_path / "link.svg").symlink_to(tmp_path / "new.svg")
    put(tmp_path / "other.svg", "<svg/>")
    before = digests_of(tmp_path, ["a.svg", "other.svg"])
    for place in (figure, tmp_path / "other.svg", tmp_path / "link.svg", Path(os.devnull)):
        ran = CliRunner().invoke(commands, [*asked, str(place)])
        assert isinstance(ran.exception, DriftError), place
        assert "--figure" in ran.exception.hint
    assert digests_of(tmp_path, ["a.svg", "other.svg"]) == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.svg", "link.svg", "other.svg"]


class PanicError(BaseException):
    """As a library of another language raises where it gives up."""


@pytest.mark.parametrize("error", [KeyError("x"), MemoryError(), PanicError("broken"), OSError(5)])
def test_an_error_that_nobody_foresaw_ends_in_one_sentence(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    error: BaseException,
) -> None:
    """Code 2, its kind, and where the details are."""

    def fail(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr("drift.api.reviews.review_source", fail)
    monkeypatch.setattr(sys, "argv", ["drift", "review", "in"])
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    with pytest.raises(SystemExit) as caught:
        main()
    assert caught.value.code == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert type(error).__name__ in said
    (log,) = tmp_path.glob("drift-*.log")
    assert str(log) in said
    assert "Traceback" in log.read_text(encoding="utf-8")


def test_the_keyboard_stops_a_query_of_the_database(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """It does so where another thread has all the work, and this one waits for it."""

    def query(*_: object, **__: object) -> None:
        timer = threading.Timer(0.5, os.kill, (os.getpid(), signal.SIGINT))
        with open_store(None) as store:
            timer.start()
            try:
                store.execute("select sum(a.range * b.range) from range(999999) a, range(999999) b")
            finally:
                timer.join()

    monkeypatch.setattr("drift.api.reviews.review_source", query)
    monkeypatch.setattr(sys, "argv", ["drift", "review", "in"])
    before = signal.getsignal(signal.SIGINT)
    with pytest.raises(SystemExit) as caught:
        main()
    signal.signal(signal.SIGINT, before)
    assert caught.value.code == 130
    assert capsys.readouterr().err.strip() == "drift: stopped"


def test_output_that_cannot_be_printed_ends_in_one_sentence() -> None:
    """As on a disk that is full: code 2, and no traceback."""
    command = [sys.executable, "-m", "drift", "detectability", "--json"]
    with Path("/dev/full").open("w") as full:
        ran = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert ran.returncode == 2
    assert ran.stderr.count("\n") == 1
    assert os.strerror(errno.ENOSPC) in ran.stderr
