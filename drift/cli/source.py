"""This module holds the commands that read a source of histories; the pipeline does the work."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path

import click

from drift.cli.codes import EXIT_DONE, EXIT_HELD_BACK
from drift.cli.saying import say_intake, say_review
from drift.pdf_files import find_browser

as_of_option = click.option(
    "--as-of",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="DATE",
    help="See only what was known on this date (YYYY-MM-DD; default today).",
)


@click.command()
@click.argument("source", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("review"),
    show_default=True,
    help="Folder to write into.",
)
@as_of_option
@click.option(
    "--policy", type=click.Path(path_type=Path), help="TOML file of the laboratory's choices."
)
@click.option(
    "--previous",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder of an earlier review, to say what has changed since.",
)
@click.option("--pdf", is_flag=True, help="Print every page as a PDF file too, by a browser.")
@click.option(
    "--browser",
    type=click.Path(path_type=Path),
    metavar="PATH",
    help="Browser of the Chromium family for --pdf, where none is found by its usual name.",
)
@click.option("--data-only", is_flag=True, help="Write the data files, no pages and no workbook.")
@click.option("--strict", is_flag=True, help="Exit with 1 where rows were held back.")
def review(
    source: Path,
    *,
    out: Path,
    as_of: datetime | None,
    policy: Path | None,
    previous: Path | None,
    pdf: bool,
    browser: Path | None,
    data_only: bool,
    strict: bool,
) -> int:
    """Review SOURCE, a folder of CSV files or a store file.

    Writes index.html, a dossier for each meter and data files into the folder of --out.
    """
    if pdf and data_only:
        raise click.UsageError("--pdf prints pages, and --data-only writes none")
    if browser and not pdf:
        raise click.UsageError("--browser is for --pdf")
    # Before the work, so that nobody waits for what cannot be printed.
    printer = find_browser(browser) if pdf else None
    from drift.pipeline import review_source  # noqa: PLC0415
    from drift.policy import read_policy  # noqa: PLC0415

    chosen = read_policy(policy)
    with _progress() as progress:
        written = review_source(
            source,
            out=out,
            as_of=day_asked(as_of),
            policy=chosen,
            with_pages=not data_only,
            progress=progress,
            previous=previous,
            browser=printer,
        )
    say_review(written)
    return EXIT_HELD_BACK if strict and written.held_back else EXIT_DONE


@click.command()
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
    say_intake(summary)
    return EXIT_HELD_BACK if strict and not summary.held_back.is_empty() else EXIT_DONE


def day_asked(as_of: datetime | None) -> date:
    """Return the day asked for, today where none was."""
    return as_of.date() if as_of else date.today()  # noqa: DTZ011 (the laboratory's own day)


@contextmanager
def _progress() -> Iterator[Callable[[int, int], None]]:
    """Give a function that shows progress on a terminal and nothing where output is piped."""
    with click.progressbar(length=1, label="Reviewing", hidden=not sys.stdout.isatty()) as bar:

        def show(done: int, of: int) -> None:
            bar.length = of
            bar.update(done - bar.pos)

        yield show
