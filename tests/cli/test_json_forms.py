"""Every command that finds or does something has a form for scripts."""

import json
from pathlib import Path

import pytest

from drift.cli import commands
from tests.cli.test_cli import quarters, source
from tests.command_line import run_here
from tests.guide.follow import on_the_day
from tests.layouts.logs import wide_log
from tests.layouts.truth import fleet

# These print texts for people, or what a shell runs.
FOR_PEOPLE = {"guide", "reference", "completion"}
WHO = ("--by", "A. Person", "--why", "wrong", "--yes")


def told(folder: Path, *arguments: object) -> object:
    """Return what a command prints as JSON, or fail."""
    with on_the_day():
        ran = run_here(*arguments, "--json", cwd=folder)
    assert ran.returncode == 0, ran.stderr
    return json.loads(ran.stdout)


@pytest.mark.parametrize("name", sorted(set(commands.commands) - FOR_PEOPLE))
def test_every_command_takes_json(name: str) -> None:
    """But those that print texts."""
    options = {option for one in commands.commands[name].params for option in one.opts}
    assert "--json" in options


def test_a_history_is_begun_changed_and_exported_by_scripts(tmp_path: Path) -> None:
    """Start, import, status, amend, withdraw, restore and export, each telling what it did."""
    made = told(tmp_path, "start", "records")
    assert isinstance(made, dict)
    assert Path(made["incoming"]).parts == ("records", "incoming")
    log = wide_log(tmp_path, fleet(meters=2, visits=3))
    imported = told(tmp_path, "import", log, "--into", "records/history", "--accept")
    assert isinstance(imported, dict)
    assert imported["new_rows"] == {"readings": 36}
    assert len(imported["written"]) == 1
    status = told(tmp_path / "records", "status")
    assert isinstance(status, dict)
    assert (status["in_use"], status["overdue"]) == (2, ["M-101", "M-102"])
    told(tmp_path, "intake", "records/history", "--store", "fleet.duckdb")
    row = ("--meter", "M-101", "--on", "2025-01-14", "--stage", "as_left", "--point", "5")
    changed = told(tmp_path, "amend", "fleet.duckdb", *row, "--set", "remarks=read twice", *WHO)
    gone = told(tmp_path, "withdraw", "fleet.duckdb", *row, *WHO)
    back = told(tmp_path, "restore", "fleet.duckdb", "3", *WHO)
    kinds = [(one["entry"], one["kind"]) for one in (changed, gone, back) if isinstance(one, dict)]
    assert kinds == [(2, "amendment"), (3, "withdrawal"), (4, "restoration")]
    exported = told(tmp_path, "export", "fleet.duckdb", "copy")
    assert isinstance(exported, list)
    rows = {one["file"]: one["rows"] for one in exported}
    assert rows["readings.csv"] == 36


def test_responses_and_decisions_are_told_to_scripts(tmp_path: Path) -> None:
    """Where each went, and what it is about."""
    source(tmp_path / "lab", *quarters("AM-1", [0.0, 0.02, 0.0, 0.01, 0.0, 0.02, 0.01, 0.6]))
    words = ("--finding", "hand loose", "--action", "reset", "--by", "A. Person")
    visit = ("--meter", "am-1", "--visit", "2021-10-15")
    recorded = told(tmp_path, "respond", "lab", *visit, *words)
    assert isinstance(recorded, list)
    assert {one["meter_id"] for one in recorded} == {"AM-1"}
    about = ("--about", "2021-10-15", "--decision", "results stand", "--by", "A. Person")
    decided = told(tmp_path, "decide", "lab", "AM-1", *about)
    assert isinstance(decided, list)
    assert [one["about"] for one in decided] == ["results stand"]
