"""Histories that hold next to nothing are reviewed all the same, pages and all."""

from datetime import date
from pathlib import Path

import pytest

from drift.api.reviews import find
from drift.conformity.decision_rules import DECISION_RULES
from drift.report import render
from drift.report.pages.dossier import dossier_page
from drift.report.pages.fleet import fleet_page
from drift.review.policy import Policy
from tests.csv_folders import readings, write
from tests.report.fleet_text import fleet_html

AS_OF = date(2026, 6, 1)
ODD: dict[str, dict[str, str]] = {
    "one reading": {"r": readings("A,2026-01-01,as_found,5.0,5.1")},
    "as left only": {
        "r": readings("A,2026-01-01,as_left,5.0,5.1", "A,2026-03-01,as_left,0,0.1"),
    },
    "two visits of one day": {
        "r": readings(
            "A,2026-01-01,as_found,5.0,5.1,1",
            "A,2026-01-01,as_found,5.0,5.2,2",
            "A,2026-01-01,as_left,5.0,5.0,2",
            columns="visit_id",
        ),
    },
    "two vessels and two people at one sitting": {
        "r": readings(
            "A,2026-01-01,as_found,5.0,5.1,V1,a",
            "A,2026-01-01,as_found,5.0,5.1,V2,b",
            "B,2026-02-01,as_found,7.3,7.3,,",
            columns="vessel_id,operator",
        ),
        "m": "meter_id,status\nA,retired\nB,withdrawn\n",
    },
    "zero checks in the marks only": {
        "m": "meter_id,performed_on,mark,action,zero_reading_pct\n"
        "A,2026-01-01,-3,established,0.1\nA,2026-02-01,-3.1,moved,0.0\n",
        "r": readings("Z,2026-01-01,as_found,5.0,5.1"),
    },
}


@pytest.mark.parametrize("name", ODD)
@pytest.mark.parametrize("rule", [DECISION_RULES[0].name, DECISION_RULES[-1].name])
def test_odd_histories_are_reviewed_and_drawn(tmp_path: Path, name: str, rule: str) -> None:
    """Every meter has a standing, a verdict for each bias and a dossier."""
    folder = write(tmp_path / "lab", **ODD[name])
    review = find(folder, as_of=AS_OF, policy=Policy(decision_rule=rule))
    assert review.meters.height == review.ledger["meter_id"].n_unique() > 0
    assert review.conformity.verdicts.height == review.sources.sessions.height
    assert review.conformity.verdicts["verdict"].null_count() == 0
    assert "Conformity: " in fleet_html(fleet_page(review))
    for meter_id in review.meters["meter_id"]:
        assert "Conformity: " in render.html_dossier(dossier_page(review, meter_id))
