"""This module reads, checks and writes out the journal of a source, and exports a store."""

import csv
import hashlib
import io
import json
import shutil
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from drift.errors import DriftError, written_into
from drift.frames import Row
from drift.ids import did_you_mean, named_id
from drift.intake.columns import TABLES
from drift.intake.kept_files import AMENDMENTS_FILE, JOURNAL_FILE, JOURNALLED
from drift.places import check_place, check_source
from drift.store.connection import Connection, run
from drift.store.folder_journal import read_kept
from drift.store.journal import KINDS, broken_at, entries_of, names_meter
from drift.store.opening import open_store
from drift.store.replaying import load_tables, unfit_on_record
from drift.store.rows_in_force import ids_in, rows_where


@dataclass(frozen=True, slots=True)
class Asked:
    """Which entries are asked for; what is None is not asked."""

    meter_id: str | None = None
    person: str | None = None
    since: date | None = None
    until: date | None = None
    kind: str | None = None


@dataclass(frozen=True, slots=True)
class Found:
    """Entries of a journal.

    Attributes
    ----------
    source_name : str
        Whose journal it is.
    entries : list of dict
        Rows of `drift.store.journal.JOURNAL` that were asked for, the oldest first.
    total : int
        Entries in all.
    broken : str
        Where the chain breaks, as a sentence; empty where it is whole.
    checksums : dict of str to str
        Of the rows in force of each table of a store.
    unfit : list of str
        Amendments that do not count, since the rows that they name are gone or say something else.
    """

    source_name: str
    entries: list[Row]
    total: int
    broken: str
    checksums: dict[str, str] = field(default_factory=dict)
    unfit: list[str] = field(default_factory=list)


def read_journal(source: Path, asked: Asked, *, checked: bool = False) -> Found:
    """Read the journal of a folder or a store file.

    Parameters
    ----------
    source : Path
        Folder or store file; it is not changed.
    asked : Asked
        Which entries.
    checked : bool
        Whether to say the checksums of a store's tables, and which amendments do not count.

    Raises
    ------
    DriftError
        If the source cannot be used, or there is no such kind of entry.
    """
    if asked.kind is not None and asked.kind not in KINDS:
        raise DriftError(
            what="is no kind of entry",
            where=asked.kind,
            expected=f"one of {', '.join(KINDS)}",
            hint=did_you_mean(asked.kind, KINDS),
        )
    check_source(source)
    read = _read_folder if source.is_dir() else _read_store
    found, asked, brought = read(source, asked, checked=checked)
    return replace(
        found, entries=[row for row in found.entries if _is_asked(row, asked, brought=brought)]
    )


def _read_folder(folder: Path, asked: Asked, *, checked: bool) -> tuple[Found, Asked, set[int]]:
    """Return every entry of a folder, and its meter by its whole id."""
    kept = read_kept(folder)
    if asked.meter_id is not None:
        named = {one for row in kept.entries for one in json.loads(row["meters"])}
        asked = replace(asked, meter_id=named_id(asked.meter_id, named))
    unfit: list[str] = []
    if checked and kept.lines:
        with open_store(None, folder=folder) as con:
            load_tables(con, folder)
            unfit = _unfit(con)
    found = Found(
        source_name=folder.resolve().name,
        entries=list(kept.entries),
        total=len(kept.entries),
        broken=kept.broken,
        unfit=unfit,
    )
    return found, asked, set()


def _read_store(store: Path, asked: Asked, *, checked: bool) -> tuple[Found, Asked, set[int]]:
    """Return every entry of a store, its meter by its whole id, and what brought its rows."""
    brought: set[int] = set()
    with open_store(store, read_only=True) as con:
        entries = entries_of(con)
        if asked.meter_id is not None:
            known = {one for row in entries for one in json.loads(row["meters"])}
            known.update(ids_in(con, "readings", "meter_id"))
            asked = replace(asked, meter_id=named_id(asked.meter_id, known))
            rows = run(con, "entries_of_meter", meter_id=asked.meter_id).fetchall()
            brought = {number for (number,) in rows}
        found = Found(
            source_name=store.resolve().name,
            entries=entries,
            total=len(entries),
            broken=broken_at(entries),
            checksums={name: sum_ for name, _, _, sum_ in _tables(con)} if checked else {},
            unfit=_unfit(con) if checked else [],
        )
    return found, asked, brought


