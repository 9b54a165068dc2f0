"""Days, meters and signals as people type them; quiet and JSON for scripts."""

import json
import os
import subprocess
import sys
from pathlib import Path

import click
import pytest

from drift.cli import commands
from drift.cli.options import ON_DAY
from drift.cli.parameters import Meter, Signal
from tests.sample_files import FOLDER

DRIFT = [sys.executable, "-m", "drift"]


def run(*arguments: str, cwd: Path, **variables: str) -> subprocess.CompletedProcess[str]:
    """Run the command line as a shell does."""
    return subprocess.run(
        [*DRIFT, *arguments],
        cwd=cwd,
        env=os.environ | variables,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(
    "text", ["2026-10-13", "13 Oct 2026", "Oct 13, 2026", "13.10.2026", "10/13/2026", "13/10/26"]
)
def test_a_day_is_read_as_it_is_written(text: str) -> None:
    """Any form that leaves one day possible is that day."""
    assert f"{ON_DAY.convert(text, None, None):%Y-%m-%d}" == "2026-10-13"


def test_a_day_of_two_readings_is_refused_with_both() -> None:
    """Nobody at the terminal to ask: neither day is taken."""
    with pytest.raises(click.BadParameter, match="2026-01-10 or 2026-10-01"):
        ON_DAY.convert("10/1/2026", None, None)
    for text in ("2026-13-01", "soon", "", "31/31/2026"):
        with pytest.raises(click.BadParameter, match="is not a day"):
            ON_DAY.convert(text, None, None)


def test_shells_complete_meters_and_signals_of_the_newest_review(tmp_path: Path) -> None:
    """In any case, by the review below the folder; nothing where there is none."""
    data = tmp_path / "review" / "2026-10-01" / "data"
    data.mkdir(parents=True)
    (data / "meters.csv").write_text("meter_id,standing\nAM-1,out\nBM-1,holding\n")
    (data / "signals.csv").write_text("signal_id,sentence\nabc12,outside\n")
    asked = {"COMP_CWORD": "3", "_DRIFT_COMPLETE": "bash_complete"}
    meters = run(cwd=tmp_path, COMP_WORDS="drift impact lab am", **asked)
    assert meters.stdout.split() == ["plain,AM-1"]
    signals = run(cwd=tmp_path, COMP_WORDS="drift respond lab a", **asked)
    assert signals.stdout.split() == ["plain,abc12"]
    assert run(cwd=data, COMP_WORDS="drift impact lab am", **asked).stdout.split() == []


def test_whatever_names_a_meter_or_a_signal_is_completed() -> None:
    """Of every command, by its kind of argument."""
    kinds = {"meter": Meter, "signal_id": Signal}
    named = [
        (name, one.name, type(one.type))
        for name, command in commands.commands.items()
        for one in command.params
        if one.name in kinds
    ]
    assert len(named) > 5
    assert [one for one in named if one[2] is not kinds[one[1]]] == []


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_each_shell_is_taught(shell: str, tmp_path: Path) -> None:
    """What is printed asks this program for completions."""
    told = run("completion", shell, cwd=tmp_path)
    assert told.returncode == 0
    assert f"_DRIFT_COMPLETE={shell}_complete" in told.stdout


def test_quiet_prints_nothing_and_json_is_json(tmp_path: Path) -> None:
    """The same work, the same exit code."""
    store = str(tmp_path / "store.duckdb")
    silent = run("--quiet", "intake", str(FOLDER), "--store", store, cwd=tmp_path)
    assert (silent.returncode, silent.stdout) == (0, "")
    told = run("intake", str(FOLDER), "--store", store, "--json", cwd=tmp_path)
    files = json.loads(told.stdout)["files"]
    assert sum(row["taken"] for row in files) == 0
    assert sum(row["known"] for row in files) > 5000
    assert run("--quiet", "check", store, "nosuch.csv", cwd=tmp_path).returncode == 2


def test_the_guide_is_found_by_a_beginning_in_any_case(tmp_path: Path) -> None:
    """And what is not there names what comes nearest."""
    assert run("guide", "QUARTER", cwd=tmp_path).stdout.startswith("# Quarter day")
    lost = run("reference", "tabels", cwd=tmp_path)
    assert lost.returncode == 2
    assert "did you mean 'tables'?" in lost.stderr
