"""The impact note: its span, what it says, and what it says to bad questions."""

import json
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner

from drift.api.memos import write_impact
from drift.cli import commands
from drift.errors import DriftError
from drift.forecast.smooth import PATH
from drift.report.memos import ImpactWritten, impact_record
from drift.review.field_tests import FIELD_IMPACT
from drift.review.policy import Policy
from drift.review.suspicion import suspect
from tests.csv_folders import readings, write

SAMPLE = Path(__file__).resolve().parents[2] / "sample_history"
AS_OF = date(2026, 10, 1)
FAILED = (
    "A,2026-01-10,as_found,5,5.0",
    "A,2026-04-10,as_found,5,5.05",
    "A,2026-07-10,as_found,5,4.75",
)


def note(
    source: Path,
    meter: str,
    out: Path,
    *,
    visit: date | None = None,
    policy: Policy | None = None,
) -> ImpactWritten:
    """Write an impact note, under the usual policy where none is given."""
    return write_impact(source, meter, visit=visit, out=out, as_of=AS_OF, policy=policy or Policy())


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> ImpactWritten:
    """Return the note of the sample's failed meter."""
    return note(SAMPLE, "AM-09", tmp_path_factory.mktemp("impact"))


def test_the_samples_failure_is_found_with_its_period_and_tests(sample: ImpactWritten) -> None:
    """Its README plants them: suspect since 2026-06-05, 14 tests, 4.5 and 7.6 in doubt."""
    suspicion = sample.impact.suspicion
    assert suspicion.closed == date(2026, 9, 3)
    assert suspicion.started == date(2026, 6, 5)
    assert suspicion.evidence == "found in tolerance"
    assert [point for point, _ in suspicion.failed] == [5.0, 10.0]
    tests = sample.impact.tests
    assert tests.height == 14
    doubtful = tests.sort("p_verdict_wrong", descending=True).head(3)
    assert set(doubtful["air_pct"]) == {4.5, 7.6, 7.5}
    assert tests["corrected_air_pct"].to_list() == pytest.approx(
        (tests["air_pct"] - tests["bias_pct"]).to_list()
    )
    early, middle, late = sample.impact.bracket
    assert early is not None
    assert middle is not None
    assert late is not None
    assert suspicion.started <= early < middle < late <= suspicion.closed
    assert "read high: the true air content was lower" in " ".join(sample.told)


def test_the_note_asks_and_leaves_room_and_calls_nothing_a_result(sample: ImpactWritten) -> None:
    """Clauses by number, empty places for decision, notice and authority, the usual cautions."""
    html = sample.page.read_text(encoding="utf-8")
    for words in (
        "ISO/IEC 17025:2017, 7.10",
        "6.4.9 (from memory)",
        "Decision and its reason",
        "Told to, on what date, how",
        "Authorised by",
        "No corrected value here is a test result",
        "people decide",
        "Statistics release no meter for use",
        "default-src 'none'",
    ):
        assert words in html
    assert html.count('<bdi class="id short">FT-00') == 14


def test_the_files_and_the_json_agree(sample: ImpactWritten) -> None:
    """The CSV files hold the columns named, the JSON the same rows with null for unknown."""
    tests, path = (pl.read_csv(each) for each in sample.data)
    assert tests.columns == list(FIELD_IMPACT)
    assert path.columns == list(PATH)
    told = json.loads(impact_record(sample))
    assert [row["test_id"] for row in told["field_tests"]] == tests["test_id"].to_list()
    assert told["visit_on"] == "2026-09-03"
    assert told["out_since"]["early"] <= told["out_since"]["late"]
    assert len(told["path"]) == path.height


def test_the_path_ends_where_the_visits_were(sample: ImpactWritten) -> None:
    """On the last day it is near what was found, and the chance of having been out only grows."""
    at_ten = sample.impact.path.filter(pl.col("point_pct") == 10.0)
    assert at_ten["on_date"].min() == date(2026, 6, 5)
    assert at_ten["on_date"].max() == date(2026, 9, 3)
    assert at_ten["bias_pct"][-1] == pytest.approx(0.17, abs=0.03)
    assert at_ten["p_been_out"].is_sorted()
    assert (at_ten["low_pct"] <= at_ten["bias_pct"]).mean() > 0.95  # type: ignore[operator]  # a number


