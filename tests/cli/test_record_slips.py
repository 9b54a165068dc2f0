"""What people get wrong on the accountable record, and what the command line says of it."""

import csv
import json
import random
import shutil
from pathlib import Path

import click
import duckdb
import pytest

from tests.command_line import run_here as drift
from tests.csv_folders import readings, write

IN_WAYS = ("folder", "store")
DAYS = [f"{year}-{month:02}-15" for year in (2024, 2025) for month in (1, 4, 7, 10)]
SIGN = ("--by", "K. Vale", "--why", "a slip", "--yes")
SAID = ("--finding", "hand loose", "--action", "reset", "--by", "K. Vale", "--on", "2025-11-01")
# AM-1 jumps at its last visit, AM-2 stays.
ROWS = [
    *(f"AM-1,{day},as_found,5.0,{5.6 if day == DAYS[-1] else 5.0},tech-1" for day in DAYS),
    *(f"AM-2,{day},as_found,5.0,5.0,tech-2" for day in DAYS),
]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return a folder and a store made of it."""
    place = tmp_path_factory.mktemp("slips")
    folder = write(place / "lab", r=readings(*ROWS, columns="operator"))
    drift("intake", folder, "--store", place / "s.duckdb", "--by", "K. Vale")
    return {"folder": folder, "store": place / "s.duckdb"}


@pytest.fixture
def source(made: dict[str, Path], request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """Return a copy of the folder or of the store."""
    kept = made[request.param]
    place = tmp_path / kept.name
    if kept.is_dir():
        shutil.copytree(kept, place)
    else:
        shutil.copy(kept, place)
    return place


# What a column is to say: sound, unsound, or of no column.
PAIRS = (
    *("reading_air_pct=5.1", "reading_air_pct=5,1", "meter_id=AM-3", "performed_on=x", "x=1"),
    *("reading_air_pct=", "=", "stage=as_left", 'remarks=ä\n,"', "reading_air_pct=1e400"),
)
BOTH = pytest.mark.parametrize("source", IN_WAYS, indirect=True)


def amended(source: Path, reading: str, *more: str) -> str:
    """Amend the last reading of AM-2; return what was printed."""
    asked = ("--meter", "AM-2", "--on", DAYS[-1], "--set", f"reading_air_pct={reading}")
    ran = drift("amend", source, *asked, *(more or SIGN))
    assert ran.returncode == 0, ran.stderr
    return ran.stdout


def entries(source: Path) -> list[dict[str, str]]:
    """Return the entries of the journal."""
    ran = drift("journal", source, "--json")
    return list(json.loads(ran.stdout)["entries"])


def refused(*arguments: object) -> str:
    """Return the one sentence with which a command is refused."""
    ran = drift(*arguments)
    assert (ran.returncode, ran.stdout) == (2, ""), ran
    assert ran.stderr.startswith("drift: ")
    assert "Traceback" not in ran.stderr
    return ran.stderr


@BOTH
def test_an_amendment_of_an_amendment_keeps_all_three_values(source: Path) -> None:
    """The later rests on the earlier: it is undone first, and then the first value is back."""
    assert "5 → 5.2" in amended(source, "5.2")
    assert "5.2 → 5.1" in amended(source, "5.1")
    first = len(entries(source)) - 1
    said = refused("restore", source, first, *SIGN)
    assert f"entry {first}: is what entry {first + 1} rests on; restore that one first" in said
    assert drift("restore", source, first + 1, *SIGN).returncode == 0
    assert drift("restore", source, first, *SIGN).returncode == 0
    assert "5 → 5.3" in amended(source, "5.3")
    assert drift("journal", source, "--verify").returncode == 0


@BOTH
def test_of_two_people_at_once_the_later_is_told(
    source: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While one looks at what would change, another writes: nothing is written over."""

    def meanwhile(*_: object, **__: object) -> bool:
        monkeypatch.undo()
        amended(source, "5.3")
        return True

    before = len(entries(source))
    monkeypatch.setattr(click, "confirm", meanwhile)
    asked = ("--meter", "AM-2", "--on", DAYS[-1], "--set", "reading_air_pct=5.1")
    ran = drift("amend", source, *asked, "--by", "O. Lund", "--why", "read again")
    assert ran.returncode == 2
    assert "by somebody else" in ran.stderr
    assert "nothing was written" in ran.stderr
    assert len(entries(source)) == before + 1
    assert entries(source)[-1]["recorded_by"] == "K. Vale"


