"""This module holds the commands of the journal: withdraw, amend, restore, journal, export."""

import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drift.cli.console import MOST_TOLD, one_line, tell, tell_each, tell_more, tell_record
from drift.cli.options import (
    EXIT_DONE,
    EXIT_HELD_BACK,
    ON_DAY,
    by_option,
    json_option,
    policy_option,
    source_argument,
    why_option,
    yes_option,
)
from drift.cli.parameters import Meter
from drift.visible import visible

if TYPE_CHECKING:
    from drift.api.amending import Planned, Wanted
    from drift.store.journal import Signed


def row_options(command: click.decorators.FC) -> click.decorators.FC:
    """Add the options that say which rows are meant."""
    for option in reversed(
        (
            click.option(
                "--table", default="readings", show_default=True, help="Table of the row."
            ),
            click.option("--meter", type=Meter(), metavar="ID", help="Meter of the row."),
            click.option("--on", type=ON_DAY, metavar="DATE", help="Day of the row."),
            click.option("--stage", metavar="STAGE", help="as_found or as_left."),
            click.option("--point", metavar="PCT", help="Nominal point of readings, % air."),
            click.option("--replicate", metavar="N", help="Number of the reading."),
            click.option(
                "--where",
                multiple=True,
                metavar="COLUMN=VALUE",
                help="What a column of the row says; may be given several times.",
            ),
            click.option("--at", metavar="FILE:LINE", help="Where the row came from."),
        )
    ):
        command = option(command)
    return command


@click.command()
@source_argument
@row_options
@by_option
@why_option
@yes_option
@policy_option
@json_option
def withdraw(
    source: Path,
    *,
    by: str | None,
    why: str | None,
    yes: bool,
    policy: Path | None,
    as_json: bool,
    **row: object,
) -> int:
    """Withdraw rows of SOURCE, a folder or a store: they stay on record and count no more.

    Shows the rows and which standings would change, and asks before it writes.

    Example: drift withdraw fleet.duckdb --meter AM-05 --on 2026-08-13 --by "A. Person"
    --why "wrong meter" --yes
    """
    return _change(source, row, None, by=by, why=why, yes=yes, policy=policy, as_json=as_json)


@click.command()
@source_argument
@row_options
@click.option(
    "--set",
    "sets",
    multiple=True,
    required=True,
    metavar="COLUMN=VALUE",
    help="What a column is to say; may be given several times. Nothing after = empties it.",
)
@by_option
@why_option
@yes_option
@policy_option
@json_option
def amend(
    source: Path,
    *,
    sets: tuple[str, ...],
    by: str | None,
    why: str | None,
    yes: bool,
    policy: Path | None,
    as_json: bool,
    **row: object,
) -> int:
    """Amend rows of SOURCE, a folder or a store; a new meter or day moves them there.

    What they said stays on record. Shows before and after and which standings would change, and
    asks before it writes.

    Example: drift amend fleet.duckdb --meter AM-05 --on 2026-05-07 --set meter_id=AM-06
    --by "A. Person" --why "wrong meter" --yes
    """
    wanted = _pairs(sets, "--set")
    return _change(source, row, wanted, by=by, why=why, yes=yes, policy=policy, as_json=as_json)


def _change(
    source: Path,
    row: dict[str, object],
    sets: dict[str, str] | None,
    *,
    by: str | None,
    why: str | None,
    yes: bool,
    policy: Path | None,
    as_json: bool,
) -> int:
    """Plan a change of rows, show it, ask and write it."""
    from drift.api.amending import plan_edits  # noqa: PLC0415

    planned = plan_edits(source, _wanted(row), sets, weighed=_weighed(policy, yes=yes))
    return _agreed(source, planned, by=by, why=why, yes=yes, as_json=as_json)


@click.command()
@source_argument
@click.argument("entry", type=int)
@by_option
@why_option
@yes_option
@policy_option
@json_option
def restore(
    source: Path,
    entry: int,
    *,
    by: str | None,
    why: str | None,
    yes: bool,
    policy: Path | None,
    as_json: bool,
) -> int:
    """Undo in SOURCE what the entry ENTRY of its journal did.

    A withdrawn row counts again, an amended row says again what it said before, and the rows of a
    load count no more. Entries that rest on this one must be undone first.

    Example: drift restore fleet.duckdb 2 --by "A. Person" --why "the meter was right" --yes
    """
    from drift.api.amending import plan_restoration  # noqa: PLC0415

    planned = plan_restoration(source, entry, weighed=_weighed(policy, yes=yes))
    return _agreed(source, planned, by=by, why=why, yes=yes, as_json=as_json)


