"""This module is the command line: arguments, messages and exit codes; it does no work itself.

Results go to standard output, messages about trouble to standard error.  Heavy libraries are
loaded by the commands that need them, so that asking for help is quick.
"""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drift import __version__
from drift.errors import DriftError

if TYPE_CHECKING:
    import polars as pl

    from drift.pipeline import Written
    from drift.store import IntakeSummary

EXIT_DONE, EXIT_HELD_BACK, EXIT_UNUSABLE = 0, 1, 2
# Standings that a terminal summary names meter by meter.
_NAMED = ("out", "drifting")
_LONGEST_ID = 40


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="drift", message="%(prog)s %(version)s")
def commands() -> None:
    """Watch a fleet of pressure-type air meters for drift toward its tolerance."""


@commands.command()
@click.argument("source", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("review"),
    show_default=True,
    help="Folder to write into.",
)
@click.option(
    "--as-of",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="DATE",
    help="See only what was known on this date (YYYY-MM-DD; default today).",
)
@click.option(
    "--policy", type=click.Path(path_type=Path), help="TOML file of the laboratory's choices."
)
@click.option("--data-only", is_flag=True, help="Write the data files, no pages.")
@click.option("--strict", is_flag=True, help="Exit with 1 where rows were held back.")
def review(
    source: Path,
    *,
    out: Path,
    as_of: datetime | None,
    policy: Path | None,
    data_only: bool,
    strict: bool,
) -> int:
    """Review SOURCE, a folder of CSV files or a store file.

    Writes index.html, a dossier for each meter and data files into the folder of --out.
    """
    from drift.pipeline import review_source  # noqa: PLC0415
    from drift.policy import read_policy  # noqa: PLC0415

    chosen = read_policy(policy)
    with _progress() as progress:
        written = review_source(
            source,
            out=out,
            as_of=as_of.date() if as_of else date.today(),  # noqa: DTZ011 (the laboratory's own day)
            policy=chosen,
            with_pages=not data_only,
            progress=progress,
        )
    _say_review(written)
    return EXIT_HELD_BACK if strict and written.held_back else EXIT_DONE


@commands.command()
@click.argument("source", type=click.Path(path_type=Path))
@click.option(
    "--store",
    type=click.Path(path_type=Path),
    required=True,
    help="Store file to load into; made where it does not exist.",
)
@click.option("--strict", is_flag=True, help="Exit with 1 where rows were held back.")
def intake(source: Path, *, store: Path, strict: bool) -> int:
    """Load SOURCE, a folder of CSV files, into a store file."""
    from drift.pipeline import intake as take  # noqa: PLC0415

    summary = take(source, store=store)
    _say_intake(summary)
    return EXIT_HELD_BACK if strict and not summary.held_back.is_empty() else EXIT_DONE


def main() -> None:
    """Run the command line and exit with its code."""
    try:
        code = commands.main(standalone_mode=False)
    except DriftError as error:
        click.echo(f"drift: {error}", err=True)
        if error.hint:
            click.echo(f"\nhint: {error.hint}", err=True)
        sys.exit(EXIT_UNUSABLE)
    except click.ClickException as error:
        error.show()
        sys.exit(EXIT_UNUSABLE)
    except (click.Abort, KeyboardInterrupt):
        click.echo("drift: stopped", err=True)
        sys.exit(130)
    sys.exit(code)


@contextmanager
def _progress() -> Iterator[Callable[[int, int], None]]:
    """Give a function that shows progress on a terminal and nothing where output is piped."""
    with click.progressbar(length=1, label="Reviewing", hidden=not sys.stdout.isatty()) as bar:

        def show(done: int, of: int) -> None:
            bar.length = of
            bar.update(done - bar.pos)

        yield show


def _say_review(written: "Written") -> None:
    """Print the short summary of a review."""
    meters = written.review.meters
    known = written.rows - written.taken - written.held_back
    click.echo(
        f"{written.taken} rows taken, {written.held_back} held back"
        + (f", {known} already known" if known > 0 else "")
        + (f" (see {written.data / 'held_back.csv'})" if written.held_back else "")
    )
    counts = ", ".join(
        f"{count} {standing}"
        for standing in ("out", "drifting", "watch", "unproven", "holding")
        if (count := int((meters["standing"] == standing).sum()))
    )
    late = int(meters["overdue"].sum())
    click.echo(
        f"{meters.height} meters on {written.review.as_of}: {counts}"
        + (f"; {late} overdue" if late else "")
    )
    _say_actions(meters)
    click.echo(f"Pages: {written.index}" if written.index else f"Data: {written.data}")


def _say_actions(meters: "pl.DataFrame") -> None:
    """Print the meters that need action, in order."""
    urgent = [
        row for row in meters.iter_rows(named=True) if row["standing"] in _NAMED or row["overdue"]
    ]
    if not urgent:
        click.echo("No meter needs action before its next due date.")
        return
    click.echo("Need action, in this order:")
    width = min(max(len(_one_line(row["meter_id"])) for row in urgent), _LONGEST_ID)
    for row in urgent:
        standing = row["standing"] + (", overdue" if row["overdue"] else "")
        click.echo(f"  {_one_line(row['meter_id']):{width}}  {standing}: {row['reason']}")
        click.echo(f"  {'':{width}}  → {row['action']}")


def _say_intake(summary: "IntakeSummary") -> None:
    """Print what became of each file, each row held back and each value amended."""
    for row in summary.files.iter_rows(named=True):
        table = f" ({row['table_name']})" if row["table_name"] else ""
        counts = [
            f"{row['taken']} taken",
            f"{row['held_back']} held back",
            f"{row['known']} already known",
        ]
        if row["amended"]:
            counts.append(f"{row['amended']} amended")
        note = f"; {row['note']}" if row["note"] else ""
        click.echo(f"{_one_line(row['file'])}{table}: {', '.join(counts)}{note}")
    for row in summary.held_back.iter_rows(named=True):
        column = f" {row['column']}:" if row["column"] else ""
        click.echo(f"held back {_one_line(row['file'])}:{row['line']}:{column} {row['reason']}")
    for row in summary.amendments.iter_rows(named=True):
        click.echo(
            f"amended {row['table_name']} {_one_line(row['row_key'])} {row['column']}: "
            f"{row['old_value']} → {row['new_value']} "
            f"({_one_line(row['new_file'])}:{row['new_line']})"
        )


def _one_line(meter_id: str) -> str:
    """Return an id that cannot break the layout of a terminal."""
    text = "".join(character if character.isprintable() else "?" for character in meter_id)
    return text if len(text) <= _LONGEST_ID else text[: _LONGEST_ID - 1] + "…"
