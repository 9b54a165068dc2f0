"""Responses: which signal each answers, and how one is recorded without touching another row."""

import csv
import dataclasses
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from drift.api.answer_sheet import read_answers
from drift.api.answering import AnswerGiven, Recorded, respond_all
from drift.api.reviews import find
from drift.api.sources import intake, read_known
from drift.errors import DriftError
from drift.ids import named_id, nearest_ids
from drift.limits.signals import SIGNALS
from drift.meter.ledger import LEDGER
from drift.report.data_files import write_review
from drift.review.analyse import find_signals
from drift.review.open_points import open_points
from drift.review.policy import Policy
from drift.review.responses import Response, answered_on, match_responses
from drift.review.sourced import ledger_of
from drift.store.journal import signed_now
from drift.store.tables import AMENDMENTS, SET_ASIDE
from tests.sittings import table

TODAY = date(2026, 10, 1)
HEADER = b"signal_id,recorded_on,finding,action,recorded_by\n"
SEMICOLONS = b"recorded_by;action;finding;note;recorded_on;signal_id\r\nme;a;f;n;2026-01-02;S-1\r\n"
# One steady meter that jumps: the chart of individuals must speak at the jump.
BIASES = (0.0, 0.02, 0.01, 0.0, 0.02, 0.01, 0.0, 0.01, 0.5)


def respond(source: Path, response: Response, *, as_of: date, policy: Policy) -> Recorded:
    (recorded,) = respond_all(source, [AnswerGiven(response)], as_of=as_of, policy=policy)
    return recorded