def _weighed(policy: Path | None, *, yes: bool) -> "tuple | None":  # type: ignore[type-arg]
    """Return by which date and choices to say which standings change; None for a script."""
    if yes:
        return None
    from drift.cli.options import day_asked  # noqa: PLC0415
    from drift.review.policy import read_policy  # noqa: PLC0415

    return day_asked(None), read_policy(policy)


def _agreed(
    source: Path, planned: "Planned", *, by: str | None, why: str | None, yes: bool, as_json: bool
) -> int:
    """Show a planned change, ask who makes it and why, and write it."""
    from drift.api.amending import write_planned  # noqa: PLC0415

    if not as_json:
        _show(planned, weighed=not yes)
    signed = signature(by=by, why=why, yes=yes, asks="Write this")
    number = write_planned(source, planned, signed)
    if as_json:
        rows = [{"table": one.row.table, "row": one.row.row} for one in planned.edits]
        told = {"entry": number, "kind": planned.kind, "what": planned.what, "by": signed.by}
        tell_record(told | {"rows": rows})
        return EXIT_DONE
    tell(f"Entry {number} of the journal: {planned.kind} by {one_line(signed.by)}")
    return EXIT_DONE


def signature(*, by: str | None, why: str | None, yes: bool, asks: str) -> "Signed":
    """Return who makes a change and why, asking for what was not given, and whether to write.

    Raises
    ------
    click.UsageError
        If something was not given and nobody answers.
    click.Abort
        If it is not to be written.
    """
    from drift.store.journal import signed_now  # noqa: PLC0415

    answered = True
    try:
        by = by or ("" if yes else click.prompt("Who makes this change"))
        why = why or ("" if yes else click.prompt("Why"))
        if not yes:
            click.confirm(f"{asks}?", abort=True)
    except click.Abort:
        if sys.stdin.isatty():
            raise
        answered = False
    if not answered:
        raise click.UsageError(
            "nothing was written: nobody agreed; scripts give --by, --why and --yes"
        )
    if not by or not why or not by.strip() or not why.strip():
        raise click.UsageError("--by and --why say who makes a change and why")
    return signed_now(" ".join(by.split()), " ".join(why.split()))


def _show(planned: "Planned", *, weighed: bool) -> None:
    """Print what a change does to rows and to standings."""
    from drift.store.rows_in_force import row_words  # noqa: PLC0415

    if planned.restores is not None:
        tell(f"Restores: {planned.what}")
    for edit in planned.edits[:MOST_TOLD]:
        tell(visible(row_words(edit.row.table, edit.row.row)))
        if edit.sets is None:
            said = ", ".join(f"{name} {text}" for name, text in edit.row.cells.items() if text)
            tell(f"  withdrawn: {visible(said)}")
        for name, text in (edit.sets or {}).items():
            if text != edit.row.cells[name]:
                before, after = edit.row.cells[name] or "empty", text or "empty"
                tell(f"  {name}: {visible(before)} → {visible(after)}")
        if edit.row_after:
            tell(f"  moves to {visible(row_words(edit.row.table, edit.row_after))}")
    tell_more(len(planned.edits), "the journal will count them", as_="rows: ")
    standings = [
        f"{one_line(meter_id)} would be {after}, and is {before}"
        for meter_id, before, after in planned.standings
    ]
    tell_each(standings, all_in="drift review says them once it is written")
    if weighed and not planned.standings:
        tell("No standing would change")


def _wanted(row: dict[str, object]) -> "Wanted":
    """Return which rows the options name."""
    from drift.api.amending import Wanted  # noqa: PLC0415
    from drift.intake.columns import KNOWN_FROM  # noqa: PLC0415

    table, on, at = str(row["table"]), row["on"], row["at"]
    cells = _pairs(row["where"], "--where")  # type: ignore[arg-type]  # a tuple of texts
    for option, column in (("meter", "meter_id"), ("stage", "stage"), ("replicate", "replicate")):
        if row[option] is not None:
            cells[column] = str(row[option])
    if isinstance(on, datetime):
        cells[KNOWN_FROM.get(table, "performed_on")] = on.date().isoformat()
    place = None
    if at is not None:
        name, _, line = str(at).rpartition(":")
        if not name or not line.isdigit():
            raise click.UsageError("--at takes a file and a line, such as readings.csv:12")
        place = name, int(line)
    return Wanted(table, cells, point=str(row["point"] or ""), at=place)


