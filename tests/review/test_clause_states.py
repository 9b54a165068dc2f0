"""Every clause comes out as each state that it can have, by changing the records alone."""

import json
from collections import defaultdict
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

from drift.review.clauses.answers import answer_clauses
from drift.review.clauses.clause import (
    CLAUSE_CONTRADICTED,
    NO_RECORD,
    NOT_SHOWN,
    OUTSIDE,
    PARTLY,
    SHOWN,
    Clause,
)
from drift.review.policy import Policy
from drift.review.results import Review
from drift.store.folder_journal import append_kept
from drift.store.journal import Draft, signed_now
from tests import clause_records as lab
from tests.csv_folders import write

S, P, N, C, O = SHOWN, PARTLY, NOT_SHOWN, CLAUSE_CONTRADICTED, OUTSIDE  # noqa: E741  # a table of states
POSSIBLE = {
    "6.2": {S, P, N, C, O},
    "6.3": {S, P, C, O},
    "6.4.3": {P, O},
    "6.4.4": {S, P, N, C},
    "6.4.5": {S, P, C, O},
    "6.4.6": {S, P, N, C, O},
    "6.4.7": {S, P, C, O},
    "6.4.8": {P, C, O},
    "6.4.9": {S, P, N, C, O},
    "6.4.10": {P, O},
    "6.4.11": {S, P, N, C},
    "6.4.12": {P, N, C},
    "6.4.13": {P, N},
    "6.5": {P, N, C, O},
    "7.2": {C, O},
    "7.5": {S, P, N, C},
    "7.6.2": {S, P, C},
    "7.7.1": {S, P, N, O},
    "7.7.2": {S, P, N, C, O},
    "7.7.3": {S, P, N, C, O},
    "7.8.6": {N, C, O},
    "7.10": {P, N, C, O},
    "7.11.2": {N, O},
    "7.11.3": {P, C, O},
    "7.11.6": {S, P, C, O},
    "8.4": {N, O},
    "8.5": {P, O},
    "8.7": {P, N, C, O},
    "8.9": {P, O},
    "equipment record": {P, N},
    "intervals": {S, P, C, O},
}
Answers = dict[str, Clause]


def answers(review: Review) -> Answers:
    return {one.clause: one for one in answer_clauses(review)}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("laboratories")


@pytest.fixture(scope="module")
def sound(folder: Path) -> Review:
    return lab.review_written(folder / "sound", lab.sound())


@pytest.fixture(scope="module")
def bare(folder: Path) -> Review:
    """One meter, two visits, required columns alone, and a file that is no table."""
    few = ("meter_id", "performed_on", "stage", "correct_air_pct", "reading_air_pct")
    rows = [
        {name: row[name] for name in few}
        for number in (12, 13)
        for row in lab.of_visit(lab.sound(), "M-1", number)
        if row["replicate"] == 1
    ]
    here = folder / "bare"
    write(here / "records", notes="what,ever\n1,2\n")
    return lab.reviewed(here, {"readings": rows})


@pytest.fixture(scope="module")
def retired(folder: Path) -> Review:
    """Meters read once and no longer in use."""
    records = lab.sound()
    records["readings"] = [r for m in lab.METERS for r in lab.of_visit(records, m, 0)]
    for row in records["meters"]:
        row["status"] = "retired"
    return lab.reviewed(folder / "retired", records)


def keep_journal(records: Path) -> Path:
    """Let a folder of records keep a journal of one entry; return its file."""
    records.mkdir(parents=True)
    append_kept(records, (Draft(signed_now("K. Vale", "kept dry"), "response"), []), seen=0)
    return records / "journal.csv"


@pytest.fixture(scope="module")
def patchy(folder: Path) -> Review:
    """Leave out a little everywhere."""
    records = lab.sound()
    records["readings"] = [
        row
        for row in records["readings"]
        if row["meter_id"] != "M-4" or row["performed_on"] >= lab.visit_on(11)  # type: ignore[operator]
    ]
    for row in records["readings"]:
        if row["correct_air_pct"] == 10:
            row["operator"] = row["water_temp_c"] = ""
        if row["correct_air_pct"]:
            row["vessel_id"] = "V-1"
    for row in lab.of_visit(records, "M-2", 13):
        row["performed_on"] = lab.visit_on(13) + timedelta(days=10)
    unread = {"meter_id": "M-9", "in_service_on": lab.FIRST, "interval_days": 91}
    records["meters"].append(unread | {"status": "active", "site": ""})
    records["service"] = [
        {"meter_id": "M-1", "performed_on": lab.visit_on(5), "action": "seal_replaced"}
    ]
    records["marks"] = [
        {"meter_id": "M-1", "performed_on": date(2022, 3, 1), "mark": -0.2, "action": "verified"}
    ]
    records["readings"].append(dict(records["readings"][0], reading_air_pct="five", replicate=4))
    day = date(2023, 5, 2)
    records["field_tests"] = [lab.field_test("M-1", day, spec=True, correction=0.2)]
    records["comparisons"] = [
        lab.compared("M-1", day, u=0.1),
        lab.compared("M-2", day, number=2, u=0.1),
    ]
    keep_journal(folder / "patchy" / "records")
    return lab.reviewed(folder / "patchy", records)


