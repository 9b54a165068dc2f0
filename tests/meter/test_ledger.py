"""The ledger: pairing, drift steps, unadjusted path, segments and lost evidence."""

from collections.abc import Sequence
from datetime import timedelta

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.meter.ledger import build_ledger
from tests.sittings import START, sessions, sitting, table

Rows = Sequence[dict[str, object]]


def ledger(
    rows: Rows,
    *,
    marks: Rows = (),
    service: Rows = (),
    meters: Rows = (),
    tolerance_pct: float = 0.1,
) -> pl.DataFrame:
    return build_ledger(
        sessions(rows),
        marks=table("marks", marks),
        service=table("service", service),
        meters=table("meters", meters),
        resolution_pct=0.1,
        tolerance_pct=tolerance_pct,
    )


def work(day: int, action: str, **more: object) -> dict[str, object]:
    return {"meter_id": "A", "performed_on": START + timedelta(days=day), "action": action, **more}


def test_steps_run_from_as_left_to_as_found_and_add_up_to_the_path() -> None:
    """Adjusting away 0.10 and then drifting on leaves no notch in the unadjusted path."""
    rows = [
        sitting(0, [0.05]),
        sitting(91, [0.15]),
        sitting(91, [0.0], stage="as_left"),
        sitting(182, [0.1]),
    ]
    found = ledger(rows, marks=[work(91, "moved", mark=-3.0)])
    assert found["drift_step_pct"].to_list() == pytest.approx([None, 0.10, 0.10], abs=1e-12)
    assert found["unadjusted_path_pct"].to_list() == pytest.approx([0.05, 0.15, 0.25])
    assert found["segment"].to_list() == [1, 1, 2]
    assert found["adjusted"].to_list() == [False, True, False]
    assert found["events"].to_list() == [None, "mark moved", None]


def test_a_visit_without_as_left_carries_its_as_found_forward() -> None:
    """The next step starts from the last as-found where nothing was adjusted."""
    found = ledger([sitting(0, [0.05]), sitting(91, [0.08])])
    assert found["left_bias_pct"].to_list() == pytest.approx([0.05, 0.08])
    assert found["drift_step_pct"][1] == pytest.approx(0.03)


def test_an_adjustment_without_as_found_is_lost_evidence() -> None:
    """The step into an adjustment nobody read before is unknown and the path passes over it."""
    rows = [
        sitting(0, [0.05]),
        sitting(91, [0.0], stage="as_left"),
        sitting(182, [0.02]),
    ]
    found = ledger(rows, service=[work(91, "hand_reset")])
    assert found["evidence_lost"].to_list() == [False, True, False]
    assert found["unadjusted_path_pct"].to_list() == pytest.approx([0.05, None, 0.07])


def test_an_adjustment_without_as_left_leaves_the_level_unknown() -> None:
    """After a recorded change that nobody read, neither level nor next step can be said."""
    found = ledger([sitting(0, [0.15]), sitting(91, [0.02])], service=[work(0, "hand_reset")])
    assert found["left_bias_pct"].to_list() == [None, 0.02]
    assert found["drift_step_pct"].to_list() == [None, None]


def test_a_change_between_two_visits_hides_the_step_at_every_point() -> None:
    """A gauge replaced between visits ends the segment and the phase before the next as-found."""
    rows = [sitting(day, [0.02], point=point) for day in (0, 91) for point in (0.0, 5.0)]
    found = ledger(rows, service=[work(40, "gauge_replaced")])
    second = found.filter(pl.col("visit") == 2)
    assert second["drift_step_pct"].to_list() == [None, None]
    assert second["evidence_lost"].to_list() == [True, True]
    assert second["segment"].to_list() == [2, 2]
    assert second["phase"].to_list() == [2, 2]
    assert second["events"][0] == f"gauge replaced on {START + timedelta(days=40)}"


def test_a_change_at_a_visit_that_skipped_the_point_hides_its_step() -> None:
    """A point not read on the day of an adjustment cannot claim the step across it."""
    rows = [
        sitting(0, [0.0], point=10.0),
        sitting(0, [0.0]),
        sitting(91, [0.2]),
        sitting(91, [0.0], stage="as_left"),
        sitting(182, [0.0], point=10.0),
    ]
    found = ledger(rows, marks=[work(91, "moved", mark=-3.0)]).filter(pl.col("point_pct") == 10.0)
    assert found["drift_step_pct"].to_list() == [None, None]
    assert found["evidence_lost"].to_list() == [False, True]


