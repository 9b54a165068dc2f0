"""This module gathers the commands and turns trouble into exit codes; it does none of the work."""

import sys

import click

from drift import __version__
from drift.cli.bench import check, respond, sheet
from drift.cli.codes import EXIT_STOPPED, EXIT_UNUSABLE
from drift.cli.memos import impact, retirement
from drift.cli.source import intake, review
from drift.cli.studies import detectability, proof
from drift.errors import DriftError


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="drift", message="%(prog)s %(version)s")
def commands() -> None:
    """Watch a fleet of pressure-type air meters for drift toward its tolerance."""


for _command in (review, intake, respond, sheet, check, impact, retirement, detectability, proof):
    commands.add_command(_command)


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
        sys.exit(EXIT_STOPPED)
    sys.exit(code)