def folder_of(folder: Path, *, responses: bytes | None = None, mapping: str = "") -> Path:
    folder.mkdir()
    rows = ["meter_id,performed_on,stage,correct_air_pct,reading_air_pct"]
    for meter in ("AM-1", "AM-2"):
        rows += [
            f"{meter},{_day(number, mapping)},as_found,5,{5 + (bias if meter == 'AM-1' else 0.01)}"
            for number, bias in enumerate(BIASES)
        ]
    (folder / "readings.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    if responses is not None:
        (folder / "log.csv").write_bytes(responses)
    if mapping:
        (folder / "mapping.toml").write_text(mapping, encoding="utf-8")
    return folder


def _day(number: int, mapping: str) -> str:
    year, month = 2024 + number // 4, 1 + 3 * (number % 4)
    return f"15/{month:02}/{year}" if mapping else f"{year}-{month:02}-15"


def signal_of(source: Path) -> str:
    sources = read_known(source, as_of=TODAY, policy=Policy())
    ledger = ledger_of(sources, source_name="in", as_of=TODAY, policy=Policy())
    signals, _ = find_signals(sources, ledger, policy=Policy())
    return str(signals.filter(pl.col("meter_id") == "AM-1")["signal_id"][0])


def answer(signal_id: str, **changed: object) -> Response:
    given = {
        "finding": "hand loose, “worn”",
        "action": "hand reset, then read",
        "recorded_by": "A. Nobody",
        "recorded_on": date(2026, 9, 1),
    }
    return Response(signal_id=signal_id, **(given | changed))  # type: ignore[arg-type]  # as named


def signals(*rows: tuple[str, str, date]) -> pl.DataFrame:
    filled = [
        dict.fromkeys(SIGNALS) | {"signal_id": signal_id, "meter_id": meter, "visit_on": on}
        for signal_id, meter, on in rows
    ]
    return pl.DataFrame(filled, schema=SIGNALS)


def test_a_response_closes_its_own_signal_and_no_other() -> None:
    """An unknown id, another meter's signal and a day before the visit leave signals open."""
    known = signals(
        ("S-aaaaaaaaaa", "A", date(2026, 3, 1)),
        ("S-bbbbbbbbbb", "B", date(2026, 3, 1)),
        ("S-cccccccccc", "C", date(2026, 3, 1)),
    )
    given = table(
        "responses",
        [
            {"signal_id": "S-aaaaaaaaaa", "recorded_on": date(2026, 4, 2)},
            {"signal_id": "S-aaaaaaaaaa", "recorded_on": date(2026, 3, 9), "meter_id": "A"},
            {"signal_id": "S-bbbbbbbbbb", "recorded_on": date(2026, 3, 9), "meter_id": "A"},
            {"signal_id": "S-cccccccccc", "recorded_on": date(2026, 2, 28)},
            {"signal_id": "S-aaaaaaaaab", "recorded_on": date(2026, 3, 9)},
        ],
    )
    ledger, amendments = pl.DataFrame(schema=LEDGER), pl.DataFrame(schema=AMENDMENTS)
    set_aside = pl.DataFrame(schema=SET_ASIDE)
    matched = match_responses(
        given, known, ledger=ledger, amendments=amendments, set_aside=set_aside
    )
    problems = {
        (row["signal_id"], row["recorded_on"]): row["problem"] for row in matched.to_dicts()
    }
    assert problems["S-aaaaaaaaaa", date(2026, 3, 9)] == ""
    assert "recorded for A, but the signal is of B" in problems["S-bbbbbbbbbb", date(2026, 3, 9)]
    assert "before the visit" in problems["S-cccccccccc", date(2026, 2, 28)]
    assert "nearest is S-aaaaaaaaaa" in problems["S-aaaaaaaaab", date(2026, 3, 9)]
    assert answered_on(matched).to_dicts() == [
        {"signal_id": "S-aaaaaaaaaa", "answered_on": date(2026, 3, 9)}
    ]


def test_a_response_is_settled_where_an_amendment_took_its_signal_away(tmp_path: Path) -> None:
    """The jump was a slip, 5.5 for 5.0: its response is no problem once the reading is amended."""
    folder = folder_of(tmp_path / "in")
    store = tmp_path / "store.duckdb"
    intake(folder, store=store)
    signal_id = signal_of(folder)
    respond(store, answer(signal_id), as_of=TODAY, policy=Policy())
    later = tmp_path / "later"
    later.mkdir()
    (later / "fixes.csv").write_text(
        "meter_id,performed_on,stage,correct_air_pct,reading_air_pct\n"
        f"AM-1,{_day(8, '')},as_found,5,5.0\n",
        encoding="utf-8",
    )
    intake(later, store=store, signed=signed_now("K. Vale", "a slip"))
    found = find(store, as_of=TODAY, policy=Policy())
    assert signal_id not in found.signals["signal_id"]
    (response,) = found.responses.to_dicts()
    assert (response["problem"], response["meter_id"]) == ("", "AM-1")
    told = response["settled"].replace("\u00a0", " ")
    assert told == (
        "settled by the amendment of reading_air_pct of 15 Jan 2026 from 5.5 to 5 "
        "(later/fixes.csv:2)"
    )
    stranger = dict(response, signal_id="S-0000000000")
    respond_to = pl.DataFrame([stranger]).select("signal_id", "recorded_on", "recorded_by")
    rows = table("responses", respond_to.to_dicts())
    again = match_responses(
        rows,
        found.signals,
        ledger=found.ledger,
        amendments=found.sources.amendments,
        set_aside=found.sources.set_aside,
    )
    assert "names no signal" in again["problem"][0]


def test_nearest_ids_knows_case_and_gives_up_on_strangers() -> None:
    """A slip is found, nonsense is not."""
    assert nearest_ids("am-07", ["AM-07", "BX-99"]) == ["AM-07"]
    assert nearest_ids("quite else", ["AM-07", "BX-99"]) == []


def test_a_recorded_response_closes_the_signal_in_folder_and_store(tmp_path: Path) -> None:
    """The next review of either finds it answered."""
    folder = folder_of(tmp_path / "in")
    store = tmp_path / "store.duckdb"
    intake(folder, store=store)
    signal_id = signal_of(folder)
    for source in (folder, store):
        made = respond(source, answer(signal_id), as_of=TODAY, policy=Policy())
        assert made.meter_id == "AM-1"
        found = find(source, as_of=TODAY, policy=Policy())
        closed = found.signals.filter(pl.col("signal_id") == signal_id)
        assert closed["answered_on"].to_list() == [date(2026, 9, 1)]
        assert found.responses["problem"].to_list() == [""]
    assert (folder / "responses.csv").is_file()


@pytest.mark.parametrize(
    ("start", "encoding"),
    [
        (
            b"recorded_by;action;finding;note;recorded_on;signal_id\r\nme;a;f;n;2026-01-02;S-1\r\n",
            "",
        ),
        (HEADER + b"S-1,2026-01-02,f,a,me", ""),
        (
            b"signal_id,recorded_on,finding,action,recorded_by\nS-1,2026-01-02,f\xfc\x93,a,me\n",
            "cp1252",
        ),
        (
            "\ufeffsignal_id,recorded_on,finding,action,recorded_by\nS-1,2026-01-02,f,a,me\n".encode(
                "utf-16-be"
            ),
            "utf-16",
        ),
    ],
    ids=["semicolons", "no last line end", "western", "utf-16"],
)
def test_a_row_is_added_in_the_files_own_layout(
    tmp_path: Path, start: bytes, encoding: str
) -> None:
    """What was there stays byte for byte; columns, delimiter and encoding are the file's."""
    folder = folder_of(tmp_path / "in", responses=start)
    signal_id = signal_of(folder)
    respond(folder, answer(signal_id), as_of=TODAY, policy=Policy())
    written = (folder / "log.csv").read_bytes()
    assert written.startswith(start)
    text = written.decode(encoding or "utf-8")
    *_, last = csv.reader(text.splitlines(), delimiter=";" if ";" in text else ",")
    assert {signal_id, "2026-09-01", "hand loose, “worn”", "hand reset, then read"} <= set(last)
    assert read_known(folder, as_of=TODAY, policy=Policy()).responses.height == 2


def test_dates_follow_the_folders_mapping(tmp_path: Path) -> None:
    """A folder that writes day/month/year gets its new file in that layout."""
    mapping = '[dates]\nformat = "%d/%m/%Y"\n[columns]\n"Signal no." = "signal_id"\n'
    folder = folder_of(tmp_path / "in", mapping=mapping)
    respond(folder, answer(signal_of(folder)), as_of=TODAY, policy=Policy())
    header, row = (folder / "responses.csv").read_text(encoding="utf-8").splitlines()
    assert header.startswith("signal no.,recorded_on")
    assert "01/09/2026" in row


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"meter_id": "AM-2"}, "recorded for AM-2, but the signal is of AM-1"),
        ({"recorded_on": date(2025, 1, 1)}, "before the visit"),
        ({"recorded_on": date(2026, 10, 2)}, "after 2026-10-01"),
        ({"finding": " "}, "finding is empty"),
        ({"signal_id": "S-0000000000"}, "is no signal"),
    ],
)
def test_what_cannot_be_an_answer_is_refused_and_nothing_written(
    tmp_path: Path, changed: dict[str, object], says: str
) -> None:
    """Each refusal says why, and leaves the folder as it was."""
    folder = folder_of(tmp_path / "in")
    given = answer(signal_of(folder))
    wrong = dataclasses.replace(given, **changed)  # type: ignore[arg-type]  # as named
    with pytest.raises(DriftError, match=says):
        respond(folder, wrong, as_of=TODAY, policy=Policy())
    assert [path.name for path in folder.iterdir()] == ["readings.csv"]


