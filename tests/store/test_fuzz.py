"""Seeded random folders: whatever is in them, rows are kept, held back or known, and true.

The judge reads the files by itself, with the csv module of Python alone.
"""

import csv
import random
import re
import resource
import sys
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Decimal, InvalidOperation
from pathlib import Path
from typing import Any

import pytest

from drift.api.reviews import review_source
from drift.cli import main
from drift.errors import DriftError
from drift.intake.columns import TABLES
from drift.review.policy import Policy, choices_of, read_policy
from drift.review.policy_checks import BOUNDS
from drift.store.connection import Connection
from drift.store.loading import IntakeSummary, take_folder
from drift.store.opening import open_store
from tests.csv_folders import emptied
from tests.fuzz_choices import MAPPINGS, Choices, some_choices
from tests.fuzz_files import LAYOUTS, Case, write_case

# Who stands for it where a load amends what is on record.
AGREED = ("--by", "N. N.", "--why", "trial", "--yes")
# Those of the default suite are the first seeds that show each kind of harm, and others.
CASES, CHOSEN_FROM, LONG_CASES = 125, 500, 20_500
# Of processor time and memory, with room for a machine that is busy with other work.
CASE_SECONDS, GROWTH_MIB = 10.0, 600
COMMA = re.compile(r"[-+−]?\d+,\d+")
BLANKS = " \t\v\f\u00a0\u2007\u202f\ufeff\u200b\u2060\r\n"


@dataclass(frozen=True, slots=True)
class Judged:
    """A file as the judge reads it: its rows by line, and whether it writes decimal commas."""

    lines: dict[int, list[str]]
    header: list[str]
    comma: bool


def judge(content: bytes) -> Judged | None:
    """Read a file that any reader must read alike; None for one that leaves room for judgement."""
    encoding = "utf-16" if content[:2] in {b"\xff\xfe", b"\xfe\xff"} else "utf-8-sig"
    try:
        text = content.decode(encoding)
        lines = re.split("\r\n|\r|\n", text)
        mark = next((mark for mark in ",;\t" if lines[0].count(mark)), "")
        if "\0" in text or sum(other in lines[0] for other in ",;\t") != 1:
            return None
        rows = {
            number: next(csv.reader([line], delimiter=mark, strict=True))
            for number, line in enumerate(lines, 1)
            if line.strip(BLANKS)
        }
    except (UnicodeDecodeError, csv.Error):
        return None
    trimmed = {number: [cell.strip(BLANKS) for cell in row] for number, row in rows.items()}
    filled = {number: row for number, row in trimmed.items() if any(row)}
    header = filled.pop(1, None)
    if header is None:
        return None
    comma = mark == ";" and any(COMMA.fullmatch(cell) for row in filled.values() for cell in row)
    return Judged(filled, [name.casefold() for name in header], comma=comma)


def stored(con: Connection, table: str) -> Iterator[dict[str, Any]]:
    """Yield the rows of a table with the file that they came from."""
    result = con.execute(
        f"select files.file, {table}.* from {table} join files using (file_no)"  # noqa: S608
    )
    names = [column[0] for column in result.description]
    for row in result.fetchall():
        yield dict(zip(names, row, strict=True))


def same(value: object, cell: str, *, comma: bool) -> bool:
    """Say whether a value of the store is what a cell says."""
    if not isinstance(value, Decimal | int):
        return str(value) == cell
    plain = cell.replace("−", "-").replace(",", ".") if comma else cell.replace("−", "-")
    try:
        return Decimal(value) == Decimal(plain).quantize(Decimal("1e-9"), ROUND_HALF_UP)
    except InvalidOperation:
        return False


def check_values(con: Connection, folder: Path) -> None:
    """Hold what is in a store against the files, line by line."""
    for table, columns in TABLES.items():
        for row in stored(con, table):
            path = folder / row["file"]
            seen = judge(path.read_bytes())
            if seen is None:
                continue
            cells = seen.lines[row["line"]]
            for column in columns:
                if column.name in seen.header and column.kind != "date":
                    cell = cells[seen.header.index(column.name)]
                    value = row[column.name]
                    if column.kind == "answer" and cell not in {"yes", "no"}:
                        value = Decimal(value)
                    if column.name == "replicate" and not cell:
                        # Readings without a number are numbered as they come.
                        assert value >= 1
                        continue
                    assert same(value, cell, comma=seen.comma) if cell else value is None


def check_counts(folder: Path, summary: IntakeSummary) -> None:
    """Every row of every file is taken, held back or known, and none is there twice."""
    names = sorted(path.name for path in folder.iterdir() if path.suffix == ".csv")
    assert summary.files["file"].to_list() == names
    for row in summary.files.iter_rows(named=True):
        assert row["rows"] == row["taken"] + row["held_back"] + row["known"]
        assert min(row["rows"], row["taken"], row["held_back"], row["known"]) >= 0
        seen = judge((folder / row["file"]).read_bytes())
        if row["table_name"] and seen is not None:
            assert row["rows"] == len(seen.lines)


