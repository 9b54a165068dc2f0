"""This module holds the commands that answer what is open: respond, decide."""

import dataclasses
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drift.cli.console import one_line, tell, tell_each, tell_record
from drift.cli.options import (
    EXIT_DONE,
    ON_DAY,
    day_asked,
    json_option,
    policy_option,
    source_argument,
)
from drift.cli.parameters import Meter, Signal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drift.api.answering import Recorded


@click.command()
@source_argument
@click.argument("signal_id", required=False, type=Signal())
@click.option("--finding", metavar="TEXT", help="What was found.")
@click.option("--action", metavar="TEXT", help="What was done about it.")
@click.option("--by", metavar="NAME", help="Who records it.")
@click.option("--on", type=ON_DAY, metavar="DATE", help="Day of the record (default today).")
@click.option(
    "--meter",
    type=Meter(),
    metavar="ID",
    help="The meter meant; another meter's signal is refused.",
)
@click.option(
    "--visit", type=ON_DAY, metavar="DATE", help="With --meter: all open signals of that visit."
)
@click.option(
    "--from",
    "sheet",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A sheet of open points that was filled in, as a review writes it.",
)
@policy_option
@json_option
def respond(
    source: Path,
    signal_id: str | None,
    *,
    finding: str | None,
    action: str | None,
    by: str | None,
    on: datetime | None,
    meter: str | None,
    visit: datetime | None,
    sheet: Path | None,
    policy: Path | None,
    as_json: bool,
) -> int:
    """Record in SOURCE what was found and done about one signal, those of a visit, or many.

    Rows are added to the responses file of the folder, or to the store; nothing that is there is
    changed. The beginning of an id is enough where only one id begins so; capitals do not matter.

    Example: drift respond records/history SIGNAL_ID --finding "mark moved" --action "moved back"
    --by "A. Person"
    """
    from drift.api.answer_sheet import read_answers  # noqa: PLC0415
    from drift.api.answering import AnswerGiven, respond_all  # noqa: PLC0415
    from drift.review.policy import read_policy  # noqa: PLC0415
    from drift.review.responses import Response  # noqa: PLC0415

    if sheet is not None:
        if signal_id or finding or action or visit:
            raise click.UsageError("--from takes everything from its file")
        filled = read_answers(sheet)
        answers, decisions = filled.answers, filled.decisions
        if not as_json:
            tell(f"{len(answers) + len(decisions)} rows filled in, {filled.blank} not")
    else:
        if not finding or not action or not by:
            raise click.UsageError("--finding, --action and --by are needed, or --from FILE")
        if bool(signal_id) == bool(visit) or (visit and not meter):
            raise click.UsageError("name a SIGNAL_ID, or a visit by --meter and --visit")
        response = Response(
            signal_id=_one_line(signal_id or ""),
            finding=_one_line(finding),
            action=_one_line(action),
            recorded_by=_one_line(by),
            recorded_on=day_asked(on),
            meter_id=meter,
        )
        answers = (AnswerGiven(response, visit_on=visit.date() if visit else None),)
        decisions = ()
    made = respond_all(
        source,
        answers,
        decisions=decisions,
        as_of=day_asked(None),
        policy=read_policy(policy),
    )
    _say_recorded(made, as_json=as_json)
    return EXIT_DONE


@click.command()
@source_argument
@click.argument("meter", type=Meter())
@click.option("--about", type=ON_DAY, required=True, metavar="DATE", help="The visit it is about.")
@click.option("--decision", required=True, metavar="TEXT", help="What was decided.")
@click.option("--by", required=True, metavar="NAME", help="Who decided.")
@click.option("--on", type=ON_DAY, metavar="DATE", help="Day of the decision (default today).")
@click.option(
    "--customer-told", type=ON_DAY, metavar="DATE", help="Day on which the customer was told."
)
@click.option("--authorised-by", metavar="NAME", help="Who authorised going on.")
@policy_option
@json_option
def decide(
    source: Path,
    meter: str,
    *,
    about: datetime,
    decision: str,
    by: str,
    on: datetime | None,
    customer_told: datetime | None,
    authorised_by: str | None,
    policy: Path | None,
    as_json: bool,
) -> int:
    """Record in SOURCE what was decided about results since a visit of METER that failed.

    It closes what an impact note opens. The beginning of METER is enough where only one id
    begins so.

    Example: drift decide records/history AM-09 --about 2026-09-03 --decision "results stand"
    --by "A. Person"
    """
    from drift.api.answering import Decision, respond_all  # noqa: PLC0415
    from drift.review.policy import read_policy  # noqa: PLC0415

    made = Decision(
        meter_id=meter,
        about=about.date(),
        decision=_one_line(decision),
        decided_by=_one_line(by),
        decided_on=day_asked(on),
        customer_told_on=customer_told.date() if customer_told else None,
        authorised_by=_one_line(authorised_by) if authorised_by else None,
    )
    recorded = respond_all(
        source, (), decisions=(made,), as_of=day_asked(None), policy=read_policy(policy)
    )
    _say_recorded(recorded, as_json=as_json)
    return EXIT_DONE


def _say_recorded(made: "Sequence[Recorded]", *, as_json: bool) -> None:
    """Print where each answer stands now."""
    if as_json:
        tell_record([dataclasses.asdict(one) for one in made])
        return
    told = [f"{one.place}: {one.row_id} of {one_line(one.meter_id)}, {one.about}" for one in made]
    tell_each(told, as_="Recorded in ")


def _one_line(text: str) -> str:
    """Return words with single spaces between them, as a cell of a table holds them."""
    return " ".join(text.split())
