"""What the fabricated review was read from, and what it says of its reference."""

from datetime import date

import polars as pl

from drift import frames
from drift.meter.causes import CAUSE_READINGS, CAUSES
from drift.meter.dial import DIALS
from drift.meter.marks import ADJUSTMENT_BALANCE, MARK_MOVES
from drift.reference.bowls import BOWL_VALUES, BowlSpread
from drift.reference.check_meters.steadiness import CHECK_METERS
from drift.reference.check_meters.verdicts import REFERENCE_VERDICTS
from drift.reference.check_meters.weigh import CheckMeters
from drift.reference.crossed_effects import REFERENCE
from drift.reference.normalised_error import AGREEMENT
from drift.reference.operators import OperatorSpread
from drift.reference.pair_values import PAIRS
from drift.reference.pairs import REFERENCE_CHECK
from drift.reference.vessel_history import VESSEL_BELIEF, VESSEL_HISTORY
from drift.reference.vessel_record import VESSEL_VALUES
from drift.reference.weigh import Reference
from drift.store.tables import AMENDMENTS, FILES, HELD_BACK, SESSIONS, Sources, input_schema
from tests.fabricated_history import filled_frame
from tests.fabricated_ids import DRIFTER, FIRST, IMAGE, NEWCOMER, REMARK, SCRIPT


def fabricate_reference() -> Reference:
    """Return a vessel that moved every meter, hostile names, and causes of each kind of answer."""
    used = {"from_on": FIRST, "to_on": date(2024, 10, 1), "meters": 9, "visits": 60}
    old, new = "V-1 calibrated 2021-12-01", f"{SCRIPT} calibrated 2024-03-01"
    effects: list[dict[str, object]] = [
        used | {"kind": "vessel", "name": old, "confounded_with": "nothing to compare with"},
        used
        | {"kind": "vessel", "name": new, "effect_pct": 0.02, "low": 0.01, "high": 0.03, "q": 0.01},
        {
            "kind": "vessel_change",
            "name": f"{old} to {new}",
            "from_on": date(2024, 4, 29),
            "to_on": date(2024, 4, 30),
            "effect_pct": 0.031,
            "low": 0.022,
            "high": 0.04,
            "p": 0.0001,
            "q": 0.0003,
            "meters": 8,
            "visits": 20,
        },
        used | {"kind": "vessel_step", "name": "V-1", "confounded_with": f"operator {IMAGE}"},
        used
        | {
            "kind": "operator",
            "name": IMAGE,
            "effect_pct": -0.015,
            "low": -0.02,
            "high": -0.01,
            "q": 0.002,
        },
        used | {"kind": "season", "name": "all meters", "confounded_with": "dates"},
    ]
    check: dict[str, object] = {
        "performed_on": date(2024, 10, 1),
        "stage": "as_found",
        "point_pct": 5.0,
        "correct_air_pct": 5.0,
        "vessel_id": IMAGE,
    }
    checks: list[dict[str, object]] = [
        check
        | {"meter_id": DRIFTER, "off_pct": 0.06, "problem": f"another vessel: {SCRIPT}"}
        | {"visit_id": "1"},
        check
        | {"meter_id": SCRIPT, "off_pct": 0.08, "problem": f"another vessel: {SCRIPT}"}
        | {"visit_id": "1"},
        check | {"meter_id": SCRIPT, "vessel_id": "V-9", "problem": "not in the vessels table"},
    ]
    balance: dict[str, object] = {
        "meter_id": DRIFTER,
        "mark_moves": 1,
        "mark_change_pct": -0.12,
        "hand_resets": 2,
        "hand_change_pct": -0.1,
        "net_change_pct": -0.22,
        "verdict": "accumulate",
    }
    vessel = {"vessel_id": IMAGE, "calibrated_on": date(2024, 3, 1), "usable": False}
    return Reference(
        effects=filled_frame(effects, REFERENCE),
        vessels=filled_frame([vessel | {"problem": f"no vessel: {SCRIPT}"}], VESSEL_VALUES),
        bowls=filled_frame([_bowl()], BOWL_VALUES),
        pairs=filled_frame([_pair()], PAIRS),
        history=filled_frame(_history(), VESSEL_HISTORY),
        belief=filled_frame([_belief()], VESSEL_BELIEF),
        spread=BowlSpread(0.006, 0.003, "the policy's bowl_spread_pct"),
        compared=filled_frame(checks, REFERENCE_CHECK | {"contradicted_by": pl.Float64}),
        agreement=pl.DataFrame(schema=AGREEMENT),
        causes=filled_frame(_causes(), CAUSES),
        weighed=pl.DataFrame(schema=CAUSE_READINGS),
        dials=pl.DataFrame(schema=DIALS),
        repeatability_pct=0.02,
        moves=filled_frame(_moves(), MARK_MOVES),
        balance=filled_frame([balance], ADJUSTMENT_BALANCE),
        operators=OperatorSpread(0.012, 3.0, "difference between 4 operators"),
        alike=((IMAGE, f"{IMAGE} "), ("R. Example", "r. example")),
        sessions=None,
        witnesses=_witnesses(),
    )


