"""Runs that are killed, interrupted or out of room leave what was there before, or all of the new.

What a kill would leave at a write is copied there, at every write or every few, of one run that
goes on; and runs are killed, half of them at a write or as a file grows, half at random times: 200
under ``-m long``, a few of each command in the default suite.
"""

import random
import shutil
import signal
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

from drift.api.journal import Asked, read_journal
from drift.api.sources import intake, read_known
from drift.report.exchange import digests_of, place_for
from drift.report.leftovers import UNFINISHED
from drift.report.own_files import (
    IMPACT,
    RETIREMENT,
    REVIEW_FOLDER,
    STUDY,
    VISITS,
    FileKind,
    record_at,
)
from drift.review.policy import Policy
from tests.csv_folders import readings, write
from tests.stopped_run import run_stopped as run

AS_OF = date(2026, 3, 1)
FIRST = date(2024, 1, 15)
LOUD = [0.0, 0.02, 0.01, 0.0, 0.02, 0.01, 0.0, 0.6]
SAID = ("--finding", "hand loose", "--action", "reset", "--by", "me", "--on", "2026-02-01")
COUNTS = (2, pytest.param(50, marks=pytest.mark.long))
# The library of stores writes unseen: there are kills alone.
STORE_COUNTS = (5, pytest.param(50, marks=pytest.mark.long))


def rows_of(meter: str) -> list[str]:
    return [
        f"{meter},{FIRST + timedelta(days=91 * visit)},as_found,5.0,{5 + bias:.2f}"
        for visit, bias in enumerate(LOUD)
    ]


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write(tmp_path_factory.mktemp("stops") / "in", readings=readings(*rows_of("A")))


@pytest.fixture(scope="module")
def earlier(source: Path) -> Path:
    """Review the source whole, with pages."""
    out = source.parent / "earlier"
    assert run("none", 0, out, *review(source, out)).returncode == 0
    return out


def review(source: Path, out: Path, *more: str) -> tuple[object, ...]:
    return ("review", source, "--as-of", AS_OF, "--out", out, *more)


def stops(
    count: int, *, writes: int, seconds: float, sizes: tuple[int, int]
) -> list[tuple[str, float]]:
    """Return `count` stops: at writes spread over all there are, at sizes, and at random times."""
    rng = random.Random(count)  # noqa: S311  # where to stop, no secret
    half = (count + 1) // 2
    chosen: list[tuple[str, float]] = []
    for at in range(half):
        by_size = at % 3 == 2 or not writes
        share = at / max(half - 1, 1)
        chosen.append(
            ("size", int(sizes[0] + share * (sizes[1] - sizes[0])))
            if by_size
            else ("write", 1 + round(share * (writes - 1)))
        )
    return chosen + [("time", rng.uniform(0.01, seconds)) for _ in range(count - half)]


def measured(root: Path, *arguments: object, copies: int = 0) -> tuple[int, float]:
    """Return how often an undisturbed run writes, and how long it takes; copy what it leaves."""
    ran = run("copy" if copies else "none", copies, root, *arguments)
    assert ran.returncode == 0, ran.stderr
    writes, seconds = ran.stdout.splitlines()[-1].split()
    return int(writes), float(seconds)


def copies_of(root: Path) -> list[Path]:
    """Return what a kill would have left of a folder at writes of a run."""
    return sorted(root.with_name(f"{root.name}.stops").iterdir())


def is_whole(out: Path, kind: FileKind = REVIEW_FOLDER) -> bool:
    """Say whether a folder holds just what its record lists, unchanged, unfinished output apart."""
    written = record_at(out / kind.record).get("written")
    there = digests_of(out) if out.exists() else {}
    there.pop(kind.record, None)
    return written == {
        name: value for name, value in there.items() if not name.startswith(UNFINISHED)
    }


def settled(out: Path, kind: FileKind = REVIEW_FOLDER) -> None:
    """Let a run into the folder begin, which finishes or removes what another left."""
    place_for(out, kind)
    assert not list(out.glob(f"{UNFINISHED}*")) if out.exists() else True


