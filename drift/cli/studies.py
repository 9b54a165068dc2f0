"""This module holds the commands that study the method itself, and studies of it on record."""

from datetime import datetime
from pathlib import Path

import click

from drift.cli.console import say_proof, say_table, tell, tell_record
from drift.cli.options import (
    EXIT_DONE,
    as_of_option,
    day_asked,
    json_option,
    out_asked,
    out_option,
    policy_option,
    source_argument,
)

_FIGURE = click.option(
    "--figure",
    type=click.Path(path_type=Path),
    help="Also draw the finding into this file, SVG or, where its name ends so, PNG.",
)


@click.command()
@policy_option
@json_option
@_FIGURE
def detectability(*, policy: Path | None, as_json: bool, figure: Path | None) -> int:
    """Say what the charts of a policy can and cannot see.

    False alarms of a sound fleet, and how soon sudden shifts and steady drifts are noticed, in
    visits and in years, computed exactly for the policy in force.

    Example: drift detectability --policy policy.toml
    """
    from drift.api.face import detectability as study  # noqa: PLC0415
    from drift.review.policy import read_policy  # noqa: PLC0415

    chosen = read_policy(policy)
    found = study(chosen)
    if figure is not None:
        from drift.report.figure_files import draw  # noqa: PLC0415
        from drift.report.figures.rows import filled  # noqa: PLC0415
        from drift.report.figures.studies import drift_rows  # noqa: PLC0415

        rows = drift_rows(found.drifts, tolerance_pct=chosen.tolerance_pct)
        draw(figure, filled("noticed_drifts", rows))
    if as_json:
        tell_record(found.as_records())
        return EXIT_DONE
    from drift.report.figures.findings import notice  # noqa: PLC0415

    for sentence in notice(found, charts=chosen.charts):
        tell(sentence)
    say_table("False alarms while every meter is sound", found.false_alarms)
    say_table("Sudden shifts", found.shifts)
    say_table("Steady drifts", found.drifts)
    for note in found.notes:
        tell(f"- {note}")
    return EXIT_DONE


@click.command()
@source_argument
@as_of_option
@policy_option
@json_option
@_FIGURE
def proof(
    source: Path,
    *,
    as_of: datetime | None,
    policy: Path | None,
    as_json: bool,
    figure: Path | None,
) -> int:
    """Judge the forecaster on the laboratory's own history.

    Each past visit of SOURCE is forecast with what was known before it, and compared with what
    it found: do the probabilities come true, do the bands hold, what would flags have caught.

    Example: drift proof records/history
    """
    from drift.api.face import proof as prove  # noqa: PLC0415
    from drift.review.evidence import proof_records  # noqa: PLC0415

    found = prove(source, as_of=day_asked(as_of), policy=policy)
    if figure is not None:
        from drift.report.figure_files import draw  # noqa: PLC0415
        from drift.report.figures.rows import filled  # noqa: PLC0415
        from drift.report.figures.studies import band_rows  # noqa: PLC0415

        draw(figure, filled("borne_out", band_rows(found.reliability)))
    if as_json:
        tell_record(proof_records(found))
    else:
        say_proof(found)
    return EXIT_DONE


@click.command()
@source_argument
@click.argument("study_id")
@as_of_option
@policy_option
@out_option("study")
@json_option
def study(
    source: Path,
    study_id: str,
    *,
    as_of: datetime | None,
    policy: Path | None,
    out: Path | None,
    as_json: bool,
) -> int:
    """Analyse study STUDY_ID of SOURCE: what scatters, who stands out, what to measure next.

    Writes a page, CSV files and JSON into the folder of --out.  The readings are those of the
    table studies: operators, meters and replicates, crossed or nested, balanced or not.

    Example: drift study records/history REP-2026
    """
    from drift.api.repeatability import study_of  # noqa: PLC0415
    from drift.report.repeatability_study import study_record, write_study  # noqa: PLC0415
    from drift.review.policy import read_policy  # noqa: PLC0415

    found = study_of(source, study_id, as_of=day_asked(as_of), policy=read_policy(policy))
    page = write_study(found, out_asked(out, "study", as_of))
    if as_json:
        tell_record(study_record(found))
        return EXIT_DONE
    for sentence in found.told:
        tell(sentence)
    tell(f"Page: {page}")
    return EXIT_DONE