@BOTH
def test_a_journal_edited_by_hand_is_named_at_the_entry(source: Path) -> None:
    """The exit code says that the chain is not whole."""
    amended(source, "5.2")
    amended(source, "5.1")
    number = len(entries(source)) - 1
    if source.is_dir():
        path = source / "journal.csv"
        text = path.read_text(encoding="utf-8")
        path.write_text(text.replace("K. Vale", "O. Lund", 1), encoding="utf-8")
    else:
        with duckdb.connect(str(source)) as con:
            con.execute("update journal set recorded_by = 'O. Lund' where entry_no = ?", [number])
    ran = drift("journal", source, "--verify")
    assert ran.returncode == 1
    assert f"entry {number} was changed" in ran.stdout


@BOTH
def test_a_decision_about_a_visit_that_is_not_on_record_is_refused(source: Path) -> None:
    """Of a day without a visit, of a meter that is none; the last visits are named."""
    said = ("--decision", "results stand", "--by", "O. Lund", "--on", "2025-11-01")
    told = refused("decide", source, "AM-1", "--about", "2025-10-16", *said)
    assert "AM-1: has no visit on 2025-10-16 on record" in told
    assert DAYS[-1] in told
    assert "AM-9" in refused("decide", source, "AM-9", "--about", DAYS[-1], *said)
    assert drift("decide", source, "am-1", "--about", DAYS[-1], *said).returncode == 0


@BOTH
def test_what_was_never_withdrawn_is_not_restored(source: Path) -> None:
    """No such entry, an entry undone already, a review, which changed no row."""
    assert "entry 9: there is no such entry" in refused("restore", source, "9", *SIGN)
    amended(source, "5.2")
    last = len(entries(source))
    assert drift("restore", source, last, *SIGN).returncode == 0
    told = refused("restore", source, last, *SIGN)
    assert f"entry {last}: was undone already, by entry {last + 1}" in told
    if source.is_dir():
        return
    out = source.parent / "out"
    asked = ("--as-of", "2025-11-01", "--data-only", "--by", "K. Vale")
    assert drift("review", source, "--out", out, *asked).returncode == 0
    told = refused("restore", source, last + 2, *SIGN)
    assert "is a review, which changed no row" in told


@BOTH
def test_a_signal_of_a_withdrawn_row_asks_for_no_response(source: Path, tmp_path: Path) -> None:
    """One given before is settled, and says by what; one given afterwards is refused."""
    asked = ("--as-of", "2025-11-01", "--data-only")
    drift("review", source, "--out", tmp_path / "a", *asked)
    with (tmp_path / "a" / "data" / "signals.csv").open(encoding="utf-8") as file:
        signals = [row["signal_id"] for row in csv.DictReader(file) if row["meter_id"] == "AM-1"]
    assert len(signals) > 1
    assert drift("respond", source, signals[0], *SAID).returncode == 0
    assert drift("withdraw", source, "--meter", "AM-1", "--on", DAYS[-1], *SIGN).returncode == 0
    told = refused("respond", source, signals[1], *SAID).replace("\u00a0", " ")
    assert f"{signals[1]} of AM-1: asks for no response any more" in told
    assert "readings of 15 Oct 2025 were withdrawn or moved" in told
    if source.is_dir():
        return
    drift("review", source, "--out", tmp_path / "b", *asked)
    with (tmp_path / "b" / "data" / "responses.csv").open(encoding="utf-8") as file:
        (kept,) = csv.DictReader(file)
    assert kept["problem"] == ""
    assert "withdrawn or moved" in kept["settled"]