def _witnesses() -> CheckMeters:
    """Return a check meter that holds, and what it makes of the first shift."""
    held = {"witness": SCRIPT, "kind": "check_meter", "sessions": 12, "adjusted": 1}
    held |= {"sigma_pct": 0.02, "drift": 0.01, "drift_low": -0.02, "drift_high": 0.04}
    held |= {"first_on": date(2024, 1, 1), "last_on": date(2025, 1, 1), "finding": "steady"}
    verdict = {"kind": "vessel_step", "name": IMAGE, "effect_pct": 0.08, "witness": SCRIPT}
    verdict |= {"from_on": date(2024, 5, 1), "to_on": date(2024, 6, 1), "change_pct": 0.07}
    verdict |= {"change_error_pct": 0.01, "p_vessel": 0.99, "verdict": "vessel", "why": ""}
    said = {"sentence": f"Over the same dates {SCRIPT} showed it.", "plan": f"Of {IMAGE}."}
    return CheckMeters(
        held=filled_frame([held | {"sentence": f"Check meter {SCRIPT}."}], CHECK_METERS),
        verdicts=filled_frame([verdict | said], REFERENCE_VERDICTS),
    )


def _history() -> list[dict[str, object]]:
    """Return two calibrations of a vessel of which the second is not as expected."""
    first = {"vessel_id": IMAGE, "calibrated_on": date(2022, 3, 1), "water_mass_g": 353.8}
    first |= {"volume_ml": 354.8, "value_pct": 5.0, "u_pct": 0.006, "verdict": ""}
    again = {"calibrated_on": date(2024, 3, 1), "value_pct": 5.04, "low_limit": 4.98}
    again |= {"high_limit": 5.02, "en_before": 2.3, "en_all": 2.3, "said_pct": 0.04}
    seen = {"did_pct": 0.01, "did_low": 0.0, "did_high": 0.02, "en_meters": 1.5}
    return [first, first | again | seen | {"verdict": "contradicted"}]


def _belief() -> dict[str, object]:
    """Return what that history says of the vessel."""
    return {
        "vessel_id": IMAGE,
        "calibrations": 2,
        "last_on": date(2024, 3, 1),
        "due_on": date(2024, 9, 1),
        "chi2": 22.2,
        "freedom": 1,
        "birge_ratio": 4.7,
        "p_larger": 2e-6,
        "p_smaller": 1.0,
        "belief": "too_small",
    }


def _pair() -> dict[str, object]:
    """Return a vessel on a bowl that nobody measured."""
    return {
        "vessel_id": IMAGE,
        "calibrated_on": date(2024, 3, 1),
        "meter_id": SCRIPT,
        "bowl": "unknown",
        "air_pct": 5.0,
        "u_pct": 0.006,
        "open_pct": 0.03,
        "stated_pct": 5.06,
        "off_pct": 0.06,
        "sittings": 2,
        "disagreeing": 1,
    }


def _bowl() -> dict[str, object]:
    """Return a measurement of a bowl that cannot be used."""
    return {
        "meter_id": SCRIPT,
        "measured_on": date(2024, 3, 1),
        "measured": 1,
        "usable": False,
        "problem": f"no bowl: {SCRIPT}",
    }


