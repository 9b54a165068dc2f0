"""What a terminal gets: lines and tables that fit it, and colour unless it is declined."""

import os
import pty
import re
import subprocess
import sys

import pytest

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