def test_a_visit_without_failure_is_said_to_be_none(tmp_path: Path) -> None:
    """The path is shown all the same, and no sign is claimed."""
    source = write(tmp_path / "source", readings=readings(*FAILED))
    made = note(source, "A", tmp_path / "out", visit=date(2026, 4, 10))
    assert made.impact.suspicion.failed == ()
    assert "no failure" in made.told[0]
    assert not made.impact.path.is_empty()
    assert not any("read high" in sentence or "read low" in sentence for sentence in made.told)
    assert "no failure on 10" in made.page.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("meter", "visit", "words", "hint"),
    [
        ("AM-99", None, "not a meter with a visit", "AM-09"),
        ("AM-09", date(2026, 9, 1), "has no visit on 2026-09-01", "2026-09-03"),
    ],
)
def test_bad_questions_name_what_is_near(
    meter: str, visit: date | None, words: str, hint: str, tmp_path: Path
) -> None:
    """An unknown meter and a day without a visit are refused with the nearest there are."""
    with pytest.raises(DriftError) as refused:
        note(SAMPLE, meter, tmp_path, visit=visit)
    assert words in str(refused.value)
    assert hint in refused.value.hint


def test_readings_alone_give_a_note(tmp_path: Path) -> None:
    """Without a table of field tests it says so; a low reading means more air than reported."""
    source = write(tmp_path / "source", readings=readings(*FAILED))
    made = note(source, "A", tmp_path / "out")
    assert made.impact.suspicion.started == date(2026, 4, 10)
    told = " ".join(made.told)
    assert "No table of field tests could be used" in told
    assert json.loads(impact_record(made))["field_tests_given"] is False
    header = "test_id,meter_id,tested_on,air_pct\nT1,B,2026-05-05,5.5\n"
    source = write(tmp_path / "source", readings=readings(*FAILED), field_tests=header)
    other = " ".join(note(source, "A", tmp_path / "out").told)
    assert "No field test made with this meter in the suspect period is on record" in other
    assert "read low: the true air content was higher" in told


def test_tests_without_a_specification_are_listed_without_a_chance(tmp_path: Path) -> None:
    """Their bias is given; whether a verdict was wrong cannot be asked."""
    source = write(
        tmp_path / "source",
        readings=readings(*FAILED),
        field_tests="test_id,meter_id,tested_on,air_pct\nF1,A,2026-05-01,6.2\n"
        "=F2,A,2026-08-01,6.0\nF3,A,2026-05-99,6.0\n",
    )
    made = note(source, "A", tmp_path / "out")
    row = made.impact.tests.row(0, named=True)
    assert made.impact.tests.height == 1
    assert row["verdict"] == "no specification"
    assert row["p_verdict_wrong"] is None
    assert row["bias_pct"] is not None
    assert "1 without a specification" in " ".join(made.told)
    assert "1 row of the source's field tests was held back" in made.told[-1]
    assert json.loads(impact_record(made))["field_tests_held_back"] == 1


def test_a_first_visit_that_fails_has_nothing_to_start_from(tmp_path: Path) -> None:
    """No earlier evidence and no path: said so, with the tests of that day only."""
    source = write(tmp_path / "source", readings=readings("A,2026-07-10,as_found,5,5.3"))
    made = note(source, "A", tmp_path / "out")
    assert made.impact.suspicion.evidence == ""
    assert made.impact.path.is_empty()
    assert made.impact.p_been_out is None
    assert "cannot be said" in " ".join(made.told)
    assert "No earlier visit shows the meter in tolerance" in " ".join(made.told)


