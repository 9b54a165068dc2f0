"""This module holds the commands for a laboratory's own records: import, start, status."""

import dataclasses
import sys
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drift.cli.console import tell, tell_each, tell_record
from drift.cli.options import (
    EXIT_DONE,
    EXIT_HELD_BACK,
    EXIT_REPEAT,
    EXIT_UNUSABLE,
    day_asked,
    json_option,
)
from drift.format import count

if TYPE_CHECKING:
    from drift.api.importing import Imported
    from drift.api.records_folder import RecordsFolder
    from drift.review.policy import Policy

_LONGEST_LIST = 8
_SOON_DAYS = 30
_STATUS = {
    "overdue": "Overdue",
    "due_soon": f"Due within {_SOON_DAYS} days",
    "do_not_use": "Not to be used",
    "close_file": "With signals or rows to answer",
}


@click.command("import")
@click.argument("records", type=click.Path(path_type=Path))
@click.option(
    "--into",
    type=click.Path(path_type=Path),
    metavar="FOLDER|STORE",
    required=True,
    help="Folder or store file of the history; made where it does not exist.",
)
@click.option(
    "--layout",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Layout file to go by (default: layout.toml beside RECORDS, else in the folder of --out).",
)
@click.option(
    "--set",
    "given",
    multiple=True,
    metavar="KEY=VALUE",
    help="Answer to a question, such as dates.order=month_first; may be given again.",
)
@click.option("--accept", is_flag=True, help="Write the history without asking.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("import"),
    metavar="DIR",
    help="Folder for import.html and layout.toml (default import).",
)
@json_option
def import_records(
    records: Path,
    *,
    into: Path,
    layout: Path | None,
    given: tuple[str, ...],
    accept: bool,
    out: Path,
    as_json: bool,
) -> int:
    """Import RECORDS, a laboratory's own workbooks or text files, as they are.

    Reads every cell, proposes a layout in layout.toml and shows it in import.html.  The history is
    written once that is accepted.

    Example: drift import records/incoming --into records/history
    """
    from drift.api.importing import accept_import, propose_import  # noqa: PLC0415
    from drift.intake.layouts.layout_file import checked_answers  # noqa: PLC0415

    answers_given = checked_answers(_pairs(given), where="--set")
    today = day_asked(None)
    imported, answers = propose_import(
        records, into=into, out=out, layout=layout, given=answers_given, today=today
    )
    if not as_json:
        say_import(imported)
    asked = bool(imported.proposal.questions)
    nothing = not imported.tables and not imported.changes
    if not asked and not nothing and (accept or (not as_json and _yes())):
        imported = accept_import(imported, answers, into=into, today=today)
    if as_json:
        tell_record(_import_told(imported))
    if asked:
        return EXIT_REPEAT
    if nothing:
        told = "Nothing new to write."
    elif not imported.written:
        told = "Nothing was written but the proposal; to accept it, add --accept."
    else:
        told = "\n".join(f"Written: {path}" for path in imported.written)
    if not as_json:
        tell(told)
    return _code(imported) if imported.known or not nothing else EXIT_UNUSABLE


def _import_told(imported: "Imported") -> dict[str, object]:
    """Return what an import found for scripts: counts, questions, and what was written."""
    questions = [dataclasses.asdict(one) for one in imported.proposal.questions]
    return {
        "cells": dict(imported.proposal.counts),
        "new_rows": {name: len(rows) for name, rows in imported.tables.items()},
        "changed_rows": len(imported.changes),
        "known_rows": imported.known,
        "questions": questions,
        "page": imported.page,
        "layout": imported.layout,
        "written": list(imported.written),
    }


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--laboratory", default="", metavar="NAME", help="Name of the laboratory, for its reports."
)
@json_option
def start(folder: Path, *, laboratory: str, as_json: bool) -> int:
    """Make FOLDER a records folder: drift.toml, incoming/ and reviews/.

    Put records into incoming/ and run drift review in FOLDER, once a quarter.

    Example: drift start records --laboratory "Our laboratory"
    """
    from drift.api.records_folder import start_folder  # noqa: PLC0415

    place = start_folder(folder, laboratory=laboratory)
    if as_json:
        tell_record(dataclasses.asdict(place))
        return EXIT_DONE
    tell(
        f"Made: {place.policy}\nPut records into {place.incoming}, then run drift review in "
        f"{folder}"
    )
    return EXIT_DONE


