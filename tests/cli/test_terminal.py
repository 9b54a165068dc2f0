"""What a terminal gets: lines and tables that fit it, and colour unless it is declined."""

import os
import pty
import re
import subprocess
import sys
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import pytest

from tests.command_line import run_here

WIDTH = 60


def on_terminal(*arguments: str, **variables: str) -> str:
    """Run the command line at a terminal of 60 columns; return what it shows."""
    master, slave = pty.openpty()
    env = {name: text for name, text in os.environ.items() if name not in {"NO_COLOR", "TERM"}}
    env |= {"COLUMNS": str(WIDTH), "TERM": "xterm-256color"} | variables
    command = [sys.executable, "-m", "drift", *arguments]
    with subprocess.Popen(command, stdin=slave, stdout=slave, stderr=slave, env=env) as process:
        os.close(slave)
        shown = b""
        while True:
            try:
                part = os.read(master, 65536)
            except OSError:  # the terminal's other end is closed
                break
            if not part:
                break
            shown += part
    os.close(master)
    assert process.returncode == 0, shown
    return shown.decode().replace("\r\n", "\n")


def bare(text: str) -> str:
    return re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", text)


@pytest.fixture(scope="module")
def study() -> str:
    return on_terminal("detectability")


def test_lines_and_tables_fit_the_terminal(study: str) -> None:
    """Sentences break between words, tables narrow their columns; no word is lost."""
    assert "False alarms while every meter is sound" in bare(study)
    assert max(map(len, bare(study).splitlines())) <= WIDTH


def test_colour_is_for_terminals_and_may_be_declined(study: str) -> None:
    """Codes of colour at a terminal, none with NO_COLOR, none where output is piped."""
    colour = re.compile(r"\x1b\[(?:\d+;)*3\d")
    assert colour.search(study)
    assert not colour.search(on_terminal("guide", "glossary", NO_COLOR="1"))
    piped = subprocess.run(
        [sys.executable, "-m", "drift", "guide"], capture_output=True, text=True, check=True
    )
    assert "\x1b" not in piped.stdout


def test_a_long_list_is_told_by_its_first_lines_and_a_number(tmp_path: Path) -> None:
    """Of 60 rows held back, 60 values amended and 120 visits checked 40 each."""
    days = [date(2024, 1, 5) + timedelta(days=number) for number in range(120)]
    head = "meter_id,performed_on,stage,correct_air_pct,reading_air_pct\n"

    def rows(name: str, values: Callable[[int], object]) -> Path:
        lines = (f"A,{day},as_found,5,{values(at)}\n" for at, day in enumerate(days))
        (tmp_path / name).mkdir()
        (tmp_path / name / "r.csv").write_text(head + "".join(lines), encoding="utf-8")
        return tmp_path / name

    store = tmp_path / "s.duckdb"
    loaded = run_here("intake", rows("a", lambda at: "x" if at % 2 else 5.0), "--store", store)
    held = [line for line in loaded.stdout.splitlines() if line.startswith("held back")]
    assert len(held) == 41
    assert held[-1] == "held back: and 20 more; data/held_back.csv of a review has all"
    again = rows("b", lambda at: "x" if at % 2 else 5.1)
    signed = ("--by", "K. Vale", "--why", "read anew", "--yes")
    amended = run_here("intake", again, "--store", store, *signed).stdout.splitlines()
    told = [line for line in amended if line.startswith("amended")]
    assert len(told) == 41
    assert told[-1] == "amended and 20 more; evidence.html of a review lists all"
    out = rows("c", lambda at: 5.1 if at < 60 else 6.0)
    checked = run_here("check", store, out, "--as-of", "2024-03-04").stdout.splitlines()
    # Verdicts first, then visits.
    assert checked.count("and 80 more; --json tells all") == 2
    assert sum(line.startswith("A, ") for line in checked) == 2 * 40
