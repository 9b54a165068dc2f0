"""This module holds the commands that write a record, a note or a memo on meters."""

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drift.cli.console import one_line, tell, tell_as_it_is, tell_each, tell_record
from drift.cli.options import (
    EXIT_DONE,
    ON_DAY,
    as_of_option,
    day_asked,
    json_option,
    out_asked,
    out_option,
    policy_option,
    source_argument,
)
from drift.cli.parameters import Meter
from drift.format import count, listed

if TYPE_CHECKING:
    from drift.review.retirement import RetirementMemo


@click.command()
@source_argument
@click.argument("meter", type=Meter())
@click.option(
    "--visit",
    type=ON_DAY,
    metavar="DATE",
    help="Visit asked about (default: the last that found the meter out of tolerance).",
)
@as_of_option
@policy_option
@out_option("impact")
@json_option
def impact(
    source: Path,
    meter: str,
    *,
    visit: datetime | None,
    as_of: datetime | None,
    policy: Path | None,
    out: Path | None,
    as_json: bool,
) -> int:
    """Say since when METER of SOURCE is suspect after a failed check, and which tests that touches.

    Writes the note and CSV files of the field tests and of the meter's path into the folder of
    --out.  It lists; people decide.

    Example: drift impact records/history AM-09
    """
    from drift.api.memos import write_impact  # noqa: PLC0415
    from drift.report.memos import impact_record  # noqa: PLC0415
    from drift.review.policy import read_policy  # noqa: PLC0415

    written = write_impact(
        source,
        meter,
        visit=visit.date() if visit else None,
        out=out_asked(out, "impact", as_of),
        as_of=day_asked(as_of),
        policy=read_policy(policy),
    )
    if as_json:
        tell_as_it_is(impact_record(written))
        return EXIT_DONE
    for sentence in written.told:
        tell(sentence)
    tell(f"Note: {written.page}")
    for path in written.data:
        tell(f"Data: {path}")
    return EXIT_DONE


@click.command()
@source_argument
@click.argument("meter", type=Meter())
@click.option("--on", type=ON_DAY, metavar="DATE", help="Day of the visit (default: its last).")
@as_of_option
@policy_option
@out_option("visits")
@json_option
def visit(
    source: Path,
    meter: str,
    *,
    on: datetime | None,
    as_of: datetime | None,
    policy: Path | None,
    out: Path | None,
    as_json: bool,
) -> int:
    """Write the record of a visit of METER in SOURCE, one page to print and sign.

    As found and as left at every point, vessel and bowl, uncertainty and conformity, marks and
    work, who read and who checked.  It says what the numbers say and releases nothing.

    Example: drift visit records/history AM-07
    """
    from drift.api.memos import write_visit  # noqa: PLC0415
    from drift.review.policy import read_policy  # noqa: PLC0415

    page, headline = write_visit(
        source,
        meter,
        on=on.date() if on else None,
        out=out_asked(out, "visits", as_of),
        as_of=day_asked(as_of),
        policy=read_policy(policy),
    )
    if as_json:
        tell_record({"page": page, "headline": headline})
    else:
        tell(headline)
        tell(f"Page: {page}")
    return EXIT_DONE


@click.command()
@source_argument
@click.argument("meter", nargs=-1, type=Meter())
@as_of_option
@policy_option
@out_option("retirement")
@json_option
def retirement(
    source: Path,
    *,
    meter: tuple[str, ...],
    as_of: datetime | None,
    policy: Path | None,
    out: Path | None,
    as_json: bool,
) -> int:
    """Weigh whether to keep, check more often, service or retire meters of SOURCE.

    Writes retirement.html, CSV files and retirement.json into the folder of --out, for the
    METERs named or for all that are not retired.

    Example: drift retirement records/history AM-06
    """
    from drift.api.memos import retirement_memo  # noqa: PLC0415
    from drift.report.memos import retirement_record, write_retirement  # noqa: PLC0415
    from drift.review.policy import read_policy  # noqa: PLC0415

    memo = retirement_memo(source, meters=meter, as_of=day_asked(as_of), policy=read_policy(policy))
    page = write_retirement(memo, out_asked(out, "retirement", as_of))
    if as_json:
        tell_record(retirement_record(memo))
    else:
        _say_retirement(memo)
        tell(f"Page: {page}")
    return EXIT_DONE


def _say_retirement(memo: "RetirementMemo") -> None:
    """Print how many meters come out how, and those that are not simply kept."""
    from drift.review.retirement import ANSWERS  # noqa: PLC0415

    advice = memo.weighed.advice
    parts = [
        f"{number} to {words}"
        for answer, words in ANSWERS.items()
        if (number := int((advice["recommendation"] == answer).sum()))
    ]
    tell(f"{count(advice.height, 'meter')} weighed on {memo.review.as_of}: {listed(parts)}.")
    told = [
        f"{one_line(row['meter_id'])}  {ANSWERS[row['recommendation']]}: {row['reason']}"
        for row in advice.iter_rows(named=True)
        if row["recommendation"] != "keep" or memo.asked
    ]
    tell_each(told, as_="  ", all_in="the page lists all")
    if memo.weighed.costs["expected_cost"].null_count():
        tell("Some costs cannot be said: their prices are not in the policy.")