@pytest.fixture(scope="module")
def unsaid(folder: Path) -> Review:
    """Most of what is asked for is missing."""
    records = lab.sound()
    for row in records["readings"]:
        if row["correct_air_pct"]:
            row["operator"] = ""
    for number in range(5):
        row = {"meter_id": f"N-{number}", "in_service_on": lab.FIRST, "interval_days": 91}
        records["meters"].append(row | {"status": "active", "site": ""})
    for row in records["vessels"]:
        row["u_air_pct"] = ""
    records["comparisons"] = [lab.compared("M-1", date(2023, 5, 2))]
    lab.fail(records, "M-1", 8, put_right=True)
    return lab.reviewed(folder / "unsaid", records)


def with_failures() -> lab.Records:
    records = lab.sound()
    lab.fail(records, "M-1", 12, put_right=True)
    lab.fail(records, "M-2", 13, put_right=True)
    return records


@pytest.fixture(scope="module")
def unanswered(folder: Path) -> Review:
    return lab.reviewed(folder / "unanswered", with_failures())


@pytest.fixture(scope="module")
def answered(folder: Path, unanswered: Review) -> Review:
    records = with_failures()
    lab.answer(records, unanswered)
    lab.authorise(records, lab.FIRST)
    return lab.reviewed(folder / "answered", records)


@pytest.fixture(scope="module")
def half_answered(folder: Path, unanswered: Review) -> Review:
    records = with_failures()
    lab.answer(records, unanswered, meters=("M-1",))
    return lab.reviewed(folder / "half", records)


@pytest.fixture(scope="module")
def breach(folder: Path) -> Review:
    """Show the contrary of nearly everything."""
    records = lab.sound()
    lab.authorise(records, lab.visit_on(5))
    for number in (9, 10, 11, 12, 13):
        lab.fail(records, "M-1", number, put_right=False)
    records["readings"] = [
        row
        for row in records["readings"]
        if row["meter_id"] != "M-2" or row["performed_on"] < lab.visit_on(12)  # type: ignore[operator]
    ]
    records["field_tests"] = [
        lab.field_test("M-1", lab.visit_on(10) + timedelta(days=3), spec=True, correction=0.2),
        lab.field_test("M-2", lab.AS_OF - timedelta(days=2), number=2),
        lab.field_test("M-3", lab.FIRST - timedelta(days=2), number=3),
    ]
    for row in records["readings"]:
        if row["meter_id"] == "M-3":
            row["resolution_pct"] = 0.5
        if row["meter_id"] == "M-4":
            late = row["performed_on"] >= lab.visit_on(7)  # type: ignore[operator]
            lab.shift([row], 0.06 if late else -0.08)
    for row in lab.of_visit(records, "M-3", 13):
        if row["correct_air_pct"]:
            row["correct_air_pct"] = 0.98 * float(str(row["correct_air_pct"]))
            lab.shift([row], -0.02 * float(str(row["correct_air_pct"])))
    records["readings"] = [
        row
        for row in records["readings"]
        if (row["meter_id"], row["performed_on"], row["replicate"], row["correct_air_pct"])
        != ("M-2", lab.visit_on(3), 1, 5)
    ]
    next(row for row in records["meters"] if row["meter_id"] == "M-4")["interval_days"] = 182
    again = dict(records["vessels"][1], calibrated_on=date(2023, 1, 2), water_mass_g=352.8)
    records["vessels"].append(again)
    records["comparisons"] = [
        lab.compared("M-1", lab.visit_on(10) + timedelta(days=3), u=0.05, other=7.0)
    ]
    policy = Policy().changed(field_u_pct=0.1)
    journal = keep_journal(folder / "breach" / "records")
    journal.write_text(journal.read_text(encoding="utf-8").replace("dry", "wet"), encoding="utf-8")
    return lab.review_written(folder / "breach", records, policy=policy)


@pytest.fixture(scope="module")
def warm(folder: Path) -> Review:
    """Let readings go with the temperature of the water."""
    records = lab.sound()
    for row in records["readings"]:
        lab.shift([row], 0.015 * (float(str(row["water_temp_c"])) - 20))
    day = date(2023, 5, 2)
    records["field_tests"] = [lab.field_test("M-1", day, correction=0.2)]
    records["comparisons"] = [lab.compared("M-1", day, u=0.1)]
    return lab.reviewed(folder / "warm", records)


@pytest.fixture(scope="module")
def later(folder: Path, sound: Review) -> Review:
    """Review the same records once more, after a review by another version."""
    assert sound.since is None
    earlier = folder / "sound" / "out"
    run = earlier / "data" / "run.json"
    record = json.loads(run.read_text(encoding="utf-8")) | {"version": "0.0.1"}
    run.write_text(json.dumps(record), encoding="utf-8")
    return lab.review_written(folder / "later", lab.sound(), previous=earlier)