def test_a_change_after_the_last_visit_makes_the_present_level_unknown() -> None:
    """What was adjusted since nobody has read: the meter's level is null, not its old value."""
    found = ledger([sitting(0, [0.02])], service=[work(10, "gauge_replaced")])
    assert found["left_bias_pct"].to_list() == [None]


def test_readings_that_moved_by_more_than_the_dial_step_are_an_adjustment() -> None:
    """As left 0.10 below as found on a dial read to 0.05 was adjusted, record or none."""
    rows = [sitting(0, [0.12]), sitting(0, [0.02], stage="as_left"), sitting(91, [0.02])]
    found = ledger(rows)
    assert found["adjusted"].to_list() == [True, False]
    assert found["segment"].to_list() == [1, 2]
    assert found["events"][0] == "adjusted without a record"


def test_a_repeat_reading_within_the_dial_step_is_no_adjustment() -> None:
    """As left one dial step from as found, with nothing recorded, stays in the segment."""
    rows = [sitting(0, [0.05]), sitting(0, [0.0], stage="as_left"), sitting(91, [0.02])]
    assert ledger(rows)["segment"].to_list() == [1, 1]


@pytest.mark.parametrize(
    ("found_pct", "left_pct", "adjusted"),
    [(0.2, 0.1, True), (-0.2, -0.1, True), (0.2, 0.2, False), (0.2, 0.3, False), (0.1, 0.0, False)],
)
def test_a_coarse_dial_brought_back_by_one_step_was_adjusted(
    found_pct: float, left_pct: float, adjusted: bool
) -> None:
    """Out of the tolerance of 0.1 and left nearer zero: one step of a dial read to 0.1 is enough.

    Read again, read farther off, or in tolerance as found, one step says nothing.
    """
    rows = [
        sitting(0, [found_pct], resolution=0.1),
        sitting(0, [left_pct], stage="as_left", resolution=0.1),
        sitting(91, [0.0], resolution=0.1),
    ]
    assert ledger(rows)["adjusted"].to_list() == [adjusted, False]


def test_out_of_tolerance_is_by_the_laboratorys_tolerance() -> None:
    """With 0.05 for the tolerance, 0.1 brought to 0 by one step of the dial was adjusted."""
    rows = [
        sitting(0, [0.1], resolution=0.1),
        sitting(0, [0.0], stage="as_left", resolution=0.1),
    ]
    assert ledger(rows, tolerance_pct=0.05)["adjusted"].to_list() == [True]
    assert ledger(rows, tolerance_pct=0.1)["adjusted"].to_list() == [False]


def test_resolution_is_the_readings_then_the_dials_then_what_readings_show() -> None:
    """Stated on the reading 0.02, on the dial 0.05; unstated, 5.05 shows a dial read to 0.05."""
    stated = ledger(
        [sitting(0, [0.02], resolution=0.02)],
        meters=[{"meter_id": "A", "dial_resolution_pct": 0.05}],
    )
    dial = ledger(
        [sitting(0, [0.02], resolution=None)],
        meters=[{"meter_id": "A", "dial_resolution_pct": 0.05}],
    )
    shown = ledger([sitting(0, [0.05], resolution=None), sitting(9, [0.1], resolution=None)])
    coarse = ledger([sitting(0, [0.1], resolution=None), sitting(9, [0.2], resolution=None)])
    resolutions = [frame["resolution_pct"][0] for frame in (stated, dial, shown, coarse)]
    assert resolutions == [0.02, 0.05, 0.05, 0.1]


def test_two_visits_of_one_day_stay_apart_by_their_visit_id() -> None:
    """The same date under two visit ids makes two visits, in the order of the ids."""
    rows = [sitting(0, [0.0], visit_id="a"), sitting(0, [0.1], visit_id="b")]
    found = ledger(rows)
    assert found["visit"].to_list() == [1, 2]
    assert found["drift_step_pct"][1] == pytest.approx(0.1)


hundredths = st.integers(min_value=-30, max_value=30).map(lambda n: n / 100)
histories = st.lists(st.tuples(hundredths, st.none() | hundredths), min_size=2, max_size=8)


def rows_of(history: Sequence[tuple[float, float | None]], *, shift_days: int = 0) -> Rows:
    rows = []
    for number, (found, left) in enumerate(history):
        rows.append(sitting(91 * number + shift_days, [found]))
        if left is not None:
            rows.append(sitting(91 * number + shift_days, [left], stage="as_left"))
    return rows


