"""This module hands out the texts of the guide."""

from dataclasses import dataclass
from functools import cache
from pathlib import Path

_FOLDER = Path(__file__).parent
# Every command with its options, as `tests/guide/commands_told.py` makes it of the commands.
COMMANDS = _FOLDER / "commands.md"

# Topics in the order in which they are told: tasks first, then what explains them.
TOPICS = (
    "first-hour",
    "quarter-day",
    "failed-meter",
    "bench-day",
    "assessor",
    "keep-or-retire",
    "repeatability",
    "journal",
    "pages",
    "standings",
    "chain",
    "statistics",
    "python",
    "promises",
    "limits",
    "glossary",
)


@dataclass(frozen=True, slots=True)
class Topic:
    """One text of the guide.

    Attributes
    ----------
    name : str
        What it is asked for by.
    title : str
        Its first heading.
    text : str
        Markdown, without that heading.
    """

    name: str
    title: str
    text: str


@cache
def topics() -> tuple[Topic, ...]:
    """Return all texts of the guide in order."""
    return tuple(map(topic, TOPICS))


def topic(name: str) -> Topic:
    """Return one text of the guide.

    Raises
    ------
    KeyError
        If there is none of that name.
    """
    if name not in TOPICS:
        raise KeyError(name)
    whole = (_FOLDER / f"{name}.md").read_text(encoding="utf-8")
    title, _, text = whole.partition("\n")
    return Topic(name, title.removeprefix("# "), text.strip())
