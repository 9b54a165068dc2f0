"""Field tests made with a meter that was not to be used, through written files."""

from datetime import date

import polars as pl
import pytest

from drift.api.reviews import find
from drift.review.barred_uses import BARRED_USES, find_barred_uses, uses_noted
from drift.review.noted_rows import held_rows_noted
from drift.review.policy import Policy
from tests.csv_folders import readings, write

AS_OF = date(2026, 10, 1)


def visit(
    meter: str, on: str, *, at_5: str = "5.0", points: tuple[str, ...] = ("0", "5")
) -> list[str]:
    """Return the rows of a visit as found, at the points named."""
    read = {"0": "0.0", "5": at_5}
    return [f"{meter},{on},as_found,{point},{read[point]}" for point in points]


@pytest.fixture(scope="module")
def uses(tmp_path_factory: pytest.TempPathFactory) -> pl.DataFrame:
    """Find the barred uses of five meters, each with a story of its own."""
    rows = [
        *visit("OUT", "2026-01-10"),
        *visit("OUT", "2026-04-10", at_5="5.3"),
        *visit("OUT", "2026-05-10", points=("0",)),
        *visit("OUT", "2026-07-10"),
        *visit("LATE", "2026-01-10"),
        *visit("LATE", "2026-06-10"),
        *visit("UNREAD", "2026-01-10"),
        "UNREAD,2026-03-10,as_found,5,5.6 %",
        *visit("GONE", "2026-08-10"),
        *visit("OLD", "2026-08-10"),
    ]
    tests = {
        "OUT": ["2026-04-09", "2026-04-10", "2026-04-11", "2026-06-11", "2026-07-10", "2026-07-11"],
        "LATE": ["2026-03-11", "2026-03-12", "2026-06-10", "2026-06-11"],
        "UNREAD": ["2026-05-11"],
        "GONE": ["2026-08-09", "2026-08-20"],
        "OLD": ["2026-08-10", "2026-08-21"],
        "UNKNOWN": ["2026-08-21"],
    }
    given = [f"{meter} {on},{meter},{on},5.5" for meter, days in tests.items() for on in days]
    folder = write(
        tmp_path_factory.mktemp("uses") / "in",
        readings=readings(*rows),
        meters="meter_id,interval_days,status\nLATE,60,active\nGONE,,withdrawn\nOLD,,retired\n",
        field_tests="\n".join(["test_id,meter_id,tested_on,air_pct", *given, ""]),
    )
    review = find(folder, as_of=AS_OF, policy=Policy())
    return find_barred_uses(
        review.sources.field_tests,
        ledger=review.ledger,
        verdicts=review.conformity.verdicts,
        meters=review.sources.meters,
        noted=held_rows_noted(review.sources.held_rows, review.meters["meter_id"]),
        interval_days=91,
    )


def test_each_use_is_listed_with_meter_test_date_and_why(uses: pl.DataFrame) -> None:
    """Out from the day after it was left so, through a partial visit, to the next calibration.

    Overdue from the day after the due date (60 days after 10 January is 11 March) to the
    calibration of the day itself; withdrawn and retired after the last visit.
    """
    assert uses.schema == pl.Schema(BARRED_USES)
    assert uses.select("test_id", "why", "since_on").rows() == [
        ("GONE 2026-08-20", "withdrawn", date(2026, 8, 10)),
        ("LATE 2026-03-12", "overdue", date(2026, 3, 11)),
        ("OLD 2026-08-21", "retired", date(2026, 8, 10)),
        ("OUT 2026-06-11", "out", date(2026, 4, 10)),
        ("OUT 2026-04-11", "out", date(2026, 4, 10)),
        ("UNREAD 2026-05-11", "overdue", date(2026, 4, 11)),
    ]


def test_each_use_is_told_in_a_sentence(uses: pl.DataFrame) -> None:
    """What a row that could not be read may change is said."""
    said = dict(uses.select("test_id", "sentence").iter_rows())
    told = {name: words.replace("\u00a0", " ") for name, words in said.items()}
    assert told["OUT 2026-06-11"] == (
        "Field test OUT 2026-06-11 of 11 Jun 2026: left outside tolerance on 10 Apr 2026 and not "
        "shown to be put right since."
    )
    assert told["LATE 2026-03-12"].endswith("overdue since 11 Mar 2026.")
    assert told["UNREAD 2026-05-11"].endswith("as far as its rows could be read.")
    assert "the day itself is not on record" in told["GONE 2026-08-20"]
    noted = uses_noted(uses)
    assert noted["on_date"].to_list() == uses["tested_on"].to_list()
    assert not noted["words"].str.ends_with(".").any()


def test_without_field_tests_nothing_is_found(uses: pl.DataFrame) -> None:
    """An empty table gives an empty frame of the same columns."""
    assert uses_noted(uses.clear()).is_empty()
