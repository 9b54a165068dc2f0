"""A year of a laboratory: what is loaded, put right, answered and decided, and what was known."""

import csv
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from drift.api.journal import Asked, read_journal
from drift.api.reviews import find
from drift.cli import commands
from drift.review.policy import Policy
from drift.store import journal

HEADER = "meter_id,performed_on,stage,correct_air_pct,reading_air_pct\n"
QUARTERS = ("2025-01-15", "2025-04-15", "2025-07-15", "2025-10-15")
# Visits of the two years before: enough for a chart to have limits.
BEFORE = tuple(f"{year}-{month}-15" for year in (2023, 2024) for month in ("01", "04", "07", "10"))
# The day on which each command of the year is given.
NOW = [datetime(2025, 1, 20, 9, tzinfo=UTC)]


@pytest.fixture(scope="module")
def shared_analyses() -> None:
    """Share nothing: each review is worked out anew."""


class Clock(datetime):
    """A clock that stands where the year has come to."""

    @classmethod
    def now(cls, tz: object = None) -> datetime:  # type: ignore[override]  # of the day alone
        """Return the moment."""
        del tz
        return NOW[0]


def on(day: str) -> None:
    """Let the year come to a day."""
    NOW[0] = datetime.fromisoformat(f"{day}T09:00:00+00:00")


def run(*arguments: object) -> str:
    """Run a command that must succeed; return what it prints."""
    result = CliRunner().invoke(commands, list(map(str, arguments)), standalone_mode=False)
    assert result.exception is None, result.exception
    return result.stdout


def row(meter: str, day: str, reading: float, *, at: float = 5.0) -> str:
    return f"{meter},{day},as_found,{at},{reading}\n"


def quarter(folder: Path, number: int, *, further: str = "") -> Path:
    """Write what the laboratory exports after a quarter: all rows so far."""
    folder.mkdir(exist_ok=True)
    rows = "".join(
        row(meter, day, at + offset, at=at)
        for day in (*BEFORE, *QUARTERS[: number + 1])
        for meter, offset in (("AM-1", 0.01), ("AM-2", 0.0))
        for at in (5.0, 10.0)
    )
    (folder / "readings.csv").write_text(HEADER + rows + further, encoding="utf-8")
    return folder


def reviewed(store: Path, out: Path, *more: str) -> dict[str, bytes]:
    """Review a store; return every data file and page but the record of the run."""
    run("review", store, "--out", out, "--data-only", *more)
    return {
        path.name: path.read_bytes()
        for path in sorted((out / "data").iterdir())
        if path.name != "run.json"
    }


def stands(store: Path, day: str) -> dict[str, tuple[str, int]]:
    """Return where each meter stands on a day, and how many rows its ledger has."""
    found = find(store, as_of=date.fromisoformat(day), policy=Policy())
    rows = dict(found.ledger.group_by("meter_id").len().iter_rows())
    stand = found.meters.select("meter_id", "standing").sort("meter_id").iter_rows()
    return {meter_id: (standing, rows[meter_id]) for meter_id, standing in stand}