def test_people_and_certificates_not_in_order_then_are_told(
    made: dict[str, Path], tmp_path: Path
) -> None:
    """Somebody unknown, somebody authorised later, a vessel whose certificate had ended."""
    folder = tmp_path / "lab"
    shutil.copytree(made["folder"], folder)
    write(
        folder,
        people=(
            "operator,task,authorised_on,authorised_by\n"
            "tech-2,calibration of air meters,2025-05-01,manager\n"
        ),
        equipment=(
            "equipment_id,kind,calibrated_on,due_on,certificate\n"
            "CV-A,vessel,2024-01-01,2025-01-01,C-1\n"
        ),
        more=readings("AM-2,2025-10-16,as_found,5.0,5.0,CV-A", columns="vessel_id"),
    )
    asked = ("--as-of", "2025-11-01", "--data-only")
    assert drift("review", folder, "--out", tmp_path / "out", *asked).returncode == 0
    with (tmp_path / "out" / "data" / "register_faults.csv").open(encoding="utf-8") as file:
        told = {
            (row["meter_id"], row["performed_on"], row["fault"]): row["since_on"]
            for row in csv.DictReader(file)
        }
    assert told["AM-1", DAYS[0], "person_not_on_record"] == ""
    assert told["AM-2", DAYS[0], "person_not_authorised"] == "2025-05-01"
    assert ("AM-2", DAYS[-1], "person_not_authorised") not in told
    assert told["AM-2", "2025-10-16", "calibration_ended"] == "2025-01-01"


def random_asking(rng: random.Random) -> list[str]:
    """Return a command that changes the record, with words that may or may not be meant."""
    meter = rng.choice(["AM-1", "am-2", "AM", "AM-9", "", "\u200bx", "=1+1"])
    day = rng.choice([*DAYS[-2:], "2023-02-30", "today", ""])
    pair = rng.choice(PAIRS)
    place = rng.choice(["r.csv:3", "r.csv", ":", "r.csv:99"])
    words = rng.choice(["a slip", "", "two\nlines", "é" * 300, "'; drop table journal; --"])
    sign = ["--by", rng.choice(["K. Vale", "", " "]), "--why", words, "--yes"]
    rows = ["--meter", meter, "--on", day]
    return rng.choice(
        [
            ["amend", "SOURCE", *rows, "--set", pair, *sign],
            [
                "amend",
                "SOURCE",
                "--at",
                place,
                "--set",
                pair,
                *sign,
            ],
            ["withdraw", "SOURCE", *rows, "--where", pair, *sign],
            ["restore", "SOURCE", rng.choice(["1", "0", "-1", "99", "x"]), *sign],
            ["decide", "SOURCE", meter, "--about", day, "--decision", words, "--by", "K. Vale"],
            ["respond", "SOURCE", "S-1", "--finding", words, "--action", pair, "--by", words],
        ]
    )


@pytest.mark.parametrize(
    ("source", "count"),
    [
        *((way, 12) for way in IN_WAYS),
        *(pytest.param(way, 300, marks=pytest.mark.long) for way in IN_WAYS),
    ],
    indirect=["source"],
)
def test_whatever_is_asked_the_record_stays_whole(source: Path, count: int) -> None:
    """A command does what it says and is an entry, or is refused in a sentence and is none."""
    rng = random.Random(count)  # noqa: S311  # which commands, no secret
    for _ in range(count):
        asked = [str(source) if word == "SOURCE" else word for word in random_asking(rng)]
        before = len(entries(source))
        ran = drift(*asked)
        assert ran.returncode in {0, 2}, asked
        assert "not foreseen" not in ran.stderr, (asked, ran.stderr)
        assert len(entries(source)) == before + (ran.returncode == 0), asked
    assert drift("journal", source, "--verify").returncode == 0
