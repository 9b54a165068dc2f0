"""This module holds the commands that study the method itself, not one review of a fleet."""

import json
from pathlib import Path

import click

from drift.cli.codes import EXIT_DONE
from drift.cli.saying import say_table


@click.command()
@click.option(
    "--policy", type=click.Path(path_type=Path), help="TOML file of the laboratory's choices."
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of tables.")
def detectability(*, policy: Path | None, as_json: bool) -> int:
    """Say what the charts of a policy can and cannot see.

    False alarms of a sound fleet, and how soon sudden shifts and steady drifts are noticed, in
    visits and in years, computed exactly for the policy in force.
    """
    from drift.policy import read_policy  # noqa: PLC0415
    from drift.studies import as_records, study_detectability  # noqa: PLC0415

    found = study_detectability(read_policy(policy))
    if as_json:
        click.echo(json.dumps(as_records(found), indent=2, allow_nan=False))
        return EXIT_DONE
    say_table("False alarms while every meter is sound", found.false_alarms)
    say_table("Sudden shifts", found.shifts)
    say_table("Steady drifts", found.drifts)
    for note in found.notes:
        click.echo(f"- {note}")
    return EXIT_DONE
