"""Prints how much of many record layouts is read rightly without a question, and wrongly (none).

The five shapes that a new user tried first are printed with the answers that each needs: one
command where there are none, else one to see the questions and one with the answers.
"""

import tempfile
from datetime import date
from pathlib import Path
from time import process_time

from drift.intake.layouts.answers import Answers, normal_key
from drift.intake.layouts.proposal import propose
from drift.intake.layouts.records import read_records
from tests.layouts.cases import CASES, Case, found_only, middle_of_month
from tests.layouts.forms import sheet_a_meter
from tests.layouts.logs import us_log, wide_log
from tests.layouts.oddities import errors_alone, months
from tests.layouts.truth import fleet

TODAY = date(2030, 1, 1)
_FLEET = fleet(meters=24, visits=15)
SHAPES = (
    Case("workbook, a sheet for each meter", sheet_a_meter, visits=_FLEET),
    Case("wide file", wide_log, visits=_FLEET),
    Case("log with titles, US dates, units", us_log, visits=_FLEET),
    Case(
        "errors without a correct air content",
        errors_alone,
        answers={"correct_air_pct": "5.0"},
        visits=fleet(meters=24, visits=15, points=(5.0,)),
        expect=found_only,
    ),
    Case(
        "months in words",
        months,
        answers={"dates.month_only": "15"},
        visits=_FLEET,
        expect=middle_of_month,
    ),
)


def tried(case: Case, answers: dict[str, str]) -> tuple[int, int, int, int, float]:
    """Return readings told, read rightly, read wrongly, questions, and CPU seconds."""
    with tempfile.TemporaryDirectory() as place:
        records = case.write(Path(place), case.visits)
        start = process_time()
        given = {normal_key(key): value for key, value in answers.items()}
        proposal = propose(read_records(records), answers=Answers(given), today=TODAY)
        took = process_time() - start
    told = set(case.expect(case.visits))
    read = {
        (r.meter_id, r.performed_on.isoformat(), r.stage, r.correct_air_pct, r.reading_air_pct)
        for r in proposal.rows.readings
        if r.reading_air_pct is not None
    }
    return len(told), len(told & read), len(read - told), len(proposal.questions), took


def main() -> None:
    """Print both tables."""
    sums = [0, 0, 0]
    print(f"{'layout':66} readings  rightly  wrongly  asked")
    for case in CASES:
        told, good, bad, asked, _ = tried(case, {})
        sums = [sums[0] + told, sums[1] + good, sums[2] + bad]
        print(f"{case.name:66} {told:8} {good:8} {bad:8} {asked:6}")
    right, wrong = sums[1] / sums[0], sums[2] / sums[0]
    print(f"all without an answer: {right:.1%} rightly, {wrong:.1%} wrongly")
    print(f"\n{'shape':40} readings  rightly  wrongly  commands  answers  CPU s")
    for case in SHAPES:
        told, good, bad, _, took = tried(case, case.answers)
        commands = 2 if case.answers else 1
        answers = len(case.answers)
        print(f"{case.name:40} {told:8} {good:8} {bad:8} {commands:9} {answers:8} {took:6.2f}")


if __name__ == "__main__":
    main()