@pytest.mark.parametrize("count", COUNTS)
def test_a_killed_review_leaves_nothing_that_looks_whole(
    source: Path, tmp_path: Path, count: int
) -> None:
    """In a new folder there is the whole review or none, and the next run may begin."""
    probe = tmp_path / "probe"
    writes, seconds = measured(probe, *review(source, probe, "--data-only"), copies=1)
    left = copies_of(probe)
    assert len(left) > writes // 2
    for number, (how, when) in enumerate(
        stops(count, writes=writes, seconds=seconds, sizes=(1, 4000))
    ):
        left.append(tmp_path / f"out-{number}")
        run(how, when, left[-1], *review(source, left[-1], "--data-only"))
    for out in left:
        assert is_whole(out) or not (out / "data").exists(), out
        settled(out)
        assert is_whole(out) or not (out / "data").exists(), out


@pytest.mark.parametrize("count", COUNTS)
def test_a_killed_re_review_leaves_the_earlier_one_or_the_new(
    earlier: Path, tmp_path: Path, count: int
) -> None:
    """Pages and data are of one review, or a stopped exchange is marked, and finished then."""
    more = write(tmp_path / "in", readings=readings(*rows_of("A"), *rows_of("B")))
    probe = tmp_path / "probe"
    shutil.copytree(earlier, probe)
    writes, seconds = measured(probe, *review(more, probe), copies=3)
    before, after = (
        record_at(earlier / REVIEW_FOLDER.record),
        record_at(probe / REVIEW_FOLDER.record),
    )
    ends = [record["written"]["data/meters.csv"] for record in (before, after)]
    left = copies_of(probe)
    assert len(left) == writes // 3
    for number, (how, when) in enumerate(
        stops(count, writes=writes, seconds=seconds, sizes=(1, 300_000))
    ):
        left.append(tmp_path / f"out-{number}")
        shutil.copytree(earlier, left[-1])
        run(how, when, left[-1], *review(more, left[-1]))
    for out in left:
        interrupted = any(out.glob(f"{UNFINISHED}*/exchange.json"))
        assert is_whole(out) or interrupted, out
        settled(out)
        assert is_whole(out)
        assert record_at(out / REVIEW_FOLDER.record)["written"]["data/meters.csv"] in ends


@pytest.mark.parametrize("count", STORE_COUNTS)
def test_a_killed_intake_leaves_a_store_that_can_be_loaded_and_read(
    source: Path, tmp_path: Path, count: int
) -> None:
    """The rows are in it all or not at all, and loading again brings them all."""
    probe = tmp_path / "probe.duckdb"
    first = tmp_path / "first.duckdb"
    intake(source, store=first)
    more = write(tmp_path / "in", readings=readings(*rows_of("B")))
    shutil.copy(first, probe)
    size = probe.stat().st_size
    _, seconds = measured(tmp_path, "intake", more, "--store", probe)
    for number, (how, when) in enumerate(
        stops(count, writes=0, seconds=seconds, sizes=(1, size + 4096))
    ):
        store = tmp_path / f"{number}.duckdb"
        shutil.copy(first, store)
        run(how, when, tmp_path, "intake", more, "--store", store)
        meters = set(read_known(store, as_of=AS_OF, policy=Policy()).sessions["meter_id"])
        assert meters in ({"A"}, {"A", "B"}), (how, when)
        intake(more, store=store)
        sessions = read_known(store, as_of=AS_OF, policy=Policy()).sessions
        assert sessions["meter_id"].value_counts().sort("meter_id").rows() == [("A", 8), ("B", 8)]