def exit_code(arguments: list[str]) -> int:
    """Run the command line and return its exit code."""
    before = sys.argv
    sys.argv = ["drift", *arguments]
    try:
        main()
    except SystemExit as done:
        return int(done.code or 0)
    finally:
        sys.argv = before
    return 0


def one_sentence(error: DriftError) -> bool:
    """Say whether an error is told in one line that a terminal can show."""
    return "\n" not in str(error) and (str(error).isprintable() or "\u00a0" in str(error))


def policy_of_case(seed: int) -> Choices:
    """Return the policy file of a case."""
    return some_choices(random.Random(-1 - seed))  # noqa: S311


def chosen_policy(place: Path, *, seed: int) -> Policy | None:
    """Write a policy file and read it: what it says is within bounds, or it is refused: None."""
    choices = policy_of_case(seed)
    path = place / "policy.toml"
    path.write_bytes(choices.content)
    try:
        policy = read_policy(path)
    except DriftError as error:
        assert one_sentence(error)  # noqa: PT017 (one of two outcomes)
        return None
    values: dict[str, Any] = choices_of(policy)
    assert not choices.refused, choices.done
    assert all(low <= values[name] <= high for name, low, high in BOUNDS)
    return policy


def check_review(case: Case, place: Path, policy: Policy) -> None:
    """Review a folder under a policy: it ends in a review or in one sentence."""
    try:
        review_source(
            case.folder,
            out=place / "out",
            as_of=date(2026, 1, 1),
            policy=policy,
            with_pages=False,
            progress=lambda _done, _of: None,
        )
    except DriftError as error:
        assert one_sentence(error)  # noqa: PT017 (one of two outcomes)


def kinds(case: Case, choices: Choices) -> set[str]:
    """Return what was done to a folder and a policy, by kind: bytes of no meaning are one."""
    meant = {repr(mapping.encode()[:80]) for mapping in MAPPINGS}
    named = {f"mapping {layout}" for layout in LAYOUTS}
    shown = {choices.done.split()[1]}
    for what in case.done:
        told = re.sub(r"\d\.csv$", "", what)
        if told.startswith("mapping ") and told not in named:
            told = told.removeprefix("mapping ")
            told = told if told in meant else "bytes for a mapping"
        shown.add(told)
    return shown


def seeds_of_each_kind(place: Path) -> list[int]:
    """Choose the seeds that are the first to show a kind of harm, and others to make CASES."""
    shown: set[str] = set()
    first = []
    for seed in range(CHOSEN_FROM):
        (place / str(seed)).mkdir()
        found = kinds(write_case(place / str(seed), seed=seed), policy_of_case(seed))
        clear(place / str(seed))
        if not found <= shown:
            first.append(seed)
        shown |= found
    others = [seed for seed in range(CHOSEN_FROM) if seed not in first]
    return sorted(first + others[: CASES - len(first)])


def run_case(con: Connection, place: Path, *, seed: int) -> None:
    """Load one folder into a store and hold what was taken against its files."""
    case = write_case(place, seed=seed)
    began = time.process_time()
    wanted = 2
    try:
        summary = take_folder(emptied(con), case.folder)
        check_counts(case.folder, summary)
        check_values(con, case.folder)
        assert not con.execute("select 1 from readings where meter_id = 'DECOY'").fetchall()
        wanted = 0 if summary.held_back.is_empty() else 1
    except DriftError as error:
        assert one_sentence(error)  # noqa: PT017 (one of two outcomes)
    policy = chosen_policy(place, seed=seed)
    if policy is not None and seed % 10 == 3:
        check_review(case, place, policy)
    if seed % 10 == 0:
        store = place / "s.duckdb"
        assert (
            exit_code(["intake", str(case.folder), "--store", str(store), "--strict", *AGREED])
            == wanted
        )
        assert store.exists() == (wanted != 2)
    assert time.process_time() - began < CASE_SECONDS


def run_cases(tmp_path: Path, seeds: Iterable[int]) -> None:
    """Run many cases."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with open_store(None) as con:
        for seed in seeds:
            place = tmp_path / str(seed)
            place.mkdir()
            try:
                run_case(con, place, seed=seed)
            except BaseException as error:
                error.add_note(f"seed {seed}, in {place}")
                raise
            clear(place)
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    assert grown < GROWTH_MIB


def clear(place: Path) -> None:
    """Remove what a case wrote, whatever its names."""
    for inside in place.iterdir():
        if inside.is_dir():
            clear(inside)
        else:
            inside.unlink()
    place.rmdir()


def test_no_folder_hurts(tmp_path: Path) -> None:
    """125 folders: rows add up, values are those of the files, trouble is one sentence."""
    seeds = seeds_of_each_kind(tmp_path)
    assert len(seeds) == CASES
    run_cases(tmp_path, seeds)


@pytest.mark.long
@pytest.mark.parametrize("part", range(20))
def test_no_folder_of_many_hurts(tmp_path: Path, part: int) -> None:
    """20,500 of them."""
    each = LONG_CASES // 20
    run_cases(tmp_path, range(part * each, (part + 1) * each))