def _causes() -> list[dict[str, object]]:
    """Return a cause that stands out, none that does, and readings too few to weigh."""
    seen = {"points_pct": [0.0, 5.0], "bias_pct": [0.05, 0.1]}
    told = {"meter_id": DRIFTER, "segment": 3, "can_tell": True} | seen
    untold = {"meter_id": SCRIPT, "segment": 1, "can_tell": False} | seen
    why = "no cause stands out from the others"
    few = {"meter_id": NEWCOMER, "segment": 1, "can_tell": False} | seen
    return [
        told | {"cause": "mark_misplaced", "probability": 0.81, "evidence": "the pattern fits"},
        told | {"cause": "leak", "probability": 0.12, "evidence": "less likely"},
        told | {"cause": "vessel_volume", "probability": 0.001, "evidence": "less likely"},
        told | {"segment": 1, "cause": "chamber_water", "probability": 0.9, "evidence": "old"},
        untold | {"cause": "hand_shifted", "probability": 0.4, "evidence": why},
        untold | {"cause": "plain_drift", "probability": 0.3, "evidence": why},
        few | {"cause": "leak", "probability": None, "evidence": "one visit only"},
    ]


def _moves() -> list[dict[str, object]]:
    """Return one move that can be priced and one that cannot."""
    move: dict[str, object] = {"meter_id": DRIFTER, "mark_unit": "dial_pct", "recorded": True}
    return [
        move
        | {"performed_on": FIRST, "mark_before": -0.2, "mark_after": -0.26}
        | {"change_0_pct": -0.0625, "change_5_pct": -0.125, "change_10_pct": -0.1875}
        | {"travel_pct": -0.125, "total_travel_pct": 0.125},
        move
        | {"performed_on": date(2023, 1, 5), "mark_before": -0.26, "mark_after": 9.0}
        | {"mark_unit": SCRIPT, "travel_pct": -0.125, "note": "the unit changed"},
    ]


def _table(name: str, *rows: dict[str, object]) -> pl.DataFrame:
    return filled_frame(list(rows), input_schema(name))


def fabricate_sources(ledger: pl.DataFrame) -> Sources:
    sessions: list[dict[str, object]] = [
        row | {"stage": "as_found", "replicates": 2, "biases_pct": row["as_found_biases_pct"]}
        for row in ledger.iter_rows(named=True)
    ]
    file: dict[str, object] = {
        "file": f"readings{IMAGE}.csv",
        "sha256": "ab" * 32,
        "table_name": "readings",
    }
    counts: dict[str, object] = {
        "rows": 1234,
        "taken": 1231,
        "held_back": 3,
        "known": 0,
        "amended": 0,
        "note": "",
    }
    held: list[dict[str, object]] = [
        {"file": "readings.csv", "line": 4, "column": "reading_air_pct", "reason": REMARK},
        {"file": "readings.csv", "line": None, "column": "", "reason": "not a row"},
    ]
    return Sources(
        sessions=filled_frame(sessions, SESSIONS),
        held_back=filled_frame(held, HELD_BACK),
        amendments=frames.empty(AMENDMENTS),
        files=filled_frame([file | counts], FILES),
        marks=_table(
            "marks",
            {"meter_id": DRIFTER, "performed_on": FIRST, "mark": -1.5, "action": "moved"},
        ),
        meters=_table(
            "meters",
            {"meter_id": DRIFTER, "status": "active", "interval_days": 120, "remarks": REMARK},
            {"meter_id": "CON", "status": "retired", "site": SCRIPT},
        ),
        vessels=_table("vessels"),
        service=_table(
            "service",
            {
                "meter_id": DRIFTER,
                "performed_on": FIRST,
                "action": "hand_reset",
                "remarks": REMARK,
            },
        ),
        responses=_table(
            "responses",
            {
                "signal_id": "S-0000000001",
                "recorded_on": date(2024, 9, 1),
                "finding": SCRIPT,
                "action": "hand reset",
                "recorded_by": "A. Nobody",
            },
        ),
        field_tests=_table("field_tests"),
    )
