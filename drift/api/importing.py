"""This module imports a laboratory's own records: a proposal and, once accepted, the history."""

import csv
import shutil
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from drift.api.bench_visits import is_bench_file
from drift.api.sources import intake
from drift.errors import DriftError, SourceError, written_into
from drift.intake.layouts.answers import Answers
from drift.intake.layouts.history import Change, HistoryTables, as_csv, history_tables, key_of, news
from drift.intake.layouts.layout_file import LAYOUT_FILE, Layout, layout_text, read_layout
from drift.intake.layouts.proposal import Proposal, propose
from drift.intake.layouts.records import read_records, record_paths
from drift.places import check_place
from drift.store.journal import signed_now

PAGE = "import.html"
_COPY = "records"
_OWN = frozenset({PAGE, LAYOUT_FILE, _COPY})


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import found and wrote.

    Attributes
    ----------
    proposal : Proposal
        What the records say.
    tables : dict of str to list of dict
        The rows that are new, by table.
    changes : tuple of Change
        Rows of the history that the records tell otherwise.
    known : int
        Rows that the history has already.
    page, layout : Path
        Where the proposal is shown and where it may be edited.
    written : tuple of Path
        What was written of the history; empty where nothing was.
    given : mapping of str to str
        The answers that it was read by.
    """

    proposal: Proposal
    tables: HistoryTables
    changes: tuple[Change, ...]
    known: int
    page: Path
    layout: Path
    written: tuple[Path, ...] = ()
    given: Mapping[str, str] = field(default_factory=dict)


def propose_import(
    records: Path,
    *,
    into: Path,
    out: Path,
    layout: Path | None,
    given: Mapping[str, str],
    today: date,
    without: frozenset[str] = frozenset(),
) -> tuple[Imported, Answers]:
    """Read records, and show how in a page and a layout file; no history is written.

    Parameters
    ----------
    records : Path
        File or folder of records.
    into : Path
        The history that they are for, a folder or a store file; it need not exist.
    out : Path
        Folder of the proposal.
    layout : Path or None
        The layout file to go by; where None, the one beside the records or in `out`, if any.
    given : mapping of str to str
        Answers by normal key, before those of the layout file.
    today : date
        No record is of a later day.
    without : frozenset of str
        Names of files that are not to be read.

    Raises
    ------
    DriftError
        If the records or the layout file cannot be read, or `out` cannot be written.
    """
    check_place(out, raised=DriftError, expected="a folder to write the proposal into")
    _check_out(out)
    if is_bench_file(records):
        raise SourceError(
            what="was filled in at the bench and needs no layout",
            where=str(records),
            expected="a laboratory's own records",
            hint=f"drift intake {records} --store STORE loads it",
        )
    known = _layout_for(records, out, layout)
    answers = Answers({**known.answers, **given}, known.tables, known.accepted)
    proposal = propose(read_records(records, without=without), answers=answers, today=today)
    made = history_tables(proposal.rows)
    held = _history(into)
    fresh, changes, same = news(made, held)
    if changes and into.is_dir():
        _ask_who(changes, answers)
        proposal.questions = tuple(answers.open.values())
    imported = Imported(
        proposal, fresh, tuple(changes), same, out / PAGE, out / LAYOUT_FILE, given=answers.given
    )
    _write_proposal(imported, answers, records, out, today=today)
    return imported, answers


def accept_import(imported: Imported, answers: Answers, *, into: Path, today: date) -> Imported:
    """Write the history: tables in a folder, or straight into a store file.

    Raises
    ------
    DriftError
        If it cannot be written.
    """
    tables = _with_amendments(imported, answers)
    check_place(
        into, raised=DriftError, expected="a folder or a store file to write the history to"
    )
    if is_store(into):
        written: tuple[Path, ...] = _into_store(tables, into)
    else:
        written = _into_folder(tables, into, today=today)
    with written_into(imported.layout.parent):
        _replace_text(imported.layout, layout_text(imported.proposal, answers, accepted=True))
    return replace(imported, written=written)


def is_store(into: Path) -> bool:
    """Say whether a history is a store file: it is a file, or is to be one by its ending."""
    return into.is_file() or (not into.exists() and bool(into.suffix))


def _layout_for(records: Path, out: Path, layout: Path | None) -> Layout:
    """Return the layout file to go by, or an empty one."""
    if layout is not None:
        return read_layout(layout)
    beside = (records if records.is_dir() else records.parent) / LAYOUT_FILE
    for path in (beside, out / LAYOUT_FILE):
        if path.is_file():
            return read_layout(path)
    return Layout()


def _history(into: Path) -> HistoryTables:
    """Return the rows that a folder of an earlier import holds; later ones count."""
    known: HistoryTables = {}
    if not into.is_dir():
        return known
    for path in sorted(into.glob("*.csv"), key=lambda path: path.name):
        name = path.stem.split("_")[0]
        with path.open(encoding="utf-8-sig", newline="") as file:
            known.setdefault(name, []).extend(dict(row) for row in csv.DictReader(file))
    return known


def _ask_who(changes: list[Change], answers: Answers) -> None:
    """Ask who changed values that are known, and why."""
    first = changes[0]
    told = "; ".join(
        f"{name} {first.before[name] or 'empty'} → {first.now[name]}" for name in first.now
    )
    place = f"{first.table} {', '.join(first.key)}"
    for key, asks in (("amended_by", "who stands for it"), ("amended_why", "why")):
        if not answers.get(key):
            answers.ask(
                key,
                f"{len(changes)} rows that are known have changed ({told}); {asks}?",
                ("such as Q. Manager",) if key == "amended_by" else ("such as copied wrongly",),
                place,
            )


def _with_amendments(imported: Imported, answers: Answers) -> HistoryTables:
    """Return the new rows with those that amend known ones, signed in their remarks."""
    tables = {name: list(rows) for name, rows in imported.tables.items()}
    who, why = answers.get("amended_by") or "", answers.get("amended_why") or ""
    made = history_tables(imported.proposal.rows)
    for change in imported.changes:
        row = next(row for row in made[change.table] if key_of(change.table, row) == change.key)
        signed = f"amended by {who}: {why}" if who else ""
        remarks = "; ".join(filter(None, (row.get("remarks", ""), signed)))
        tables.setdefault(change.table, []).append({**row, "remarks": remarks})
    return tables


def _into_folder(tables: HistoryTables, into: Path, *, today: date) -> tuple[Path, ...]:
    """Write tables into a folder; what is there stays, later rows get files of their own."""
    written = []
    with written_into(into):
        into.mkdir(parents=True, exist_ok=True)
        for name, rows in tables.items():
            path, number = into / f"{name}.csv", 1
            while path.exists():
                ending = "" if number == 1 else f"_{number}"
                path, number = into / f"{name}_{today.isoformat()}{ending}.csv", number + 1
            _replace_text(path, as_csv(name, rows))
            written.append(path)
    return tuple(written)


def _into_store(tables: HistoryTables, into: Path) -> tuple[Path, ...]:
    """Load tables into a store file; of a folder that is removed again."""
    with tempfile.TemporaryDirectory(prefix="drift-") as place:
        folder = Path(place) / "import"
        folder.mkdir()
        for name, rows in tables.items():
            (folder / f"{name}.csv").write_text(as_csv(name, rows), encoding="utf-8", newline="\n")
        # Whoever accepted the import saw what it changes.
        intake(folder, store=into, signed=signed_now(None, "an import that was accepted"))
    return (into,)


def _check_out(out: Path) -> None:
    """Raise if the folder of the proposal holds what no import wrote."""
    if out.exists() and not out.is_dir():
        raise DriftError(
            what="is a file", where=str(out), expected="a folder to write the proposal into"
        )
    strangers = (
        sorted(path.name for path in out.iterdir() if path.name not in _OWN) if out.is_dir() else []
    )
    if strangers:
        raise DriftError(
            what=f"holds {strangers[0]!r}, which no import wrote",
            where=str(out),
            expected="a folder of an earlier import, or a new one",
            hint="choose another folder with --out",
        )


def _write_proposal(
    imported: Imported, answers: Answers, records: Path, out: Path, *, today: date
) -> None:
    """Write the page, the layout file and a copy of the records."""
    from drift.report.pages.records import records_page  # noqa: PLC0415  # templates are slow to load
    from drift.report.render import html_records  # noqa: PLC0415

    page = records_page(
        imported.proposal,
        tables=history_tables(imported.proposal.rows),
        source_name=records.resolve().name,
        today=today,
    )
    with written_into(out):
        out.mkdir(parents=True, exist_ok=True)
        _replace_text(out / PAGE, html_records(page))
        _replace_text(
            out / LAYOUT_FILE, layout_text(imported.proposal, answers, accepted=answers.accepted)
        )
        copies = out / _COPY
        if records.resolve().parent == copies.resolve() or records.resolve() == copies.resolve():
            return
        copies.mkdir(exist_ok=True)
        for path in record_paths(records):
            shutil.copyfile(path, copies / path.name)


def _replace_text(path: Path, text: str) -> None:
    """Write a file whole or not at all."""
    made = path.with_name(path.name + ".unfinished")
    try:
        made.write_text(text, encoding="utf-8", newline="\n")
        made.replace(path)
    except BaseException:
        made.unlink(missing_ok=True)
        raise
