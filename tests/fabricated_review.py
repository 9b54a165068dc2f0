"""A small seeded review whose meters have ids and remarks chosen to do harm.

It stands in for a laboratory when pages and figures are tested: the frames follow the schemas of
`drift.frames`, but no statistic in them was computed by the program.
"""

import dataclasses
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from drift import frames
from drift.forecast.forecasts import SERIES
from drift.limits.baseline_change import COMPARED
from drift.limits.charts.mark import MARK_CHARTS
from drift.limits.charts.shape import CHARTED, LIMITS
from drift.limits.signals import SIGNALS
from drift.meter.causes import CAUSES
from drift.meter.ledger import LEDGER
from drift.meter.marks import ADJUSTMENT_BALANCE, MARK_MOVES
from drift.reference.bowls import BOWL_VALUES, BowlSpread
from drift.reference.crossed_effects import REFERENCE
from drift.reference.normalised_error import AGREEMENT
from drift.reference.operators import OperatorSpread
from drift.reference.pair_values import PAIRS
from drift.reference.pairs import REFERENCE_CHECK
from drift.reference.vessel_history import VESSEL_BELIEF, VESSEL_HISTORY
from drift.reference.vessel_record import VESSEL_VALUES
from drift.reference.weigh import Reference
from drift.review.forecasts import FORECAST
from drift.review.meters import METERS
from drift.review.obligations import OBLIGATIONS
from drift.review.policy import Policy
from drift.review.responses import RESPONSES
from drift.review.results import Review
from drift.store.tables import AMENDMENTS, FILES, HELD_BACK, SESSIONS, Sources, input_schema
from drift.trend.change_points import CHANGES
from drift.trend.path_trend import PATH_TRENDS
from drift.upkeep.intervals.estimates import FALLS
from drift.upkeep.intervals.from_drift import PROCESSES
from drift.upkeep.intervals.recommend import INTERVALS
from drift.upkeep.weigh import Upkeep
from tests.fabricated_conformity import fabricate_conformity

AS_OF = date(2025, 1, 15)
FIRST = date(2022, 1, 10)
POINTS = (0.0, 5.0)
VISITS = 9
SCRIPT = "<script>window.harmed = 1</script>"
IMAGE = '"><img src=x onerror="window.harmed = 1">'
FRIENDLY = "AM-01"
DRIFTER = "AM-02"
NEWCOMER = "AM-99"
# Each id once: a friendly one, the same in another case, and all that a file system or a page
# may trip over.
IDS = (
    FRIENDLY,
    DRIFTER,
    "am-01",
    SCRIPT,
    IMAGE,
    "../../etc/pass\\wd",
    "CON",
    "Ω\u202emeter {{ 7 * 7 }}",
    "x" * 300,
    NEWCOMER,
)
REMARK = f"said 'fine' & left; {SCRIPT} {IMAGE} </svg></td></table>"

# What is owed of meters of which anything is; the retired one owes nothing.
_OWED: dict[str, tuple[str, ...]] = {
    DRIFTER: ("do_not_use", "find_cause"),
    IDS[4]: ("overdue",),
    SCRIPT: ("close_file",),
    "CON": (),
}


def fabricate() -> Review:
    """Return the review."""
    noise = np.random.default_rng(20250115)
    ledger = _ledger(noise)
    made: dict[str, Any] = {
        "as_of": AS_OF,
        "source_name": f"histories {SCRIPT}",
        "policy": Policy(),
        "sources": _sources(ledger),
        "ledger": ledger,
        "charted": _charted(ledger),
        "limits": _limits(ledger),
        "phases": frames.empty(COMPARED),
        "marks": frames.empty(MARK_CHARTS),
        "path_trends": _path_trends(ledger),
        "changes": _changes(ledger),
        "forecasts": _forecasts(ledger),
        "signals": _signals(),
        "responses": _responses(),
        "meters": _meters(ledger),
        "obligations": _obligations(_meters(ledger)),
        "reference": _reference(),
        "upkeep": Upkeep(_present(), _intervals(), frames.empty(PROCESSES), frames.empty(FALLS)),
        "conformity": fabricate_conformity(ledger, hostile=IMAGE),
        "own_meters": _own_meters(_meters(ledger)),
        "since": None,
        "fit": None,
    }
    # Frames that no page draws from are empty.
    empty = {
        field.name: frames.empty({"forecast": FORECAST}[field.name])
        for field in dataclasses.fields(Review)
        if field.name not in made
        and field.default is dataclasses.MISSING
        and field.default_factory is dataclasses.MISSING
    }
    return Review(**made | empty)