def test_the_last_good_evidence_may_be_an_adjustment(tmp_path: Path) -> None:
    """A visit that found it out and left it in is evidence; one that left it out is none."""
    rows = (
        "A,2026-01-10,as_found,5,5.0",
        "A,2026-02-10,as_found,5,5.2",
        "A,2026-02-10,as_left,5,5.0",
        "A,2026-03-10,as_found,5,5.2",
        "A,2026-03-10,as_left,5,5.2",
        "A,2026-04-10,as_found,5,5.25",
    )
    source = write(tmp_path / "source", readings=readings(*rows))
    made = note(source, "A", tmp_path / "out")
    assert made.impact.suspicion.started == date(2026, 2, 10)
    assert made.impact.suspicion.evidence == "left in tolerance"
    earlier = note(source, "A", tmp_path / "out", visit=date(2026, 3, 10))
    assert earlier.impact.suspicion.closed == date(2026, 3, 10)


def test_a_replaced_gauge_starts_the_path_anew(tmp_path: Path) -> None:
    """The path begins with the gauge that failed, though the good evidence is older."""
    rows = (*FAILED[:1], "A,2026-04-10,as_found,5,5.05", "A,2026-04-10,as_left,5,5.0", FAILED[2])
    source = write(
        tmp_path / "source",
        readings=readings(*rows),
        service="meter_id,performed_on,action\nA,2026-04-10,gauge_replaced\n",
    )
    made = note(source, "A", tmp_path / "out")
    assert made.impact.path["on_date"].min() == date(2026, 4, 10)
    assert made.impact.path["bias_pct"][-1] < -0.1


def test_the_decision_rule_in_force_says_what_a_failure_is(tmp_path: Path) -> None:
    """Under a guard band a bias inside the tolerance is no good evidence, and is told as such."""
    source = write(
        tmp_path / "source",
        readings=readings(
            "A,2026-01-10,as_found,5,5.0,0.01",
            "A,2026-04-10,as_found,5,5.09,0.01",
            columns="resolution_pct",
        ),
    )
    guarded = note(source, "A", tmp_path / "out", policy=Policy(decision_rule="guarded_by_u"))
    ((at, bias),) = guarded.impact.suspicion.failed
    assert at == 5.0
    assert bias == pytest.approx(0.09)
    assert "by the decision rule in force (guarded by u)" in guarded.told[0]
    assert note(source, "A", tmp_path / "out").impact.suspicion.failed == ()


def test_suspicion_needs_no_files() -> None:
    """The span comes from a ledger alone, point by point; one point out spoils a visit."""
    ledger = pl.DataFrame(
        {
            "found_inside": [True, False] * 2,
            "left_inside": [True, False] * 2,
            "meter_id": ["A"] * 4,
            "performed_on": [date(2026, 1, 1)] * 2 + [date(2026, 4, 1)] * 2,
            "point_pct": [5.0, 10.0] * 2,
            "as_found_bias_pct": [0.0, 0.2, 0.0, 0.2],
            "adjusted": [False] * 4,
            "calibration": ["both"] * 4,
        }
    )
    made = suspect(ledger, closed=date(2026, 4, 1))
    assert made.evidence == ""
    assert made.failed == ((10.0, 0.2),)


def test_the_command_prints_sentences_or_json(tmp_path: Path) -> None:
    """Both write the files; an unknown meter is an error with its hint."""
    source = write(tmp_path / "source", readings=readings(*FAILED))
    asked = ["impact", str(source), "A", "--as-of", "2026-10-01", "--out", str(tmp_path / "out")]
    plain = CliRunner().invoke(commands, asked, standalone_mode=False)
    assert plain.exception is None
    assert "Suspect period" in plain.output
    assert (tmp_path / "out" / "A_2026-07-10.html").is_file()
    structured = CliRunner().invoke(commands, [*asked, "--json"], standalone_mode=False)
    assert json.loads(structured.output)["meter_id"] == "A"
    asked[2] = "B"
    assert isinstance(
        CliRunner().invoke(commands, asked, standalone_mode=False).exception, DriftError
    )