def test_the_same_answer_twice_is_refused(tmp_path: Path) -> None:
    """A repeat, and a second answer of the same day, are refused; one of another day is taken."""
    folder = folder_of(tmp_path / "in")
    given = answer(signal_of(folder))
    respond(folder, given, as_of=TODAY, policy=Policy())
    with pytest.raises(DriftError, match="already"):
        respond(folder, given, as_of=TODAY, policy=Policy())
    with pytest.raises(DriftError, match=r"by A\. Nobody already"):
        respond(folder, answer(given.signal_id, action="else"), as_of=TODAY, policy=Policy())
    later = answer(given.signal_id, recorded_on=date(2026, 9, 2))
    respond(folder, later, as_of=TODAY, policy=Policy())
    assert len((folder / "responses.csv").read_text(encoding="utf-8").splitlines()) == 3


def test_a_row_that_could_not_be_read_again_is_taken_back(tmp_path: Path) -> None:
    """A text whose second line looks like a row of its own would be held back: it is refused."""
    start = HEADER + b"S-1,2026-01-02,f,a,me\n"
    folder = folder_of(tmp_path / "in", responses=start)
    given = answer(signal_of(folder), finding="worn\nS-2,2026-01-02,f,a,me")
    with pytest.raises(DriftError, match="takes no further row"):
        respond(folder, given, as_of=TODAY, policy=Policy())
    assert (folder / "log.csv").read_bytes() == start


def test_a_character_that_the_file_cannot_hold_is_refused(tmp_path: Path) -> None:
    """A Western file does not take a Greek letter."""
    start = b"signal_id,recorded_on,finding,action,recorded_by\nS-1,2026-01-02,f\xfc,a,me\n"
    folder = folder_of(tmp_path / "in", responses=start)
    with pytest.raises(DriftError, match="cannot hold"):
        respond(folder, answer(signal_of(folder), finding="Ω"), as_of=TODAY, policy=Policy())
    assert (folder / "log.csv").read_bytes() == start