def asked(out: Path) -> list[dict[str, str]]:
    """Return the open points that a review wrote."""
    with (out / "data" / "open_points.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def filled(out: Path, place: Path) -> Path:
    """Fill in the responses that a review asks for; return the sheet."""
    said = {"finding": "hand loose", "action": "hand reset", "by": "O. Lund", "on": "2025-07-22"}
    rows = [row | said for row in asked(out) if row["asks"] == "response"]
    with place.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    return place


SIGN = ("--by", "O. Lund", "--yes")


def put_right(store: Path) -> None:
    """Move what was written for the wrong meter and for the wrong day."""
    run("amend", store, "--meter", "AM-9", "--set", "meter_id=AM-3", "--why", "wrong meter", *SIGN)
    run(
        *("amend", store, "--meter", "AM-1", "--on", "2025-03-15"),
        *("--set", "performed_on=2025-04-16", "--why", "wrong day", *SIGN),
    )


def amended_late(lab: Path, store: Path) -> None:
    """Let a file amend a reading of half a year ago, which asks who and why."""
    path = lab / "readings.csv"
    was, is_now = row("AM-2", "2025-01-15", 5.0), row("AM-2", "2025-01-15", 5.4)
    path.write_text(path.read_text(encoding="utf-8").replace(was, is_now), encoding="utf-8")
    refused = CliRunner().invoke(
        commands, ["intake", str(lab), "--store", str(store)], standalone_mode=False
    )
    assert refused.exception is not None
    run("intake", lab, "--store", store, "--by", "K. Vale", "--why", "read again", "--yes")


def weighed_wrongly(lab: Path, store: Path) -> None:
    """Load two calibrations of a vessel, and withdraw the second."""
    vessels = "vessel_id,calibrated_on,air_pct\nV-1,2025-06-01,5.00\nV-1,2025-07-30,5.30\n"
    (lab / "vessels.csv").write_text(vessels, encoding="utf-8")
    run("intake", lab, "--store", store, "--by", "K. Vale")
    run(
        *("withdraw", store, "--table", "vessels", "--where", "vessel_id=V-1"),
        *("--on", "2025-07-30", "--why", "weighed on a balance that was due", *SIGN),
    )


def test_a_year_of_a_laboratory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each step is an entry, rows are what they must be, and each earlier review comes again."""
    monkeypatch.setattr(journal, "datetime", Clock)
    store, lab = tmp_path / "s.duckdb", tmp_path / "lab"
    on("2025-01-20")
    run("intake", quarter(lab, 0), "--store", store, "--by", "K. Vale")
    # A reading of AM-2 was written for AM-1, and one of April for March.
    stray = row("AM-1", "2025-03-15", 5.0) + row("AM-9", "2025-04-15", 5.3)
    on("2025-04-20")
    run("intake", quarter(lab, 1, further=stray), "--store", store, "--by", "K. Vale")
    first = reviewed(store, tmp_path / "r1", "--as-of", "2025-04-20", "--by", "K. Vale")
    assert {row["meter_id"] for row in asked(tmp_path / "r1")} == {"AM-9"}
    on("2025-05-02")
    put_right(store)
    stood = stands(store, "2025-05-02")
    assert stood == {"AM-1": ("holding", 21), "AM-2": ("holding", 20), "AM-3": ("out", 1)}
    # A longer export still has both slips, and brings neither back.
    on("2025-07-20")
    run("intake", quarter(lab, 2, further=stray), "--store", store, "--by", "K. Vale")
    stood = stands(store, "2025-07-20")
    assert stood == {"AM-1": ("holding", 23), "AM-2": ("holding", 22), "AM-3": ("out", 1)}
    amended_late(lab, store)
    second = reviewed(store, tmp_path / "r2", "--as-of", "2025-07-20", "--by", "K. Vale")
    wanted = {(row["asks"], row["meter_id"], row["visit_on"]) for row in asked(tmp_path / "r2")}
    assert wanted == {
        ("decision", "AM-2", "2025-01-15"),
        ("decision", "AM-3", "2025-04-15"),
        ("response", "AM-2", "2025-01-15"),
        ("response", "AM-2", "2025-04-15"),
    }
    on("2025-07-22")
    run("respond", store, "--from", filled(tmp_path / "r2", tmp_path / "answers.csv"))
    on("2025-08-01")
    weighed_wrongly(lab, store)
    run(
        *("decide", store, "am-2", "--about", "2025-01-15", "--on", "2025-08-01"),
        *("--decision", "results stand", "--by", "O. Lund"),
    )
    stood = stands(store, "2025-08-01")
    assert stood == {"AM-1": ("holding", 23), "AM-2": ("watch", 22), "AM-3": ("out", 1)}
    last = find(store, as_of=date(2025, 12, 31), policy=Policy())
    assert last.signals["answered_on"].null_count() == 0
    kept = last.sources
    assert kept.vessels["air_pct"].to_list() == [5.0]
    assert kept.decisions["meter_id"].to_list() == ["AM-2"]
    found = read_journal(store, Asked())
    assert not found.broken
    assert [entry["kind"] for entry in found.entries] == [
        *("load", "load", "review", "amendment", "amendment", "load", "load", "review"),
        *("response", "load", "withdrawal", "decision"),
    ]
    again = reviewed(store, tmp_path / "a1", "--as-known-on", "2025-04-20")
    assert again == first
    assert reviewed(store, tmp_path / "a2", "--as-known-on", "2025-07-20") == second
    out = tmp_path / "out"
    told = run("export", store, out)
    copy = tmp_path / "copy.duckdb"
    run("intake", out, "--store", copy)
    said = run("journal", copy, "--verify")
    for line in told.splitlines():
        checksum, _, name = line.partition("  ")
        assert f"{checksum}  {name.partition('.')[0]}" in said