@settings(max_examples=40, deadline=None)
@given(history=histories, days=st.integers(min_value=-5000, max_value=5000))
def test_shifting_all_dates_changes_no_bias(
    history: list[tuple[float, float | None]], days: int
) -> None:
    """Biases, steps, path and segments do not depend on when the record began."""
    moved = ledger(rows_of(history, shift_days=days))
    dated = ["visit_id", "performed_on", "t_years"]
    assert moved.drop(dated).equals(ledger(rows_of(history)).drop(dated))


@settings(max_examples=40, deadline=None)
@given(history=histories, seed=st.randoms(use_true_random=False))
def test_row_order_never_matters(history: list[tuple[float, float | None]], seed: object) -> None:
    """Any order of the sittings gives the same ledger."""
    rows = list(rows_of(history))
    seed.shuffle(rows)  # type: ignore[attr-defined]  # hypothesis hands out a random.Random
    assert ledger(rows).equals(ledger(rows_of(history)))


@settings(max_examples=40, deadline=None)
@given(history=histories, at=st.integers(min_value=0, max_value=6), by=hundredths)
def test_an_adjustment_by_c_changes_only_the_next_step(
    history: list[tuple[float, float | None]], at: int, by: float
) -> None:
    """Leaving the meter c higher lowers the next step, and the path from there on, by c."""
    at = min(at, len(history) - 2)
    found, left = history[at]
    level = found if left is None else left
    changed = [*history]
    changed[at] = (found, level + by)
    before, after = ledger(rows_of(history)), ledger(rows_of(changed))
    expected = [0.0] * len(history)
    expected[at + 1] = -by
    difference = (after["drift_step_pct"] - before["drift_step_pct"]).fill_null(0.0)
    assert difference.to_list() == pytest.approx(expected, abs=1e-9)
    path = after["unadjusted_path_pct"] - before["unadjusted_path_pct"]
    assert path.to_list() == pytest.approx(
        [0.0] * (at + 1) + [-by] * (len(history) - at - 1), abs=1e-9
    )
    assert after["as_found_bias_pct"].equals(before["as_found_bias_pct"])


def visited(day: int, vessel: str | None, **more: object) -> dict[str, object]:
    return sitting(day, [0.0], **more) | {"vessel_id": vessel}  # type: ignore[arg-type]  # as given


def test_another_vessel_begins_a_phase_but_not_at_zero() -> None:
    """The first use of a vessel begins one, a return to a known one or no name does not."""
    used = ["V", "V", "W", "V", None, "W"]
    rows = [visited(91 * at, vessel) for at, vessel in enumerate(used)]
    rows += [visited(91 * at, vessel, point=0.0) for at, vessel in enumerate(used)]
    found = ledger(rows).sort("point_pct", "visit")
    assert found["phase"].to_list() == [1] * 6 + [1, 1, 2, 2, 2, 2]
    assert found["phase_began"].drop_nulls().to_list() == ["first use of vessel W"]
    assert found["gauge"].unique().to_list() == [1]


def test_a_new_value_of_the_vessel_begins_a_phase_where_the_dial_can_show_it() -> None:
    """Weighed anew, 0.04 % more at 5 % is more than half a step of 0.05; 0.01 % is not."""
    rows = [visited(91 * at, "V") for at in range(4)]
    vessels = table(
        "vessels",
        [
            {"vessel_id": "V", "calibrated_on": START, "air_pct": 5.0},
            {"vessel_id": "V", "calibrated_on": START + timedelta(days=91), "air_pct": 5.01},
            {
                "vessel_id": "V",
                "calibrated_on": START + timedelta(days=200),
                "water_mass_g": 50.5,
                "bowl_water_mass_g": 1000.0,
            },
        ],
    )
    found = build_ledger(
        sessions(rows),
        marks=table("marks"),
        service=table("service"),
        meters=table("meters"),
        resolution_pct=0.1,
        vessels=vessels,
    )
    assert found["phase"].to_list() == [1, 1, 1, 2]
    assert found["phase_began"].to_list() == [None, None, None, "new value of vessel V"]


def test_work_at_a_visit_begins_a_phase_at_the_next_one() -> None:
    """A mark moved at the first visit and a hand reset after it both speak from the second on."""
    rows = [sitting(0, [0.1]), sitting(0, [0.0], stage="as_left"), sitting(91, [0.0])]
    found = ledger(rows, marks=[work(0, "moved", mark=-3.0)], service=[work(30, "hand_reset")])
    assert found["phase"].to_list() == [1, 3]
    on = START + timedelta(days=30)
    assert found["phase_began"].to_list() == [None, f"mark moved; hand reset on {on}"]
