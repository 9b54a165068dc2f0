"""This module holds arguments, options and exit codes that several commands share."""

from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import Any, TypeVar

import click

from drift.cli.parameters import Day

Command = TypeVar("Command", bound=Callable[..., Any])

ON_DAY = Day()

source_argument = click.argument("source", type=click.Path(path_type=Path))
as_of_option = click.option(
    "--as-of",
    type=ON_DAY,
    metavar="DATE",
    help="See only what was known on this date (such as 2026-10-01 or 1 Oct 2026; default today).",
)
policy_option = click.option(
    "--policy", type=click.Path(path_type=Path), help="TOML file of the laboratory's choices."
)
strict_option = click.option(
    "--strict", is_flag=True, help="Exit with 1 where rows were held back."
)
by_option = click.option("--by", metavar="NAME", help="Who does it, for the journal.")
why_option = click.option("--why", metavar="TEXT", help="Why, for the journal.")
yes_option = click.option(
    "--yes", is_flag=True, help="Write without asking; --by and --why must be given."
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")

EXIT_DONE = 0
EXIT_HELD_BACK = 1
EXIT_UNUSABLE = 2
# Fresh readings out of tolerance, or to be read again or looked up before they are loaded.
EXIT_REPEAT = 3
# As shells report a program that was interrupted: 128 and the number of the signal.
EXIT_STOPPED = 130


def out_option(folder: str) -> Callable[[Command], Command]:
    """Return the option that says where to write; `out_asked` gives its default."""
    return click.option(
        "--out",
        type=click.Path(path_type=Path),
        metavar="DIR",
        help=f"Folder to write into (default {folder}/DATE, by the date of --as-of).",
    )


def out_asked(out: Path | None, folder: str, as_of: datetime | None) -> Path:
    """Return the folder asked for, else one of the day below `folder`."""
    return out if out is not None else Path(folder) / day_asked(as_of).isoformat()


def day_asked(as_of: datetime | None) -> date:
    """Return the day asked for, today where none was."""
    return as_of.date() if as_of else date.today()  # noqa: DTZ011 (the laboratory's own day)
