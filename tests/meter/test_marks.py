"""Moves of the initial pressure mark."""

from datetime import date
from typing import Any

import polars as pl
import pytest

from drift.meter.ledger import build_ledger
from drift.meter.marks import (
    ACCUMULATE,
    CANCEL,
    CANNOT_TELL,
    MARK_MOVES,
    ONLY_HAND,
    adjustment_balance,
    mark_moves,
)
from tests.sittings import START, sessions, sitting, table

DIALS = pl.DataFrame(
    {"meter_id": ["A", "B"], "k": [5.0, 6.0], "initial_pressure_kpa": [100.0, None]},
    schema={"meter_id": pl.String, "k": pl.Float64, "initial_pressure_kpa": pl.Float64},
)


def _marks(*rows: tuple[str, int, float, str, str | None]) -> pl.DataFrame:
    return table(
        "marks",
        [
            {
                "meter_id": meter,
                "performed_on": date(2024, month, 1),
                "mark": mark,
                "action": action,
                "mark_unit": unit,
            }
            for meter, month, mark, action, unit in rows
        ],
    )


def test_move_on_the_dial_is_worth_its_bias() -> None:
    """From −3.0 to −3.2 at k = 5: ratio 2.0/1.8, so the dial reads (a + 5)·(1.8/2.0 − 1) higher."""
    moves = mark_moves(
        _marks(("A", 1, -3.0, "established", None), ("A", 4, -3.2, "moved", None)), dials=DIALS
    )
    assert moves.schema == MARK_MOVES
    row = moves.row(0, named=True)
    assert row["pressure_error"] == pytest.approx(2.0 / 1.8 - 1)
    changes = [row[f"change_{air}_pct"] for air in (0, 5, 10)]
    assert changes == pytest.approx([(air + 5) * (1.8 / 2.0 - 1) for air in (0, 5, 10)])


def test_moves_in_pressure_and_mixed_units() -> None:
    """One psi is 6.894757 kPa (by definition); a dial mark needs the nominal pressure."""
    rows = [("B", 1, 14.5, "established", "psi"), ("B", 2, 14.5 * 6.894757293168, "moved", "kpa")]
    assert mark_moves(_marks(*rows), dials=DIALS).is_empty()
    rows = [("B", 1, 100.0, "established", "kpa"), ("B", 2, 101.0, "moved", "kpa")]
    assert mark_moves(_marks(*rows), dials=DIALS)["pressure_error"][0] == pytest.approx(0.01)
    rows = [("A", 1, 0.0, "established", "dial_pct"), ("A", 2, 101.0, "moved", "kpa")]
    assert mark_moves(_marks(*rows), dials=DIALS)["pressure_error"][0] == pytest.approx(0.01)
    rows = [("B", 1, 0.0, "established", "dial_pct"), ("B", 2, 101.0, "moved", "kpa")]
    unknown = mark_moves(_marks(*rows), dials=DIALS).row(0, named=True)
    assert unknown["pressure_error"] is None
    assert unknown["change_5_pct"] is None
    assert "unit changed" in unknown["note"]


def test_travel_adds_up_and_unrecorded_changes_show() -> None:
    """Travel is the signed sum, total travel the unsigned; a moved "verified" mark is named."""
    moves = mark_moves(
        _marks(
            ("A", 1, -3.0, "established", None),
            ("A", 2, -3.1, "moved", None),
            ("A", 3, -3.1, "verified", None),
            ("A", 4, -3.0, "verified", None),
        ),
        dials=DIALS,
    )
    assert moves["recorded"].to_list() == [True, False]
    assert moves["note"][1] == "the position changed though the record says verified"
    there, back = moves["change_5_pct"]
    assert there < 0 < back
    assert moves["travel_pct"].to_list() == pytest.approx([there, there + back])
    assert moves["total_travel_pct"][1] == pytest.approx(abs(there) + abs(back))


def test_impossible_positions_have_no_bias() -> None:
    """A mark below −k or on a meter of unknown scale is kept, with null and the reason."""
    moves = mark_moves(
        _marks(
            ("A", 1, -3.0, "established", None),
            ("A", 2, -7.0, "moved", None),
            ("Z", 1, -3.0, "established", None),
            ("Z", 2, -3.1, "moved", None),
        ),
        dials=DIALS,
    )
    assert moves["change_5_pct"].null_count() == 2
    assert moves["note"].to_list() == [
        "the position lies off the dial",
        "the chamber scale of this meter is unknown",
    ]


def _balance(mark_after: float, left_after_reset: float) -> dict[str, Any]:
    """Move the mark of meter A on day 0 and reset its hand on day 91."""
    moved, reset = START, date(2024, 4, 10)
    marks = table(
        "marks",
        [
            {
                "meter_id": "A",
                "performed_on": date(2024, 1, 1),
                "mark": -3.0,
                "action": "established",
            },
            {"meter_id": "A", "performed_on": moved, "mark": mark_after, "action": "moved"},
        ],
    )
    service = table("service", [{"meter_id": "A", "performed_on": reset, "action": "hand_reset"}])
    rows = [
        sitting(0, [0.15]),
        sitting(0, [0.0], stage="as_left"),
        sitting(91, [0.15]),
        sitting(91, [left_after_reset], stage="as_left"),
    ]
    ledger = build_ledger(
        sessions(rows), marks=marks, service=service, meters=table("meters"), resolution_pct=0.05
    )
    moves = mark_moves(marks, dials=DIALS)
    return adjustment_balance(moves, ledger=ledger, service=service, noise_pct=0.02).row(
        0, named=True
    )


def test_moves_and_resets_accumulate_or_cancel() -> None:
    """Both lower the reading: they accumulate; the mark raised, the hand lowered: they cancel."""
    both_down = _balance(-3.05, 0.0)
    assert both_down["verdict"] == ACCUMULATE
    assert both_down["hand_change_pct"] == pytest.approx(-0.15)
    assert both_down["net_change_pct"] < -0.3
    assert _balance(-2.95, 0.0)["verdict"] == CANCEL
    assert _balance(-3.05, 0.12)["verdict"] == CANNOT_TELL
    assert _balance(-3.0, 0.0)["verdict"] == ONLY_HAND
