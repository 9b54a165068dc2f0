"""This module holds the commands for the bench: responses, sheets and checks of readings."""

import dataclasses
from datetime import datetime
from pathlib import Path

import click

from drift.cli.bench_told import say_check, say_sheets
from drift.cli.console import tell_record
from drift.cli.options import (
    EXIT_DONE,
    EXIT_HELD_BACK,
    EXIT_REPEAT,
    ON_DAY,
    as_of_option,
    day_asked,
    json_option,
    out_asked,
    out_option,
    policy_option,
    source_argument,
)


@click.command()
@source_argument
@click.argument("new", nargs=-1, required=True, type=click.Path(path_type=Path))
@as_of_option
@policy_option
@json_option
def check(
    source: Path,
    new: tuple[Path, ...],
    *,
    as_of: datetime | None,
    policy: Path | None,
    as_json: bool,
) -> int:
    """Compare the fresh readings in NEW with the history in SOURCE.

    NEW is CSV files, a round's workbook or visits saved by bench.html, or folders of such. Verdicts
    come first: out of tolerance and whether two readings confirm it, likely slip, repeat, passes.
    Each sitting is believable, surprising (repeat before adjusting) or a likely slip of the pen
    (sign, decimal, wrong point, wrong meter). It names what is half done. Nothing is loaded.

    Example: drift check records/history new.csv
    """
    from drift.api.bench import check as compare  # noqa: PLC0415
    from drift.review.bench_verdicts import ASKING  # noqa: PLC0415
    from drift.review.policy import read_policy  # noqa: PLC0415

    found = compare(source, new, as_of=day_asked(as_of), policy=read_policy(policy))
    if as_json:
        told = {
            "verdicts": found.verdicts,
            "advice": found.advice,
            "sittings": found.rows.to_dicts(),
            "held_back": found.held_back.to_dicts(),
            "half_done": found.half_done,
        }
        tell_record(told)
    else:
        say_check(found)
    if any(told["verdict"] in ASKING for told in found.verdicts):
        return EXIT_REPEAT
    unheard = found.rows.is_empty() or not found.held_back.is_empty()
    return EXIT_HELD_BACK if unheard else EXIT_DONE


@click.command()
@source_argument
@click.option(
    "--due-by", type=ON_DAY, metavar="DATE", help="Last due date (default 30 days ahead)."
)
@click.option(
    "--meter",
    "meters",
    multiple=True,
    metavar="ID",
    help="A meter to see though it is not due: new, withdrawn, dropped; may be given again.",
)
@click.option(
    "--show-expected",
    is_flag=True,
    help="Show in the workbook what each meter should read and is expected to read.",
)
@as_of_option
@policy_option
@out_option("sheet")
@json_option
def sheet(
    source: Path,
    *,
    due_by: datetime | None,
    meters: tuple[str, ...],
    show_expected: bool,
    as_of: datetime | None,
    policy: Path | None,
    out: Path | None,
    as_json: bool,
) -> int:
    """Write a visit sheet for every meter of SOURCE that is due, overdue ones first.

    A workbook to fill in, bench.html for a tablet or phone, one page a meter to print, and CSV
    files: as_found/, as_left/ and marks/. None shows what a meter should read, unless asked.

    Example: drift sheet records/history --due-by 2026-12-31
    """
    from drift.api.sheets import write_sheets  # noqa: PLC0415
    from drift.review.policy import read_policy  # noqa: PLC0415

    made = write_sheets(
        source,
        out=out_asked(out, "sheet", as_of),
        as_of=day_asked(as_of),
        due_by=due_by.date() if due_by else None,
        policy=read_policy(policy),
        show_expected=show_expected,
        asked=meters,
    )
    if as_json:
        tell_record(dataclasses.asdict(made))
    else:
        say_sheets(made)
    return EXIT_DONE
