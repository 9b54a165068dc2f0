"""This module holds the commands that write notes on single meters."""

from datetime import datetime
from pathlib import Path

import click

from drift.cli.codes import EXIT_DONE
from drift.cli.source import as_of_option, day_asked


@click.command()
@click.argument("source", type=click.Path(path_type=Path))
@click.argument("meter")
@click.option(
    "--visit",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="DATE",
    help="Visit asked about (default: the last that found the meter out of tolerance).",
)
@as_of_option
@click.option(
    "--policy", type=click.Path(path_type=Path), help="TOML file of the laboratory's choices."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("impact"),
    show_default=True,
    help="Folder to write into.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of sentences.")
def impact(
    source: Path,
    meter: str,
    *,
    visit: datetime | None,
    as_of: datetime | None,
    policy: Path | None,
    out: Path,
    as_json: bool,
) -> int:
    """Say since when METER of SOURCE is suspect after a failed check, and which tests that touches.

    Writes the note and CSV files of the field tests and of the meter's path into the folder of
    --out.  It lists; people decide.
    """
    from drift.memos import impact_record, write_impact  # noqa: PLC0415
    from drift.policy import read_policy  # noqa: PLC0415

    written = write_impact(
        source,
        meter,
        visit=visit.date() if visit else None,
        out=out,
        as_of=day_asked(as_of),
        policy=read_policy(policy),
    )
    if as_json:
        click.echo(impact_record(written))
        return EXIT_DONE
    for sentence in written.told:
        click.echo(sentence)
    click.echo(f"Note: {written.page}")
    for path in written.data:
        click.echo(f"Data: {path}")
    return EXIT_DONE
