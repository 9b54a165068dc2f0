"""This module follows a text of the guide: its commands one by one, and the screens below them."""

import contextlib
import re
import shlex
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from unittest import mock

import drift.cli.options
from tests.command_line import run_here
from tests.guide.laboratory import TODAY

_BLOCKS = re.compile(r"^```(\w*)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
# Stands for lines left out, and at the end of a line for the rest of it.
LEFT_OUT = "…"


@dataclass(frozen=True, slots=True)
class Step:
    """A command as it is shown.

    Attributes
    ----------
    command : str
        What is typed.
    screen : str or None
        What is shown below as its output; None where nothing is.
    """

    command: str
    screen: str | None


class _OnTheDay(date):
    """The day on which the guide's commands are given."""

    @classmethod
    def today(cls) -> "_OnTheDay":
        return cls.fromisoformat(TODAY)


def steps(text: str) -> list[Step]:
    """Return the commands of a Markdown text in order, the last of a block with its screen."""
    found: list[Step] = []
    for kind, block in _BLOCKS.findall(text):
        if kind == "sh":
            found += [Step(line, None) for line in block.splitlines() if line]
        elif kind == "text" and found:
            found[-1] = Step(found[-1].command, block)
    return found


def follow(
    text: str, folder: Path, *, by_hand: dict[str, Callable[[Path], object]], codes: dict[str, int]
) -> None:
    """Give the commands of a text one by one in a folder; compare code and screen of each.

    Parameters
    ----------
    text : str
        Markdown.
    folder : Path
        Where to begin.
    by_hand : dict of str to callable
        What a person does in the folder before a command that starts so, such as filling in a file.
    codes : dict of str to int
        Exit code of a command that starts so, where it is not 0.
    """
    with on_the_day():
        place = folder
        for step in steps(text):
            for begun, act in by_hand.items():
                if step.command.startswith(begun):
                    act(folder)
            if step.command.startswith("cd "):
                place = place / step.command.removeprefix("cd ")
                continue
            words = shlex.split(step.command.removeprefix(".venv/bin/"))
            assert words[0] == "drift", step.command
            ran = run_here(*words[1:], cwd=place)
            expected = [code for begun, code in codes.items() if step.command.startswith(begun)]
            assert ran.returncode == (*expected, 0)[0], f"{step.command}\n{ran.stdout}{ran.stderr}"
            if step.screen is not None:
                assert shows(step.screen, ran.stdout), f"{step.command}\n{ran.stdout}"


@contextlib.contextmanager
def on_the_day() -> Iterator[None]:
    """Let commands be given on the day of the guide."""
    with mock.patch.object(drift.cli.options, "date", _OnTheDay):
        yield


def shows(screen: str, printed: str) -> bool:
    """Say whether a screen is what was printed, but for what it leaves out by "…"."""
    pattern = ""
    for line in _plain(screen).splitlines():
        if line.strip() == LEFT_OUT:
            pattern += r"(?:.*\n)*"
        elif line.endswith(" " + LEFT_OUT):
            pattern += re.escape(line.removesuffix(LEFT_OUT)) + r".*\n"
        else:
            pattern += re.escape(line) + r"\n"
    return re.fullmatch(pattern, _plain(printed)) is not None


def _plain(text: str) -> str:
    """Return text with plain spaces for those that do not break."""
    return text.replace("\u00a0", " ").replace("\u202f", " ")