def _unfit(con: Connection) -> list[str]:
    """Return the amendments of a folder that could not be applied, each with its line."""
    return [f"{AMENDMENTS_FILE}:{line}: {why}" for line, _, why in unfit_on_record(con)]


def _is_asked(entry: Row, asked: Asked, *, brought: Collection[int]) -> bool:
    """Say whether an entry is asked for; `brought` are those that brought rows of the meter."""
    day = date.fromisoformat(entry["recorded_at"][:10])
    return (
        (asked.person is None or entry["recorded_by"].casefold() == asked.person.casefold())
        and (asked.kind is None or entry["kind"] == asked.kind)
        and (asked.since is None or day >= asked.since)
        and (asked.until is None or day <= asked.until)
        and (
            asked.meter_id is None
            or entry["entry_no"] in brought
            or names_meter(entry, asked.meter_id)
        )
    )


def write_journal(found: Found, path: Path, *, as_page: bool) -> None:
    """Write entries as a CSV file or as a page.

    Raises
    ------
    DriftError
        If the file cannot be written.
    """
    if as_page:
        # Pages are slow to load, and a list of entries does without them.
        from drift.report.pages.journal import journal_page  # noqa: PLC0415
        from drift.report.render import html_journal  # noqa: PLC0415

        today = date.today()  # noqa: DTZ011 (the laboratory's own day)
        page = journal_page(found.entries, found.source_name, broken=found.broken, today=today)
        text = html_journal(page)
    else:
        text = _csv(JOURNALLED, ([row[name] for name in JOURNALLED] for row in found.entries))
    with written_into(path.parent):
        path.write_text(text, encoding="utf-8", newline="\n")


def export_store(store: Path, folder: Path) -> list[tuple[str, int, str]]:
    """Write the rows in force of a store as CSV files, all of them or none.

    Returns
    -------
    list of (str, int, str)
        Of each file its name, its rows and the checksum of its table.

    Raises
    ------
    DriftError
        If the store cannot be read, or the folder is not empty or cannot be written.
    """
    check_place(folder, raised=DriftError, expected="a new or empty folder")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise DriftError(
            what="is there already and not empty",
            where=str(folder),
            expected="a new or empty folder, so that nothing is mixed or lost",
        )
    # Under another name until it is whole, so that no stop leaves a part that looks like all.
    made = folder.with_name(f"{folder.name}.unfinished")
    written = []
    with open_store(store, read_only=True) as con, written_into(folder):
        shutil.rmtree(made, ignore_errors=True)
        made.mkdir(parents=True)
        try:
            for table, text, rows, checksum in _tables(con):
                (made / f"{table}.csv").write_text(text, encoding="utf-8", newline="\n")
                written.append((f"{table}.csv", rows, checksum))
            lines = ([row[name] for name in JOURNALLED] for row in entries_of(con))
            text = _csv(JOURNALLED, lines)
            (made / JOURNAL_FILE).write_text(text, encoding="utf-8", newline="\n")
            if folder.exists():
                folder.rmdir()
            made.rename(folder)
        except BaseException:
            shutil.rmtree(made, ignore_errors=True)
            raise
    return written


def _tables(con: Connection) -> Iterator[tuple[str, str, int, str]]:
    """Give each table that has rows: its name, its rows as CSV, their number and checksum.

    The checksum is the SHA-256 of the rows as they are exported, in the order of their keys.
    """
    for table, columns in TABLES.items():
        rows = rows_where(con, table, cells={})
        if not rows:
            continue
        names = [column.name for column in columns]
        text = _csv(names, ([row.cells[name] for name in names] for row in rows))
        yield table, text, len(rows), hashlib.sha256(text.encode()).hexdigest()


def _csv(header: object, rows: object) -> str:
    """Return rows as the text of a CSV file."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)  # type: ignore[arg-type]  # an iterable of names
    writer.writerows(rows)  # type: ignore[arg-type]  # an iterable of rows
    return text.getvalue()