@pytest.mark.parametrize("count", COUNTS)
def test_a_killed_response_is_recorded_whole_or_not_at_all(
    source: Path, earlier: Path, tmp_path: Path, count: int
) -> None:
    """The readings are as they were, and the responses hold no half row."""
    signal_id = str(pl.read_csv(earlier / "data" / "signals.csv")["signal_id"][0])
    probe = tmp_path / "probe"
    shutil.copytree(source, probe)
    writes, seconds = measured(probe, "respond", probe, signal_id, *SAID, copies=1)
    left = copies_of(probe)
    assert len(left) == writes > 0
    whole = (probe / "responses.csv").read_bytes()
    for number, (how, when) in enumerate(
        stops(count, writes=writes, seconds=seconds, sizes=(1, len(whole)))
    ):
        left.append(tmp_path / f"in-{number}")
        shutil.copytree(source, left[-1])
        run(how, when, left[-1], "respond", left[-1], signal_id, *SAID)
    for folder in left:
        assert (folder / "readings.csv").read_bytes() == (source / "readings.csv").read_bytes()
        made = folder / "responses.csv"
        assert not made.exists() or made.read_bytes() == whole, folder


SIGN = ("--by", "me", "--why", "a slip", "--yes")
LAST = ("--meter", "A", "--on", FIRST + timedelta(days=91 * 7))
OF_THE_RECORD = {
    "withdraw": ("withdraw", "SOURCE", *LAST, *SIGN),
    "amend": ("amend", "SOURCE", *LAST, "--set", "reading_air_pct=5.1", *SIGN),
    "restore": ("restore", "SOURCE", "1", *SIGN),
    "decide": ("decide", "SOURCE", "A", "--about", LAST[-1], "--decision", "x", "--by", "me"),
    "export": ("export", "SOURCE", "OUT"),
    "sheet": ("sheet", "SOURCE", "--as-of", AS_OF, "--out", "OUT"),
}
FEW = (1, pytest.param(12, marks=pytest.mark.long))


@pytest.mark.parametrize("count", FEW)
@pytest.mark.parametrize("command", OF_THE_RECORD)
def test_a_killed_command_leaves_the_record_whole(
    source: Path, tmp_path: Path, command: str, count: int
) -> None:
    """The chain holds, an entry is there with what it changed or is not, and no output is half."""
    first = tmp_path / "first"
    shutil.copytree(source, first)
    if command == "restore":
        assert run("none", 0, first, "withdraw", first, *LAST, *SIGN).returncode == 0
    if command == "export":
        intake(source, store=tmp_path / "s.duckdb")
    before = len(read_journal(first, Asked()).entries)
    for number in range(count):
        folder = tmp_path / f"in-{number}"
        shutil.copytree(first, folder)
        out = folder / "out"
        names = {"SOURCE": tmp_path / "s.duckdb" if command == "export" else folder, "OUT": out}
        asked = [names.get(str(word), word) for word in OF_THE_RECORD[command]]
        run("write", 2 + number, folder, *asked)
        found = read_journal(folder, Asked(), checked=True)
        assert (found.broken, found.unfit) == ("", [])
        assert len(found.entries) in {before, before + 1}
        assert (folder / "readings.csv").read_bytes() == (source / "readings.csv").read_bytes()
        if command == "export":
            assert not out.exists() or (out / "journal.csv").exists()


OF_OUTPUT = {
    "visit": (VISITS, ("A",)),
    "impact": (IMPACT, ("A",)),
    "retirement": (RETIREMENT, ("A",)),
    "study": (STUDY, ("REP",)),
}


@pytest.fixture(scope="module")
def studied(source: Path) -> Path:
    """Add a study to the source: two people, three meters, two readings each."""
    folder = source.parent / "studied"
    shutil.copytree(source, folder)
    rows = [
        f"REP,{meter},2025-05-05,as_found,5.0,{5 + slip:.2f},{person}"
        for person, slip in (("K. Vale", 0.01), ("R. Moor", 0.03), ("K. Vale", 0.02))
        for meter in "ABC"
    ]
    columns = "study_id,meter_id,performed_on,stage,correct_air_pct,reading_air_pct,operator"
    (folder / "studies.csv").write_text("\n".join([columns, *rows, ""]), encoding="utf-8")
    return folder