def of_many(review: Review, *, meters: int) -> Review:
    """Return a review of many meters that are like the friendly one, for pages of a whole fleet."""
    one = pl.col("meter_id") == FRIENDLY
    copies = pl.DataFrame(
        {
            "meter_id": [f"M-{number:04}" for number in range(meters)],
            "base": [2 * number for number in range(meters)],
            "shift": [0.001 * (number % 150 - 75) for number in range(meters)],
        }
    )
    ledger = review.ledger.filter(one)
    first = ledger["series"].min()
    series = pl.col("series") - first + pl.col("base")

    def copied(frame: pl.DataFrame) -> pl.DataFrame:
        return copies.join(frame.select(pl.exclude("meter_id")), how="cross")

    forecasts = review.forecasts.filter(pl.col("series").is_in(ledger["series"].unique().to_list()))
    shifted = pl.col("level", "at_due", "next_mean_low", "next_mean_high") + pl.col("shift")
    standing = pl.when(pl.col("base") % 10 == 0).then(pl.lit("watch")).otherwise(pl.lit("holding"))
    return dataclasses.replace(
        review,
        ledger=copied(ledger).with_columns(series=series).select(review.ledger.columns),
        forecasts=copied(forecasts)
        .with_columns(shifted, series=series)
        .select(review.forecasts.columns),
        meters=copied(review.meters.filter(one))
        .with_columns(standing=standing, level_pct=pl.col("shift"))
        .select(review.meters.columns),
    )


def _years(on: date) -> float:
    return (on - frames.EPOCH).days / frames.DAYS_PER_YEAR


def _frame(rows: list[dict[str, object]], schema: frames.Schema) -> pl.DataFrame:
    """Return rows as a frame of `schema`; keys that a row lacks are null."""
    filled = [{name: row.get(name) for name in schema} for row in rows]
    return pl.DataFrame(filled, schema=schema)


def _ledger(noise: np.random.Generator) -> pl.DataFrame:
    rows: list[dict[str, object]] = []
    for series, (meter_id, point) in enumerate((m, p) for m in IDS for p in POINTS):
        drift = 0.06 if meter_id == DRIFTER else 0.0
        visits = 1 if meter_id == NEWCOMER else VISITS
        steps = drift / 4 + noise.normal(0, 0.02, visits)
        path = np.cumsum(steps)
        left, segment = 0.0, 1
        for visit in range(visits):
            found = left + (steps[visit] if visit else path[0])
            adjusted = meter_id == DRIFTER and visit in {3, 6}
            lost = meter_id == "CON" and visit == 4
            on = FIRST + timedelta(days=120 * visit)
            left = 0.01 if adjusted else found
            rows.append(
                {
                    "series": series,
                    "meter_id": meter_id,
                    "point_pct": point,
                    "visit": visit + 1,
                    "visit_id": on.isoformat(),
                    "performed_on": on,
                    "t_years": _years(on),
                    "correct_air_pct": point,
                    "as_found_bias_pct": None if lost else found,
                    "as_found_replicates": None if lost else 2,
                    "as_found_biases_pct": None if lost else [found - 0.005, found + 0.005],
                    "as_left_bias_pct": left if adjusted else None,
                    "left_bias_pct": None if lost else left,
                    "resolution_pct": 0.05,
                    "adjusted": adjusted or lost,
                    "events": "hand_reset" if adjusted else None,
                    "evidence_lost": lost,
                    "calibration": "neither" if lost else "both",
                    "points_missing": "5, 10" if lost else None,
                    "drift_step_pct": None if lost or not visit else steps[visit],
                    "unadjusted_path_pct": None if lost else path[visit],
                    "segment": segment,
                    "phase": 1,
                    "vessel_id": "V-1" if visit else None,
                    "operator": "R. <b>Example</b>",
                    "remarks": REMARK if visit == 2 else None,
                }
            )
            segment += adjusted or lost
    return _frame(rows, LEDGER)


