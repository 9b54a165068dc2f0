"""What a fleet review says of bowls, from written files: right ones, and one value for all."""

from datetime import date

import numpy as np
import pytest

from drift.api.reviews import find
from drift.report.pages.fleet_reference import reference_part
from drift.report.pages.reference_rows import ReferencePart
from drift.review.clauses.answers import answer_clauses
from drift.review.clauses.clause import CLAUSE_CONTRADICTED, SHOWN, Clause
from drift.review.policy import Policy
from drift.review.results import Review
from tests.csv_folders import write
from tests.reference.bowl_laboratories import (
    BOWL_G,
    ONE_VESSEL,
    alike,
    bowls_table,
    readings,
    right,
    shares,
)
from tests.reference.bowl_laboratories import BOWLS as MEASURED

BOWLS = shares(11)


def _reviewed(folder: pytest.TempPathFactory, **tables: str) -> Review:
    written = write(folder.mktemp("lab"), vessels=ONE_VESSEL, **tables)
    return find(written, as_of=date(2026, 6, 1), policy=Policy())


def _said(review: Review) -> tuple[ReferencePart, Clause]:
    clauses = answer_clauses(review)
    return reference_part(review), next(one for one in clauses if one.clause == "6.4.11")


def test_right_bowls_put_nothing_in_doubt(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Eleven bowls within 0.6 %, each with its own value: open, and not to be doubted."""
    part, clause = _said(_reviewed(tmp_path_factory, readings=readings(BOWLS, right(BOWLS))))
    assert not part.doubt
    assert not part.checks
    assert "may be off by ±0.030" in part.bowls.lead[1]
    assert "±0.060" in part.bowls.lead[1]
    assert "Nothing says that they are wrong" in part.bowls.lead[1]
    assert clause.state != CLAUSE_CONTRADICTED
    assert "bowls of 0 of 11 meters known" in clause.decided_by


def test_one_value_for_all_bowls_is_not_shown_to_be_right(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    """It is 0.06 wrong at 10 %: open without the bowls' masses, contradicted with them."""
    one = readings(BOWLS, alike(BOWLS))
    part, clause = _said(_reviewed(tmp_path_factory, readings=one))
    assert not part.doubt
    assert clause.state != SHOWN
    assert clause.to_file
    review = _reviewed(tmp_path_factory, readings=one, bowls=bowls_table(BOWLS))
    part, clause = _said(review)
    assert "state another air content" in part.doubt
    assert clause.state == CLAUSE_CONTRADICTED
    worst = max(part.bowls.pairs, key=lambda row: abs(row.off))
    assert len(worst.meters) == 1
    assert set(worst.meters) <= {"M01", "M11"}
    assert abs(worst.off) == pytest.approx(0.03, abs=0.008)
    assert part.bowls.lead == (part.bowls.lead[0],)


def test_bowls_that_are_alike_are_told_in_one_row(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Eleven equal bowls are one row that names three of them; one that disagrees is its own."""
    same = np.zeros(11)
    measured = MEASURED + "".join(f"M{one:02},2023-09-04,{BOWL_G},20\n" for one in range(1, 12))
    stated = right(same)
    review = _reviewed(tmp_path_factory, readings=readings(same, stated), bowls=measured)
    (pair,) = reference_part(review).bowls.pairs
    assert pair.meters == ("M01", "M02", "M03")
    assert pair.others == 8
    assert pair.sittings == review.reference.pairs["sittings"].sum()
    stated[3] += 0.2
    review = _reviewed(tmp_path_factory, readings=readings(same, stated), bowls=measured)
    told = reference_part(review).bowls
    assert {pair.meters for pair in told.pairs if pair.disagreeing} == {("M04",)}
    assert sum(len(pair.meters) + pair.others for pair in told.pairs) == 11