def _pairs(texts: tuple[str, ...], option: str) -> dict[str, str]:
    """Return what COLUMN=VALUE options say."""
    pairs = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise click.UsageError(f"{option} takes COLUMN=VALUE, not {text!r}")
        pairs[name.strip()] = value.strip()
    return pairs


@click.command()
@source_argument
@click.option("--verify", is_flag=True, help="Say whether the chain of entries is whole.")
@click.option("--meter", type=Meter(), metavar="ID", help="Entries about this meter.")
@click.option("--person", metavar="NAME", help="Entries by this person.")
@click.option("--since", type=ON_DAY, metavar="DATE", help="Entries of this day and later.")
@click.option("--until", type=ON_DAY, metavar="DATE", help="Entries of this day and earlier.")
@click.option("--kind", metavar="KIND", help="load, amendment, withdrawal, restoration, …")
@click.option(
    "--csv", "to_csv", type=click.Path(path_type=Path), metavar="FILE", help="Write them as CSV."
)
@click.option(
    "--page", type=click.Path(path_type=Path), metavar="FILE", help="Write them as a page."
)
@json_option
def journal(
    source: Path,
    *,
    verify: bool,
    meter: str | None,
    person: str | None,
    since: datetime | None,
    until: datetime | None,
    kind: str | None,
    to_csv: Path | None,
    page: Path | None,
    as_json: bool,
) -> int:
    """List the journal of SOURCE: who did what to its records, when and why.

    With --verify the exit code is 1 where an entry was changed, removed or put in between.

    Example: drift journal fleet.duckdb --verify
    """
    from drift.api.journal import Asked, read_journal, write_journal  # noqa: PLC0415

    asked = Asked(
        meter_id=meter,
        person=person,
        since=since.date() if since else None,
        until=until.date() if until else None,
        kind=kind,
    )
    found = read_journal(source, asked, checked=verify)
    for path in (to_csv, page):
        if path is not None:
            write_journal(found, path, as_page=path is page)
            tell(f"{len(found.entries)} entries: {path}")
    if as_json:
        told = {"whole": not found.broken, "broken_at": found.broken, "entries": found.entries}
        if verify:
            told |= {"tables": found.checksums, "not_applied": found.unfit}
        tell_record(told)
    elif to_csv is None and page is None:
        _list(found.entries)
    if verify and not as_json:
        tell(found.broken or f"The chain of {found.total} entries is whole")
        tell_each([visible(said) for said in found.unfit], as_="Not applied: ")
        for table, checksum in found.checksums.items():
            tell(f"{checksum}  {table}")
    return EXIT_HELD_BACK if verify and found.broken else EXIT_DONE


def _list(entries: "list[dict[str, object]]") -> None:
    """Print entries, one a line and its reason below."""
    lines = []
    for row in entries:
        when = f"{str(row['recorded_at'])[:16].replace('T', ' ')} {row['zone']}"
        lines.append(f"{row['entry_no']:>5}  {when}  {row['kind']}  {row['recorded_by']}")
        lines += [f"       {' '.join(str(said).split())}" for said in _said(row)]
    tell("\n".join(lines) or "No entry")


def _said(row: "dict[str, object]") -> list[object]:
    """Return what an entry says, and why where it says so."""
    return [row["what"], *([f"why: {row['why']}"] if row["why"] else [])]


@click.command()
@click.argument("store", type=click.Path(path_type=Path))
@click.argument("folder", type=click.Path(path_type=Path))
@json_option
def export(store: Path, folder: Path, *, as_json: bool) -> int:
    """Write every table of STORE into FOLDER as CSV files that drift intake takes elsewhere.

    The rows in force are written, with the journal beside them; each table's checksum is printed,
    and is the same for the store that is made of the folder.

    Example: drift export fleet.duckdb copy
    """
    from drift.api.journal import export_store  # noqa: PLC0415

    written = export_store(store, folder)
    if as_json:
        told = [{"file": name, "rows": rows, "sha256": sum_} for name, rows, sum_ in written]
        tell_record(told)
        return EXIT_DONE
    for name, rows, checksum in written:
        tell(f"{checksum}  {name}: {rows} rows")
    return EXIT_DONE