def _charted(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return points of three charts; the newcomer has no limits, and one value is nan."""
    rows: list[dict[str, object]] = []
    for row in ledger.iter_rows(named=True):
        known = row["meter_id"] != NEWCOMER
        found = row["as_found_bias_pct"]
        both = {
            "series": row["series"],
            "visit": row["visit"],
            "t_years": row["t_years"],
            "phase": 1,
            "in_baseline": row["visit"] <= 7,
        }
        level = {"centre": 0.0, "lower": -0.08, "upper": 0.08} if known else {}
        moving = {"centre": 0.03, "upper": 0.09} if known else {}
        value = float("nan") if found is None else found
        rows += [
            both | {"chart": "individuals", "value": value} | level,
            both | {"chart": "ewma", "value": value} | level,
        ]
        if row["visit"] > 1:
            rows.append(both | {"chart": "moving_range", "value": abs(value)} | moving)
    return _frame(rows, CHARTED)


def _limits(ledger: pl.DataFrame) -> pl.DataFrame:
    rows: list[dict[str, object]] = [
        {
            "series": series,
            "chart": "individuals",
            "phase": 1,
            "centre": 0.0,
            "sigma": 0.0266,
            "points": 7,
            "first_t_years": _years(FIRST),
            "last_t_years": _years(FIRST + timedelta(days=720)),
            "estimator": "mean moving range / d2",
            "note": "first 7 visits",
        }
        for series in ledger.filter(pl.col("meter_id") != NEWCOMER)["series"].unique().sort()
    ]
    return _frame(rows, LIMITS)


def _path_trends(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return one drift of each verdict; the newcomer has none, the coarse dial hides its own."""
    told = {
        DRIFTER: {"drift": 0.058, "drift_p": 0.0002, "drift_q": 0.003, "verdict": "drifting"},
        FRIENDLY: {"drift": 0.004, "drift_p": 0.4, "drift_q": 0.6, "verdict": "shown_steady"},
        "am-01": {"drift_p": 0.6, "drift_q": 0.8, "verdict": "undecided"},
        NEWCOMER: {},
    }
    rows: list[dict[str, object]] = []
    for (series,), group in ledger.group_by("series", maintain_order=True):
        meter_id = group["meter_id"][0]
        other = {"drift": 0.02, "drift_p": 0.3, "drift_q": 0.5, "verdict": "undecided"}
        row: dict[str, object] = {"series": series, "steps": group.height - 1}
        row |= told.get(meter_id, other)
        if meter_id != NEWCOMER:
            row |= {"drift_low": -0.01, "drift_high": 0.07}
        rows.append(row)
    return _frame(rows, PATH_TRENDS)


def _changes(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return one jump, of the first hostile meter at 5 %."""
    mine = ledger.filter((pl.col("meter_id") == SCRIPT) & (pl.col("point_pct") == 5.0))
    row = {
        "series": mine["series"][0],
        "t_before": mine["t_years"][3],
        "t_after": mine["t_years"][4],
        "t_low": mine["t_years"][3],
        "t_high": mine["t_years"][4],
        "size": -0.12,
        "size_low": -0.16,
        "size_high": -0.08,
        "p": 0.001,
    }
    return _frame([row], CHANGES)


def _forecasts(ledger: pl.DataFrame) -> pl.DataFrame:
    rows: list[dict[str, object]] = []
    for (series,), group in ledger.group_by("series", maintain_order=True):
        meter_id, level = group["meter_id"][-1], group["left_bias_pct"][-1]
        row: dict[str, object] = {
            "series": series,
            "due_t_years": _years(AS_OF) + 0.2,
            "level": level,
        }
        if meter_id != NEWCOMER:
            row |= {
                "drift": 0.06,
                "drift_low": 0.04,
                "drift_high": 0.08,
                "at_due": level + 0.02,
                "at_due_low": level - 0.04,
                "at_due_high": level + 0.08,
                "next_mean_low": level - 0.06,
                "next_mean_high": level + 0.11,
                "p_out_due": 1.0 if meter_id == DRIFTER else 0.0,
            }
        if meter_id == DRIFTER:
            row |= {"crossing": _years(AS_OF) + 0.1, "crossing_early": _years(AS_OF) - 0.1}
        rows.append(row)
    return _frame(rows, SERIES)


def _signals() -> pl.DataFrame:
    rows: list[dict[str, object]] = [
        {
            "signal_id": f"S-{number:010x}",
            "meter_id": meter_id,
            "visit_on": FIRST + timedelta(days=120 * visit),
            "point_pct": 5.0,
            "chart": chart,
            "rule": "beyond_limits",
            "value": 0.091,
            "limit": 0.08,
            "sentence": f"At visit {visit} of {meter_id} the bias lay beyond its limits.",
            "answered_on": date(2024, 9, 1) if number == 1 else None,
        }
        for number, (meter_id, visit, chart) in enumerate(
            [(DRIFTER, 3, "individuals"), (DRIFTER, 6, "moving_range"), (SCRIPT, 5, "individuals")]
        )
    ]
    return _frame(rows, SIGNALS | {"answered_on": pl.Date})


def _responses() -> pl.DataFrame:
    rows: list[dict[str, object]] = [
        {
            "signal_id": signal_id,
            "recorded_on": date(2024, 9, 1),
            "recorded_by": "A. Nobody",
            "finding": SCRIPT,
            "action": "hand reset",
            "problem": problem,
        }
        for signal_id, problem in (
            ("S-0000000001", ""),
            (IMAGE, "names no signal of this review"),
        )
    ]
    return _frame(rows, RESPONSES)


def _meters(ledger: pl.DataFrame) -> pl.DataFrame:
    standings = {DRIFTER: "drifting", SCRIPT: "watch", NEWCOMER: "unproven", "CON": "retired"}
    order = (DRIFTER, IDS[4], SCRIPT, *(i for i in IDS if i not in {DRIFTER, IDS[4], SCRIPT}))
    rows: list[dict[str, object]] = []
    for meter_id in order:
        mine = ledger.filter((pl.col("meter_id") == meter_id) & (pl.col("point_pct") == 5.0))
        last = mine["performed_on"][-1]
        row: dict[str, object] = {
            "meter_id": meter_id,
            "standing": standings.get(meter_id, "holding"),
            "overdue": meter_id == IDS[4],
            "last_visit_on": last,
            "next_due_on": None if meter_id == "CON" else last + timedelta(days=120),
            "visits": mine.height,
            "segments": mine["segment"][-1],
            "worst_point_pct": 5.0,
            "as_found_bias_pct": mine["as_found_bias_pct"][-1],
            "level_pct": mine["left_bias_pct"][-1],
            "resolution_limited": meter_id == "am-01",
            "obligations": " ".join(_OWED.get(meter_id, ("keep",))),
            "reason": f"Reason for {meter_id}.",
            "action": f"Action for {meter_id}.",
        }
        if meter_id not in {NEWCOMER, "am-01"}:
            row |= {
                "drift_pct_per_year": 0.06,
                "drift_low": 0.04,
                "drift_high": 0.08,
                "trend_p": 0.4,
                "trend_q": 0.6,
                "repeatability_pct": 0.021,
            }
        if meter_id != NEWCOMER:
            row |= {"p_out_next_due": 1.0 if meter_id == DRIFTER else 0.0}
        if meter_id == DRIFTER:
            row |= {"crossing_on": date(2025, 2, 20), "crossing_early": date(2024, 12, 10)}
        rows.append(row)
    return _frame(rows, METERS)


def _obligations(meters: pl.DataFrame) -> pl.DataFrame:
    """Return what is owed of each meter, in their order."""
    rows: list[dict[str, object]] = [
        {
            "meter_id": meter_id,
            "obligation": token,
            "by_on": AS_OF,
            "brief": f"{token} briefly",
            "sentence": f"{token} of {meter_id}.",
        }
        for meter_id, owed in meters.select("meter_id", "obligations").iter_rows()
        for token in owed.split()
    ]
    return _frame(rows, OBLIGATIONS)


def _own_meters(meters: pl.DataFrame) -> pl.DataFrame:
    """Return the meters as they stand without what they share: one hostile id stands better."""
    better = pl.when(pl.col("meter_id") == SCRIPT)
    return meters.with_columns(
        standing=better.then(pl.lit("holding")).otherwise("standing"),
        p_out_next_due=better.then(0.02).otherwise("p_out_next_due"),
    )


def _present() -> pl.DataFrame:
    """Return the intervals in force; the retired meter has none."""
    in_use = [meter_id for meter_id in IDS if meter_id != "CON"]
    return pl.DataFrame({"meter_id": in_use, "interval_days": [120] * len(in_use)})


def _intervals() -> pl.DataFrame:
    """Return each kind of answer: days, days at least, none, and a hostile group and meter."""
    advice: dict[str, object] = {"method": "recommendation", "evidence": 8, "carried": True}
    told: dict[str, object] = {"evidence": 8, "carried": False}
    fleet: dict[str, object] = {"scope": "fleet", "name": "fleet"}
    like: dict[str, object] = {"scope": "like", "name": f"built as {SCRIPT}"}
    rows: list[dict[str, object]] = [
        fleet | advice | {"days": 91.0, "basis": "91 days for the fleet."},
        fleet | told | {"method": "survival_weibull", "basis": "No law follows from so few."},
        fleet
        | told
        | {"method": "reliability", "days": 178.6, "low_days": 104.5, "high_days": 335.8}
        | {"carried": True, "basis": "491 of 504 checks passed."},
        like | advice | {"days": 60.0, "basis": f"60 days as {SCRIPT}."},
        like | told | {"method": "reliability", "low_days": 36.2, "basis": "8 of 8 passed."},
    ]
    for meter_id, days in ((DRIFTER, 45.0), (SCRIPT, 60.0), (FRIENDLY, 120.0)):
        meter: dict[str, object] = {"scope": "meter", "name": meter_id, "meter_id": meter_id}
        rows += [
            meter | advice | {"days": days, "basis": f"Advice for {meter_id}."},
            meter
            | told
            | {"method": "forecast", "days": days, "carried": True, "basis": "The forecast falls."},
        ]
    return _frame(rows, INTERVALS)


def _reference() -> Reference:
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
        effects=_frame(effects, REFERENCE),
        vessels=_frame([vessel | {"problem": f"no vessel: {SCRIPT}"}], VESSEL_VALUES),
        bowls=_frame([_bowl()], BOWL_VALUES),
        pairs=_frame([_pair()], PAIRS),
        history=_frame(_history(), VESSEL_HISTORY),
        belief=_frame([_belief()], VESSEL_BELIEF),
        spread=BowlSpread(0.006, 0.003, "the policy's bowl_spread_pct"),
        compared=_frame(checks, REFERENCE_CHECK | {"contradicted_by": pl.Float64}),
        agreement=pl.DataFrame(schema=AGREEMENT),
        causes=_frame(_causes(), CAUSES),
        moves=_frame(_moves(), MARK_MOVES),
        balance=_frame([balance], ADJUSTMENT_BALANCE),
        operators=OperatorSpread(0.012, 3.0, "difference between 4 operators"),
        alike=((IMAGE, f"{IMAGE} "), ("R. Example", "r. example")),
        sessions=None,
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
    return _frame(list(rows), input_schema(name))


def _sources(ledger: pl.DataFrame) -> Sources:
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
        sessions=_frame(sessions, SESSIONS),
        held_back=_frame(held, HELD_BACK),
        amendments=frames.empty(AMENDMENTS),
        files=_frame([file | counts], FILES),
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
