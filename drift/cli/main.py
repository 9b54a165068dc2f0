"""This module gathers the commands and turns trouble into exit codes."""

import io
import os
import signal
import sys
import tempfile
import traceback

import click

from drift.cli.answers import decide, respond
from drift.cli.bench import check, sheet
from drift.cli.completion import completion
from drift.cli.console import keep_quiet
from drift.cli.guide import guide, reference
from drift.cli.journal import amend, export, journal, restore, withdraw
from drift.cli.keyboard import queries_end_by_keyboard
from drift.cli.memos import impact, retirement, visit
from drift.cli.options import EXIT_STOPPED, EXIT_UNUSABLE
from drift.cli.records import import_records, start, status
from drift.cli.source import intake, review
from drift.cli.studies import detectability, proof, study
from drift.errors import DriftError
from drift.version import __version__

_LONGEST_SAID = 200
# What the database says, as an error of its own, where the keyboard interrupts a query.
_DATABASE_INTERRUPTED = "Query interrupted"


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="drift", message="%(prog)s %(version)s")
@click.option("--quiet", is_flag=True, help="Print errors only; the exit code says the rest.")
def commands(*, quiet: bool) -> None:
    """Watch a fleet of pressure-type air meters for drift toward its tolerance."""
    if quiet:
        keep_quiet()


for _command in (
    review,
    intake,
    import_records,
    start,
    status,
    respond,
    decide,
    sheet,
    check,
    visit,
    impact,
    retirement,
    detectability,
    proof,
    study,
    withdraw,
    amend,
    restore,
    journal,
    export,
    guide,
    reference,
    completion,
):
    commands.add_command(_command)


def main() -> None:
    """Run the command line and exit with its code."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        # What a terminal cannot show is spelled, and is no reason to fail.
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        with queries_end_by_keyboard():
            code = commands.main(
                prog_name="drift", complete_var="_DRIFT_COMPLETE", standalone_mode=False
            )
        sys.stdout.flush()
    except SystemExit:
        raise
    except BaseException as error:  # noqa: BLE001  # a panic of a library is no Exception
        code = _code_of(error)
    sys.exit(code)


def _code_of(error: BaseException) -> int:
    """Say in a sentence why a command ended; return its exit code."""
    if _is_interruption(error):
        # A second key must not cut the end of the first short.
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        click.echo("drift: stopped", err=True)
        return EXIT_STOPPED
    if isinstance(error, click.ClickException):
        error.show()
    elif isinstance(error, DriftError):
        click.echo(f"drift: {error}", err=True)
        if error.hint:
            click.echo(f"\nhint: {error.hint}", err=True)
    else:
        _let_output_go()
        said = " ".join(str(error).split())[:_LONGEST_SAID]
        kind = type(error).__name__
        click.echo(
            f"drift: ended by an error that was not foreseen ({kind}{': ' if said else ''}{said}); "
            f"{_details(error)}",
            err=True,
        )
    return EXIT_UNUSABLE


def _let_output_go() -> None:
    """Drop what could not be printed, such as on a full disk, so that leaving does not fail."""
    try:
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _is_interruption(error: BaseException) -> bool:
    """Say whether the keyboard is behind an error, also one that a library made of it."""
    seen: BaseException | None = error
    while seen is not None:
        if isinstance(seen, KeyboardInterrupt | click.Abort):
            return True
        if isinstance(seen, RuntimeError) and str(seen) == _DATABASE_INTERRUPTED:
            return True
        seen = seen.__cause__ or seen.__context__
    return False


def _details(error: BaseException) -> str:
    """Write what a developer needs into a log file; say where it is."""
    try:
        with tempfile.NamedTemporaryFile(
            "w",
            prefix="drift-",
            suffix=".log",
            delete=False,
            encoding="utf-8",
            errors="backslashreplace",
        ) as log:
            log.write(f"drift {__version__}, Python {sys.version}\n{sys.argv[1:]}\n\n")
            traceback.print_exception(error, file=log)
    except OSError as trouble:
        return f"details could not be written ({trouble.strerror})"
    return f"details are in {log.name}"
