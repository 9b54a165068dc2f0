"""This module holds the commands for a laboratory's own records: import, start, status."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drift.cli.console import tell
from drift.cli.options import EXIT_DONE, EXIT_HELD_BACK, EXIT_REPEAT, EXIT_UNUSABLE, day_asked
from drift.format import count

if TYPE_CHECKING:
    from drift.api.importing import Imported
    from drift.api.records_folder import RecordsFolder

_LONGEST_LIST = 8
_SOON_DAYS = 30


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
def import_records(
    records: Path,
    *,
    into: Path,
    layout: Path | None,
    given: tuple[str, ...],
    accept: bool,
    out: Path,
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
    say_import(imported)
    if imported.proposal.questions:
        return EXIT_REPEAT
    if not imported.tables and not imported.changes:
        tell("Nothing new to write.")
        return _code(imported) if imported.known else EXIT_UNUSABLE
    if not accept and not _yes():
        tell("Nothing was written but the proposal; to accept it, add --accept.")
        return _code(imported)
    imported = accept_import(imported, answers, into=into, today=today)
    for path in imported.written:
        tell(f"Written: {path}")
    return _code(imported)


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--laboratory", default="", metavar="NAME", help="Name of the laboratory, for its reports."
)
def start(folder: Path, *, laboratory: str) -> int:
    """Make FOLDER a records folder: drift.toml, incoming/ and reviews/.

    Put records into incoming/ and run drift review in FOLDER, once a quarter.

    Example: drift start records --laboratory "Our laboratory"
    """
    from drift.api.records_folder import start_folder  # noqa: PLC0415

    place = start_folder(folder, laboratory=laboratory)
    tell(
        f"Made: {place.policy}\nPut records into {place.incoming}, then run drift review in "
        f"{folder}"
    )
    return EXIT_DONE


@click.command()
def status() -> int:
    """Say what is due, what is open and when the last review was, in a records folder.

    Example: drift status
    """
    from drift.api.records_folder import last_review, open_folder  # noqa: PLC0415
    from drift.api.reviews import find  # noqa: PLC0415
    from drift.review.policy import read_policy  # noqa: PLC0415

    place, today = open_folder(Path()), day_asked(None)
    policy = read_policy(place.policy)
    last = last_review(place)
    tell(f"Laboratory: {policy.laboratory or 'not named (laboratory in drift.toml)'}")
    tell(f"Last review: {last.name if last else 'none yet'}")
    waiting = (
        sorted(path.name for path in place.incoming.iterdir()) if place.incoming.is_dir() else []
    )
    tell(f"In {place.incoming}: {count(len(waiting), 'file')}")
    if not place.history.is_dir():
        tell("No history yet: drift review takes in what is there")
        return EXIT_DONE
    review = find(place.history, as_of=today, policy=policy)
    rows = [row for row in review.meters.iter_rows(named=True) if row["standing"] != "retired"]
    late = [row["meter_id"] for row in rows if row["overdue"]]
    due = [
        row["meter_id"]
        for row in rows
        if row["next_due_on"]
        and not row["overdue"]
        and (row["next_due_on"] - today).days <= _SOON_DAYS
    ]
    stop = [row["meter_id"] for row in rows if "do_not_use" in row["obligations"].split()]
    open_files = [row["meter_id"] for row in rows if "close_file" in row["obligations"].split()]
    last_on = max((row["last_visit_on"] for row in rows), default="none")
    tell(f"Meters in use: {len(rows)}, last visit on {last_on}")
    for words, names in (
        ("Overdue", late),
        (f"Due within {_SOON_DAYS} days", due),
        ("Not to be used", stop),
        ("With signals or rows to answer", open_files),
    ):
        tell(f"{words}: {len(names)}{_named(names)}")
    return EXIT_DONE


def _named(names: list[str]) -> str:
    """Return the first names of a list."""
    shown = ", ".join(names[:_LONGEST_LIST])
    return f" ({shown}{' …' if len(names) > _LONGEST_LIST else ''})" if names else ""


def taken_in() -> "RecordsFolder":
    """Take in what is new in the records folder of now; end where something is to be answered."""
    from drift.api.records_folder import accept_first, open_folder, take_in_new  # noqa: PLC0415

    place, today = open_folder(Path()), day_asked(None)
    taken = take_in_new(place, today=today)
    for name in taken.copied:
        tell(f"Taken in: {name}")
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