def test_many_signals_are_answered_from_one_sheet(tmp_path: Path) -> None:
    """By id in other letters, by its beginning, and by meter and visit; blank rows are passed."""
    folder = folder_of(tmp_path / "in")
    signal_id = signal_of(folder)
    sheet = tmp_path / "answers.csv"
    sheet.write_text(
        "signal_id,meter_id,visit_on,finding,action,by,on\n"
        f"{signal_id[:6].lower()},,,hand loose,reset,A. Nobody,2026-09-01\n"
        "S-0000000000,,,,,,\n",
        encoding="utf-8",
    )
    filled = read_answers(sheet)
    (made,) = respond_all(folder, filled.answers, as_of=TODAY, policy=Policy())
    assert (made.row_id, filled.blank) == (signal_id, 1)
    entries = (folder / "journal.csv").read_text(encoding="utf-8").splitlines()
    assert len(entries) == 2
    assert signal_id in entries[1]


def test_the_sheet_that_a_review_writes_closes_what_is_filled_in(tmp_path: Path) -> None:
    """One row a visit answers all its signals, another decides; what is left blank stays open."""
    folder = folder_of(tmp_path / "in")
    review = find(folder, as_of=TODAY, policy=Policy())
    write_review(review, tmp_path / "data")
    path = tmp_path / "data" / "open_points.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["asks"], row["meter_id"], row["visit_on"]) for row in rows] == [
        ("decision", "AM-1", "2026-01-15"),
        ("response", "AM-1", "2026-01-15"),
    ]
    assert read_answers(path).blank == 2
    for row in rows:
        said = {"finding": "hand loose", "action": "reset", "by": "A. Nobody", "on": "2026-09-01"}
        row.update(said, customer_told_on="2026-09-02" if row["asks"] == "decision" else "")
    with path.open("w", encoding="utf-8", newline="") as file:
        # As a program with decimal commas saves it.
        writer = csv.DictWriter(file, rows[0].keys(), delimiter=";")
        writer.writeheader()
        writer.writerows(rows)
    filled = read_answers(path)
    made = respond_all(
        folder, filled.answers, decisions=filled.decisions, as_of=TODAY, policy=Policy()
    )
    assert len(made) == int(rows[1]["signals"]) + 1
    after = find(folder, as_of=TODAY, policy=Policy())
    assert open_points(after).is_empty()
    assert "review_results" not in after.obligations["obligation"].to_list()
    assert after.sources.decisions["customer_told_on"].to_list() == [date(2026, 9, 2)]
    assert after.sources.journal["kind"].to_list() == ["response", "decision"]
    with pytest.raises(DriftError, match="already"):
        respond_all(folder, (), decisions=filled.decisions, as_of=TODAY, policy=Policy())


def test_nothing_of_a_sheet_is_recorded_where_one_row_is_wrong(tmp_path: Path) -> None:
    """The row is named by its line, and no file is written."""
    folder = folder_of(tmp_path / "in")
    before = sorted(path.name for path in folder.iterdir())
    sheet = tmp_path / "answers.csv"
    rows = f"{signal_of(folder)},f,a,A. Nobody,2026-09-01\nS-0000000000,f,a,A. Nobody,2026-09-01\n"
    sheet.write_text("signal_id,finding,action,by,on\n" + rows, encoding="utf-8")
    filled = read_answers(sheet)
    with pytest.raises(DriftError, match="is no signal"):
        respond_all(folder, filled.answers, as_of=TODAY, policy=Policy())
    assert sorted(path.name for path in folder.iterdir()) == before
    sheet.write_text("signal_id,finding,action,by,on\nS-1,f,,A. Nobody,2026-09-01\n")
    with pytest.raises(DriftError, match=r"answers\.csv:2: action is empty"):
        read_answers(sheet)


@pytest.mark.parametrize(
    ("wanted", "named"), [("AM-10", "AM-10"), ("am-10", "AM-10"), ("am-2", "AM-2"), ("X", "X")]
)
def test_an_id_may_be_its_beginning_in_any_letters(wanted: str, named: str) -> None:
    """What begins one id names it, an id that is whole names itself, an unknown text nothing."""
    assert named_id(wanted, ["AM-10", "AM-101", "AM-2"]) == named
    with pytest.raises(DriftError, match="begins 2 ids: AM-10, AM-101"):
        named_id("AM-1", ["AM-10", "AM-101", "AM-2"])