@pytest.mark.parametrize("count", FEW)
@pytest.mark.parametrize("command", OF_OUTPUT)
def test_killed_output_is_whole_or_none(
    studied: Path, tmp_path: Path, command: str, count: int
) -> None:
    """What is there stands as its record says, or the next run finishes or removes it."""
    kind, about = OF_OUTPUT[command]
    asked = (command, studied, *about, "--as-of", AS_OF, "--out")
    whole = tmp_path / "whole"
    writes, _ = measured(whole, *asked, whole, copies=1)
    assert is_whole(whole, kind)
    for out in copies_of(whole):
        interrupted = any(out.glob(f"{UNFINISHED}*"))
        assert is_whole(out, kind) or interrupted or not digests_of(out)
        settled(out, kind)
        assert is_whole(out, kind) or not digests_of(out)
    for number in range(count):
        # From the last step backwards, which is where earlier output is exchanged for the new.
        at = writes - 1 - number * (writes - 2) // count
        for out in (tmp_path / f"new-{number}", tmp_path / f"old-{number}")[: 1 + (count > 1)]:
            if out.name.startswith("old"):
                shutil.copytree(whole, out)
            assert run("write", at, out, *asked, out).returncode == -signal.SIGKILL
            interrupted = any(out.glob(f"{UNFINISHED}*"))
            assert is_whole(out, kind) or interrupted or not digests_of(out)
            settled(out, kind)
            assert is_whole(out, kind) or not digests_of(out)


@pytest.mark.parametrize("room", [1, 2_000, 60_000])
def test_a_full_disk_is_said_and_changes_nothing(
    source: Path, earlier: Path, tmp_path: Path, room: int
) -> None:
    """One sentence and code 2; the earlier review stands, and nothing lies beside it."""
    out = tmp_path / "out"
    shutil.copytree(earlier, out)
    before = digests_of(out)
    ran = run("full", room, out, *review(source, out))
    assert ran.returncode == 2
    assert "Traceback" not in ran.stderr
    assert ran.stderr.startswith("drift: ")
    assert digests_of(out) == before


def test_a_full_disk_takes_no_part_of_a_response(
    source: Path, earlier: Path, tmp_path: Path
) -> None:
    """A row that does not fit is not begun, in a file that is there and in one that is new."""
    signal_id = str(pl.read_csv(earlier / "data" / "signals.csv")["signal_id"][0])
    for there in (None, "signal_id,recorded_on,finding,action,recorded_by\n"):
        folder = tmp_path / ("new" if there is None else "there")
        shutil.copytree(source, folder)
        if there is not None:
            (folder / "responses.csv").write_text(there)
        before = digests_of(folder)
        ran = run("full", 70, folder, "respond", folder, signal_id, *SAID)
        assert (ran.returncode, ran.stdout) == (2, "")
        assert "cannot be written" in ran.stderr
        assert digests_of(folder) == before


def test_a_full_disk_takes_no_part_of_an_intake(source: Path, tmp_path: Path) -> None:
    """The store holds what it held."""
    store = tmp_path / "store.duckdb"
    intake(source, store=store)
    more = write(tmp_path / "in", readings=readings(*rows_of("B")))
    ran = run("full", 100, tmp_path, "intake", more, "--store", store)
    assert ran.returncode == 2
    assert "Traceback" not in ran.stderr
    assert set(read_known(store, as_of=AS_OF, policy=Policy()).sessions["meter_id"]) == {"A"}


@pytest.mark.parametrize(("how", "when"), [("key", 3), ("key", 12), ("key_at", 0.5)])
def test_the_keyboard_stops_with_one_sentence(
    source: Path, earlier: Path, tmp_path: Path, how: str, when: float
) -> None:
    """Code 130, one sentence, and the earlier review as it was."""
    out = tmp_path / "out"
    shutil.copytree(earlier, out)
    before = digests_of(out)
    ran = run(how, when, out, *review(source, out))
    assert ran.returncode == 130
    assert ran.stderr.strip() == "drift: stopped"
    assert digests_of(out) == before
