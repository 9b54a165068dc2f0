"""Records in many layouts are read rightly, ask no more than they must, and never wrongly."""

from datetime import date
from pathlib import Path

import pytest

from drift.intake.layouts.answers import Answers, normal_key
from drift.intake.layouts.proposal import Proposal, propose
from drift.intake.layouts.records import read_records
from tests.layouts.cases import CASES, Case, Rows

TODAY = date(2026, 11, 30)


def read(records: Path, answers: dict[str, str]) -> Proposal:
    given = {normal_key(key): value for key, value in answers.items()}
    return propose(read_records(records), answers=Answers(given), today=TODAY)


def rows_of(proposal: Proposal) -> Rows:
    return sorted(
        (r.meter_id, r.performed_on.isoformat(), r.stage, r.correct_air_pct, r.reading_air_pct)
        for r in proposal.rows.readings
        if r.reading_air_pct is not None and r.correct_air_pct is not None
    )


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_layout_gives_the_table_it_tells(case: Case, tmp_path: Path) -> None:
    """With the answers that it needs, every reading is there, none wrong, and nothing is asked."""
    records = case.write(tmp_path, case.visits)
    proposal = read(records, case.answers)
    assert [question.key for question in proposal.questions] == []
    assert rows_of(proposal) == case.expect(case.visits)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_only_what_is_open_is_asked_and_nothing_is_read_wrongly(case: Case, tmp_path: Path) -> None:
    """Without answers just the open questions are asked, and no row is one that the truth lacks."""
    records = case.write(tmp_path, case.visits)
    proposal = read(records, {})
    assert {question.key for question in proposal.questions} == set(case.answers)
    assert set(rows_of(proposal)) <= set(case.expect(case.visits))
    assert all(question.choices and question.place for question in proposal.questions)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_cell_has_a_fate(case: Case, tmp_path: Path) -> None:
    """No cell that holds anything is passed over in silence."""
    proposal = read(case.write(tmp_path, case.visits), case.answers)
    for sheet, marks in zip(proposal.sheets, proposal.marks, strict=True):
        filled = {
            (row, column)
            for row, values in enumerate(sheet.rows)
            for column, value in enumerate(values)
            if value is not None
        }
        assert filled <= set(marks.fates)
        assert all(why for _, why in marks.fates.values())
