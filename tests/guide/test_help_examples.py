"""Every command shows an example in its help, and the example runs."""

import csv
import re
import shlex
from pathlib import Path

from drift.cli import commands
from tests.command_line import run_here
from tests.guide.follow import on_the_day
from tests.guide.laboratory import TODAY, write_history, write_log, write_study

READINGS = """meter_id,performed_on,stage,correct_air_pct,reading_air_pct
AM-11,2026-10-01,as_found,0,0.0
"""
# Given in the folder of records itself.
WITHIN = {"status"}


def examples() -> dict[str, str]:
    """Return the example in the help of each command."""
    found = {}
    for name, command in commands.commands.items():
        told = re.search(r"Example: (drift .*)\Z", command.help or "", re.DOTALL)
        assert told is not None, f"drift {name} shows no example"
        found[name] = " ".join(told[1].split())
    return found


def open_signal(folder: Path) -> str:
    """Return a signal of the review that has no response."""
    with (folder / "review" / TODAY / "data" / "signals.csv").open(encoding="utf-8") as file:
        return next(row["signal_id"] for row in csv.DictReader(file) if not row["answered_on"])


def test_the_example_of_every_help_runs(tmp_path: Path) -> None:
    """One after the other, as the help lists the commands, in a laboratory of six meters."""
    write_history(tmp_path / "records" / "history")
    write_study(tmp_path / "records" / "history")
    (tmp_path / "records" / "incoming").mkdir()
    write_log(tmp_path / "records" / "incoming")
    (tmp_path / "new.csv").write_text(READINGS, encoding="utf-8")
    (tmp_path / "policy.toml").write_text("limit_sigmas = 3.5\n", encoding="utf-8")
    with on_the_day():
        for name, example in examples().items():
            line = example.partition(" > ")[0]
            if "SIGNAL_ID" in line:
                line = line.replace("SIGNAL_ID", open_signal(tmp_path))
            place = tmp_path / "records" if name in WITHIN else tmp_path
            ran = run_here(*shlex.split(line)[1:], cwd=place)
            assert ran.returncode == 0, f"{line}\n{ran.stdout}{ran.stderr}"
            assert ran.stdout