@pytest.fixture(scope="module")
def every(request: pytest.FixtureRequest) -> dict[str, Answers]:
    names: tuple[str, ...] = (
        "sound",
        "bare",
        "retired",
        "patchy",
        "unsaid",
        "unanswered",
        "answered",
    )
    names += ("half_answered", "breach", "warm", "later")
    return {name: answers(request.getfixturevalue(name)) for name in names}


def test_every_clause_reaches_each_of_its_states_and_no_other(every: dict[str, Answers]) -> None:
    """No state is a constant but where these tables hold nothing on the clause."""
    seen: dict[str, set[str]] = defaultdict(set)
    for told in every.values():
        for clause, one in told.items():
            seen[clause].add(one.state)
    assert dict(seen) == POSSIBLE


def test_what_is_shown_needs_no_filing_and_all_else_does(every: dict[str, Answers]) -> None:
    """The state and what to file never contradict each other."""
    wrong = [
        (name, one.clause, one.state, one.to_file)
        for name, told in every.items()
        for one in told.values()
        if (one.state == SHOWN) != (one.to_file == NO_RECORD)
    ]
    assert wrong == []


@pytest.mark.parametrize("clause", ["6.4.4", "6.4.6", "6.4.7", "6.4.9", "6.4.11", "7.10", "8.7"])
def test_the_breach_is_told_by_name(every: dict[str, Answers], clause: str) -> None:
    """What is contradicted names a meter or a vessel, and a number."""
    one = every["breach"][clause]
    assert one.state == CLAUSE_CONTRADICTED
    said = f"{one.decided_by} {' '.join(one.answer)}"
    assert any(name in said for name in (*lab.METERS, *lab.VESSELS)) or one.meters
    assert any(character.isdigit() for character in one.decided_by)


def test_a_journal_changed_by_hand_is_told_by_its_entry(every: dict[str, Answers]) -> None:
    """Records and their safety are contradicted, and the sentence names the entry."""
    told = every["breach"]
    for clause in ("7.5", "7.11.3"):
        assert told[clause].state == CLAUSE_CONTRADICTED
        assert "entry 1 was changed after it was written" in told[clause].decided_by


def test_a_repeated_check_that_passes_stays_failed_without_a_reason(folder: Path) -> None:
    """Failed and read again the next day, in tolerance: failed, until a remark gives the reason."""
    records = lab.sound()
    again = [
        dict(row, performed_on=lab.visit_on(12) + timedelta(days=1))
        for row in lab.of_visit(records, "M-1", 12)
    ]
    lab.fail(records, "M-1", 12, put_right=False)
    records["readings"] += again
    told = answers(lab.reviewed(folder / "repeat", records))
    assert told["6.4.9"].state == CLAUSE_CONTRADICTED
    assert "Passed a later check without work" in " ".join(told["6.4.9"].answer)
    assert "1 were not" in " ".join(told["7.10"].answer)
    for row in records["readings"]:
        failed = (row["meter_id"], row["performed_on"]) == ("M-1", lab.visit_on(12))
        row["remarks"] = "valve left open" if failed else ""
    excused = answers(lab.reviewed(folder / "reason", records))
    assert "0 were not" in " ".join(excused["7.10"].answer)


def test_numbers_in_sentences_are_those_of_the_files(
    folder: Path, every: dict[str, Answers]
) -> None:
    """Counts told are counted again from what was written."""
    data = folder / "breach" / "out" / "data"
    told = every["breach"]
    written = {
        row["clause"]: row
        for row in pl.read_csv(data / "evidence.csv", infer_schema=False).to_dicts()
    }
    for clause, one in told.items():
        plain = " ".join(one.answer).replace("\u2212", "-")
        for space in ("\u00a0", "\u202f"):
            plain = plain.replace(space, " ")
        assert written[clause]["answer"] == plain
        assert written[clause]["state"] == one.state
    signals = pl.read_csv(data / "signals.csv", infer_schema_length=None)
    open_ = signals["answered_on"].null_count()
    assert (
        written["7.7.3"]["decided_by"]
        == f"{signals.height - open_} of {signals.height} signals answered"
    )
    agreed = pl.read_csv(data / "vessel_agreement.csv")
    assert f"E_n {float(max(agreed['en'])):.1f}" in written["6.5"]["answer"]
    verdicts = pl.read_csv(data / "conformity.csv", try_parse_dates=True)
    failed = verdicts.filter(pl.col("verdict") == "fail").select("meter_id", "visit_id").n_unique()
    assert written["7.10"]["decided_by"].startswith(f"{failed} failures")
    checks = pl.read_csv(data / "vessel_checks.csv")
    assert written["6.4.11"]["decided_by"].startswith(f"{checks.height} sets")
