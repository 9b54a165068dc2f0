"""This module simulates fleets and segments whose causes are known; every number is invented."""

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
import polars as pl

from drift.meter.causes import CAUSE_READINGS
from drift.meter.dial import bias_of_mark
from drift.meter.ledger import build_ledger
from drift.store.tables import SESSIONS
from tests.meter.dial_physics import bias_of_chamber_water, bias_of_hand, bias_of_vessel
from tests.sittings import table

Floats = npt.NDArray[np.float64]
START = date(2018, 1, 8)
QUARTER_DAYS = 91


@dataclass(frozen=True, slots=True)
class Plan:
    """What a simulated fleet is made of; effects in % air, those of vessels at 5 % air.

    vessel_of and operator_of are (meters, visits) codes; vessel_shift is added to every vessel
    from the visit of that number on; calibrated_visits are the visits before which every vessel
    was calibrated anew.
    """

    meters: int = 24
    visits: int = 16
    noise_sd: float = 0.02
    resolution: float = 0.05
    drift_sd: float = 0.02
    wander_sd: float = 0.01
    fleet_drift: float = 0.0
    vessel_effects: tuple[float, ...] = (0.0,)
    operator_effects: tuple[float, ...] = (0.0,)
    shift: float = 0.0
    shift_visit: int = 8
    season: float = 0.0
    warm: float | None = None
    shock_share: float = 0.0
    calibrated_visits: tuple[int, ...] = (0,)
    points: tuple[float, ...] = (0.0, 5.0, 10.0)
    adjust: bool = True
    every_days: int = QUARTER_DAYS
    vessel_of: npt.NDArray[np.int64] | None = field(default=None)
    operator_of: npt.NDArray[np.int64] | None = field(default=None)


@dataclass(frozen=True, slots=True)
class Fleet:
    """A simulated fleet as the frames that the analysis gets."""

    ledger: pl.DataFrame
    sessions: pl.DataFrame
    vessels: pl.DataFrame


def simulate_fleet(seed: int, plan: Plan) -> Fleet:
    """Simulate a fleet that is visited at one interval and adjusted when found outside ± 0.1."""
    rng = np.random.default_rng(seed)
    shape = (plan.meters, plan.visits)
    vessel = (
        rng.integers(0, len(plan.vessel_effects), shape)
        if plan.vessel_of is None
        else plan.vessel_of
    )
    operator = (
        rng.integers(0, len(plan.operator_effects), shape)
        if plan.operator_of is None
        else plan.operator_of
    )
    t = np.arange(plan.visits) * plan.every_days / 365.25
    common = np.asarray(plan.vessel_effects)[vessel] + np.where(
        np.arange(plan.visits) >= plan.shift_visit, plan.shift, 0.0
    )
    temperature = 15 + 8 * np.cos(2 * np.pi * t) + rng.normal(0, 2, shape)
    rate = plan.fleet_drift + rng.normal(0, plan.drift_sd, plan.meters)
    level = rng.normal(0, 0.03, plan.meters)
    air = np.asarray(plan.points)
    parts = []
    for visit in range(plan.visits):
        if visit:
            step = t[visit] - t[visit - 1]
            level = level + rate * step + rng.normal(0, plan.wander_sd * np.sqrt(step), len(level))
            shocked = rng.random(plan.meters) < plan.shock_share
            level = level + np.where(shocked, rng.choice([-0.4, 0.4], plan.meters), 0.0)
        by_person = np.asarray(plan.operator_effects)[operator[:, visit]]
        by_person = by_person + plan.season * np.cos(2 * np.pi * t[visit])
        if plan.warm is not None:
            by_person = by_person + plan.warm * (temperature[:, visit] - 15) / 10
        shared = common[:, visit, None] * air / 5 + by_person[:, None] * (air > 0)
        found = _read(rng, level[:, None] + shared, plan)
        codes = {"vessel": vessel, "operator": operator}
        parts.append(_rows(visit, "as_found", found, meters=np.arange(plan.meters), **codes))
        if plan.adjust:
            out = np.flatnonzero(np.abs(found[:, air > 0]).max(axis=1) > 0.1 + 1e-9)
            level[out] = -(shared[out][:, air > 0].mean(axis=1)) + rng.normal(0, 0.02, len(out))
            left = _read(rng, level[out][:, None] + shared[out], plan)
            parts.append(_rows(visit, "as_left", left, meters=out, **codes))
    return _frames(parts, plan, temperature)


