"""What an import gives does not depend on order, form of dates, titles or kind of file."""

import random
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.intake.layouts.answers import Answers
from drift.intake.layouts.history import as_csv, history_columns, history_tables
from drift.intake.layouts.proposal import Proposal, propose
from drift.intake.layouts.records import read_records
from drift.intake.layouts.texts import read_text
from tests.layouts.test_layouts import rows_of
from tests.layouts.truth import Visit, fleet, table
from tests.layouts.writing import book, text_file

TODAY = date(2026, 11, 30)
TITLES = (
    ("Meter", "Date", "AF {}", "AL {}"),
    ("Gauge ID", "Calibration date", "As found at {} %", "As left at {} %"),
    ("Gerät-Nr.", "Prüfdatum", "vor Justage {} %", "nach Justage {} %"),
    ("N° appareil", "Date de contrôle", "avant réglage {} %", "après réglage {} %"),
    ("Asset tag", "Performed on", "found_{}", "left_{}"),
    ("Metre no.", "Calibraton date", "Before adj. {}", "After adj. {}"),
)
FORMS = ("%Y-%m-%d", "%d %B %Y", "%d-%b-%y", "%B %d, %Y", "%Y%m%d", "%d.%m.%Y", "%m/%d/%Y")


def read(path: Path) -> Proposal:
    return propose(read_records(path), answers=Answers(), today=TODAY)


def wide(visits: list[Visit], titles: tuple[str, ...], form: str) -> list[list[object]]:
    points = [f"{point:g}" for point in visits[0].found]
    header: list[object] = [
        titles[0],
        titles[1],
        *(titles[2].format(point) for point in points),
        *(titles[3].format(point) for point in points),
    ]
    return [
        header,
        *([v.meter, f"{v.day:{form}}", *v.found.values(), *v.left.values()] for v in visits),
    ]


@pytest.mark.parametrize("titles", TITLES, ids=lambda titles: titles[0])
@pytest.mark.parametrize("form", FORMS)
def test_titles_and_forms_of_dates_change_nothing(
    titles: tuple[str, ...], form: str, tmp_path: Path
) -> None:
    visits = fleet()
    proposal = read(text_file(tmp_path / "log.csv", wide(visits, titles, form), mark=";"))
    assert not proposal.questions
    assert rows_of(proposal) == table(visits)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), blanks=st.integers(0, 4), sheets=st.booleans())
def test_order_of_rows_and_columns_changes_nothing(
    tmp_path_factory: pytest.TempPathFactory, seed: int, blanks: int, sheets: bool
) -> None:
    """A shuffled, re-typed copy with lines above gives the same rows."""
    chance = random.Random(seed)  # noqa: S311
    visits = fleet(seed=seed, visits=4)
    header, *lines = wide(visits, TITLES[seed % len(TITLES)], FORMS[seed % 4])
    order = list(range(len(header)))
    chance.shuffle(order)
    chance.shuffle(lines)
    turned = [[line[at] for at in order] for line in (header, *lines)]
    above: list[list[object]] = [["Records"] for _ in range(blanks)]
    folder = tmp_path_factory.mktemp("shuffled")
    if sheets:
        path = book(folder / "log.xlsx", {"Log": [*above, *turned]})
    else:
        path = text_file(folder / "log.csv", [*above, *turned], mark=";")
    proposal = read(path)
    assert not proposal.questions
    assert rows_of(proposal) == table(visits)


def test_what_was_written_is_read_back_the_same(tmp_path: Path) -> None:
    """The tables that an import writes, imported again, are the same tables."""
    visits = fleet()
    made = history_tables(
        read(text_file(tmp_path / "a.csv", wide(visits, TITLES[0], FORMS[0]))).rows
    )
    (tmp_path / "readings.csv").write_text(as_csv("readings", made["readings"]), encoding="utf-8")
    again = history_tables(read(tmp_path / "readings.csv").rows)["readings"]
    columns = history_columns("readings")
    assert [[row.get(column, "") for column in columns] for row in again] == [
        [row.get(column, "") for column in columns] for row in made["readings"]
    ]


@settings(max_examples=60, deadline=None)
@given(content=st.binary(max_size=400))
def test_no_bytes_break_the_reading(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = tmp_path_factory.mktemp("bytes") / "log.csv"
    path.write_bytes(content)
    proposal = propose([read_text(path)], answers=Answers(), today=TODAY)
    assert set(proposal.counts) == {"read", "passed", "unread"}


@settings(max_examples=60, deadline=None)
@given(
    cells=st.lists(
        st.lists(
            st.sampled_from(
                ["Meter", "Date", "AF 5", "", "M-1", "2025-03-31", "4.9", "OK", '"', "R", "5 %",
                 "4.9/5.0", "Q1", "found", "VOID", "Mar-25", "3/4/25", "total", "<b>", "0"]
            ),
            max_size=6,
        ),
        max_size=12,
    )
)  # fmt: skip
def test_no_mixture_of_cells_breaks_the_reading(
    tmp_path_factory: pytest.TempPathFactory, cells: list[list[str]]
) -> None:
    path = text_file(tmp_path_factory.mktemp("cells") / "log.csv", cells, mark=";")
    proposal = read(path)
    filled = sum(value is not None for row in proposal.sheets[0].rows for value in row)
    assert len(proposal.marks[0].fates) >= filled