@click.command()
@json_option
def status(*, as_json: bool) -> int:
    """Say what is due, what is open and when the last review was, in a records folder.

    Example: drift status
    """
    from drift.api.records_folder import last_review, open_folder  # noqa: PLC0415
    from drift.review.policy import read_policy  # noqa: PLC0415

    place, today = open_folder(Path()), day_asked(None)
    policy = read_policy(place.policy)
    last = last_review(place)
    waiting = (
        sorted(path.name for path in place.incoming.iterdir()) if place.incoming.is_dir() else []
    )
    told: dict[str, object] = {
        "laboratory": policy.laboratory,
        "last_review": last.name if last else None,
        "incoming": waiting,
    }
    meters = _meters_told(place.history, policy, today) if place.history.is_dir() else {}
    if as_json:
        tell_record(told | meters)
        return EXIT_DONE
    tell(f"Laboratory: {policy.laboratory or 'not named (laboratory in drift.toml)'}")
    tell(f"Last review: {told['last_review'] or 'none yet'}")
    tell(f"In {place.incoming}: {count(len(waiting), 'file')}")
    if not meters:
        tell("No history yet: drift review takes in what is there")
        return EXIT_DONE
    tell(f"Meters in use: {meters['in_use']}, last visit on {meters['last_visit_on'] or 'none'}")
    for key, words in _STATUS.items():
        names = list(map(str, meters[key]))  # type: ignore[call-overload]  # a list of ids
        tell(f"{words}: {len(names)}{_named(names)}")
    return EXIT_DONE


def _meters_told(history: Path, policy: "Policy", today: date) -> dict[str, object]:
    """Return how many meters are in use, and the ids of those that something is due of."""
    from drift.api.reviews import find  # noqa: PLC0415

    review = find(history, as_of=today, policy=policy)
    rows = [row for row in review.meters.iter_rows(named=True) if row["standing"] != "retired"]

    def owing(token: str) -> list[str]:
        return [row["meter_id"] for row in rows if token in row["obligations"].split()]

    soon = today + timedelta(days=_SOON_DAYS)
    return {
        "in_use": len(rows),
        "last_visit_on": max((row["last_visit_on"] for row in rows), default=None),
        "overdue": [row["meter_id"] for row in rows if row["overdue"]],
        "due_soon": [
            row["meter_id"]
            for row in rows
            if row["next_due_on"] and not row["overdue"] and row["next_due_on"] <= soon
        ],
        "do_not_use": owing("do_not_use"),
        "close_file": owing("close_file"),
    }


def _named(names: list[str]) -> str:
    """Return the first names of a list."""
    shown = ", ".join(names[:_LONGEST_LIST])
    return f" ({shown}{' …' if len(names) > _LONGEST_LIST else ''})" if names else ""


def taken_in() -> "RecordsFolder":
    """Take in what is new in the records folder of now; end where something is to be answered."""
    from drift.api.records_folder import accept_first, open_folder, take_in_new  # noqa: PLC0415

    place, today = open_folder(Path()), day_asked(None)
    taken = take_in_new(place, today=today)
    tell_each(taken.copied, as_="Taken in: ", all_in=f"{place.history} holds all")
    if taken.imported is None:
        return place
    say_import(taken.imported)
    if taken.stopped and not taken.imported.proposal.questions and _yes():
        taken = accept_first(taken, place, today=today)
    if taken.stopped:
        tell(
            "Nothing was reviewed.  Answer and accept first: drift import "
            f"{place.incoming} --into {place.history} --out {place.proposal} --accept"
        )
        click.get_current_context().exit(EXIT_REPEAT)
    return place


def _pairs(given: tuple[str, ...]) -> dict[str, str]:
    """Return the answers of the command line by key."""
    pairs = {}
    for one in given:
        key, mark, value = one.partition("=")
        if not mark or not key.strip() or not value.strip():
            raise click.UsageError(f"--set takes KEY=VALUE, not {one!r}")
        pairs[key.strip()] = value
    return pairs


def _yes() -> bool:
    """Ask at a terminal whether to write the history; elsewhere nobody is there to say so."""
    return sys.stdin.isatty() and click.confirm("Write the history?")


def _code(imported: "Imported") -> int:
    """Return the exit code of records that were read: 1 where cells were not understood."""
    return EXIT_HELD_BACK if imported.proposal.counts["unread"] else EXIT_DONE


def say_import(imported: "Imported") -> None:
    """Print what an import found, and what it still asks."""
    proposal, counts = imported.proposal, imported.proposal.counts
    tell(
        f"{count(len(proposal.sheets), 'sheet')}: {counts['read']} cells read, "
        f"{counts['passed']} passed over, {counts['unread']} not understood"
    )
    for number, why in list(proposal.passed.items())[:_LONGEST_LIST]:
        tell(f"Passed over: {proposal.sheets[number].title}: {why}")
    made = [count(len(rows), f"{name} row") for name, rows in imported.tables.items()]
    known = f"; {count(imported.known, 'row')} already known" if imported.known else ""
    tell(f"New: {', '.join(made) or 'nothing'}{known}")
    for change in imported.changes[:_LONGEST_LIST]:
        told = "; ".join(
            f"{name} {change.before[name] or 'empty'} → {change.now[name]}" for name in change.now
        )
        tell(f"Changed: {change.table} {', '.join(change.key)}: {told}")
    for note, times in proposal.rows.notes.most_common(_LONGEST_LIST):
        tell(f"Taken for granted: {note} ({times})")
    tell(f"Every cell: {imported.page}\nThe layout, to edit: {imported.layout}")
    for question in proposal.questions:
        tell(f"Asked: {question.asks} ({question.place}; {count(question.cells, 'cell')} waiting)")
        for choice in question.choices:
            value = "…" if choice.startswith("such as") else choice.split(":")[0]
            tell(f'  --set "{question.key}={value}"   {choice}')