def _read(rng: np.random.Generator, truth: Floats, plan: Plan) -> Floats:
    """Return readings of the dial: truth plus noise, to its resolution."""
    value = truth + rng.normal(0, plan.noise_sd, truth.shape)
    return np.round(np.round(value / plan.resolution) * plan.resolution, 6)


def _rows(
    visit: int,
    stage: str,
    biases: Floats,
    *,
    meters: npt.NDArray[np.int64],
    vessel: npt.NDArray[np.int64],
    operator: npt.NDArray[np.int64],
) -> dict[str, object]:
    """Return what one round of visits recorded."""
    return {
        "visit": visit,
        "stage": stage,
        "meters": meters,
        "biases": biases,
        "vessel": vessel[meters, visit],
        "operator": operator[meters, visit],
    }


def _frames(parts: list[dict[str, object]], plan: Plan, temperature: Floats) -> Fleet:
    """Turn recorded rounds into sessions, vessels and the ledger."""
    points = len(plan.points)
    frames = []
    for part in parts:
        meters = np.asarray(part["meters"])
        visit = int(part["visit"])  # type: ignore[call-overload]  # a whole number by construction
        on = START + timedelta(days=plan.every_days * visit)
        frames.append(
            pl.DataFrame(
                {
                    "meter": np.repeat(meters, points),
                    "vessel": np.repeat(np.asarray(part["vessel"]), points),
                    "who": np.repeat(np.asarray(part["operator"]), points),
                    "point_pct": np.tile(plan.points, len(meters)),
                    "bias_pct": np.asarray(part["biases"]).ravel(),
                    "water_temp_c": np.repeat(temperature[meters, visit], points),
                }
            ).with_columns(
                performed_on=pl.lit(on),
                visit_id=pl.lit(on.isoformat()),
                stage=pl.lit(part["stage"]),
            )
        )
    whole = pl.concat(frames).with_columns(
        meter_id=pl.format("M{}", pl.col("meter").cast(pl.String).str.zfill(5)),
        vessel_id=pl.format("V{}", "vessel"),
        operator=pl.format("person {}", "who"),
        correct_air_pct="point_pct",
        replicates=pl.lit(1, dtype=pl.Int64),
        biases_pct=pl.concat_list("bias_pct"),
        places=pl.lit(None, dtype=pl.List(pl.Int64)),
        spread_pct=pl.lit(None, dtype=pl.Float64),
        resolution_pct=pl.lit(plan.resolution),
        remarks=pl.lit(None, dtype=pl.String),
        readings_left_out=pl.lit(0),
        draws=pl.lit(None, dtype=pl.Int64),
        **{
            name: pl.lit(None, dtype=pl.String)
            for name in ("procedure", "checked_by", "stated_verdict", "visit_reason")
        },
        water_temp_c=pl.col("water_temp_c") if plan.warm is not None else None,
    )
    sessions = whole.select(SESSIONS.keys()).cast(SESSIONS)  # type: ignore[arg-type]  # names to types
    ledger = build_ledger(
        sessions,
        marks=table("marks"),
        service=table("service"),
        meters=table("meters"),
        resolution_pct=plan.resolution,
    )
    vessels = table(
        "vessels",
        [
            {
                "vessel_id": f"V{code}",
                "calibrated_on": START + timedelta(days=plan.every_days * visit - 30),
                "air_pct": 5.0,
            }
            for code in range(len(plan.vessel_effects))
            for visit in plan.calibrated_visits
        ],
    )
    return Fleet(ledger=ledger, sessions=sessions, vessels=vessels)


def simulate_segment(
    seed: int,
    cause: str,
    *,
    bias: float = 0.1,
    visits: int = 8,
    points: tuple[float, ...] = (0.0, 5.0, 10.0),
    noise_sd: float = 0.02,
    resolution: float = 0.05,
    k: float = 5.0,
    onset: int = 0,
) -> pl.DataFrame:
    """Simulate the readings of a segment whose cause gives `bias` at 5 % air (a leak on average).

    The exact formulas of the dial are used, not their first order.  Drift reaches the bias at the
    last visit, within a fifth alike at the other points.  The sign is drawn where both occur.
    """
    rng = np.random.default_rng(seed)
    air, t = np.asarray(points), np.arange(visits) * QUARTER_DAYS / 365.25
    sign = rng.choice([-1.0, 1.0])
    on = (np.arange(visits) >= onset)[:, None]
    if cause == "mark_misplaced":
        off = -sign * bias / (5 + k + sign * bias)
        truth = on * bias_of_mark(off, air_pct=air, k=k)
    elif cause == "hand_shifted":
        off = k / 5 * ((5 + k) / (5 + k + sign * bias) - 1)
        truth = on * bias_of_hand(off, air_pct=air, k=k)
    elif cause == "chamber_water":
        truth = on * bias_of_chamber_water(bias / (5 + bias), air_pct=air)
    elif cause == "vessel_volume":
        truth = on * bias_of_vessel(sign * bias / 5, air_pct=air)
    elif cause == "leak":
        lost = np.abs(rng.normal(0, bias * np.sqrt(np.pi / 2) / (5 + k), (visits, len(air))))
        truth = on * bias_of_mark(-lost, air_pct=air, k=k)
    elif cause == "plain_drift":
        alike = np.where(air == 5, 1.0, 1 + rng.normal(0, 0.2, len(air)))
        truth = sign * bias * np.linspace(0, 1, visits)[:, None] * alike
    else:
        truth = np.zeros((visits, len(air)))
    read = np.round((truth + rng.normal(0, noise_sd, truth.shape)) / resolution) * resolution
    count = visits * len(air)
    return pl.DataFrame(
        {
            "meter_id": [f"M{seed}"] * count,
            "segment": [1] * count,
            "visit": np.repeat(np.arange(visits), len(air)),
            "t_years": np.repeat(t, len(air)),
            "air_pct": np.tile(air, visits),
            "point_pct": np.tile(air, visits),
            "bias_pct": read.ravel(),
            "resolution_pct": [resolution] * count,
            "dried": [False] * count,
            "sealed": [False] * count,
            "mark_moved": [False] * count,
            "hand_reset": [False] * count,
            "mark_worth_pct": [None] * count,
            "common_pct": [None] * count,
            "common_error_pct": [None] * count,
            "common_base_pct": [None] * count,
        },
        schema=CAUSE_READINGS,
    )


def with_common(
    readings: pl.DataFrame,
    seed: int,
    cause: str,
    *,
    bias: float = 0.1,
    error: float = 0.01,
    onset: int = 0,
) -> pl.DataFrame:
    """Add what the other meters show of the vessel of `simulate_segment` with the same seed."""
    sign = np.random.default_rng(seed).choice([-1.0, 1.0])
    effect = sign * bias if cause == "vessel_volume" else 0.0
    seen = effect + np.random.default_rng(seed + 10**6).normal(0, error)
    since = pl.col("visit") >= onset
    return readings.with_columns(
        common_pct=pl.when(since).then(seen).otherwise(0.0),
        common_error_pct=pl.when(since).then(error).otherwise(0.0),
        common_base_pct=pl.lit(0.0),
    )
