"""This module simulates laboratories with a check meter, as written CSV files; it asserts nothing.

A fleet and a check meter are read each month with one vessel.  From some session on the vessel, or
every meter of the fleet, is off; what the check meter does by itself is known too.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from drift.reference.check_meters.fitting import OwnMotion
from drift.reference.check_meters.weigh import CheckMeters
from drift.review.policy import Policy
from drift.review.sourced import ledger_of, reference_of
from tests.csv_folders import load, write

FIRST = date(2024, 1, 8)
STILL = OwnMotion(0.0, 0.0)
NO_DAYS = pl.DataFrame(schema={"meter_id": pl.String, "on": pl.Date})
CHECK_METER = "CM-1"
SIGMA_PCT, STEP_PCT = 0.02, 0.05
READINGS = (
    "meter_id,performed_on,stage,correct_air_pct,reading_air_pct,replicate,resolution_pct,vessel_id"
)
CHECKS = "meter_id,performed_on,check,value,unit,expected"
EQUIPMENT = f"equipment_id,kind,calibrated_on\n{CHECK_METER},check_meter,2023-12-01\n"
VESSELS = "vessel_id,calibrated_on,air_pct\nV-1,2023-12-01,5\n"


@dataclass(frozen=True, slots=True)
class Laboratory:
    """What is true of a laboratory.

    Attributes
    ----------
    vessel, fleet : float
        Shift of the vessel, and of every meter of the fleet, at the session `since`, % air at 5 %.
    own_drift : float
        Drift of the check meter by itself, % air a year at 5 %.
    own_jump, jump_at : float, int
        Its jump by itself, and the session from which on; of the artefact, where there is one.
    recorded : bool
        Whether that is on record as a reset of its hand.
    meters, sessions, since : int
    artefact : bool
        Whether a fixed artefact at 5 % is read by the fleet too, instead of a check meter.
    """

    vessel: float = 0.0
    fleet: float = 0.0
    own_drift: float = 0.0
    own_jump: float = 0.0
    jump_at: int = 6
    recorded: bool = False
    meters: int = 8
    sessions: int = 24
    since: int = 14
    artefact: bool = False
    drift_of_vessel: float = 0.0


def tables(truth: Laboratory, *, seed: int) -> dict[str, str]:
    """Return the files of a laboratory."""
    rng = np.random.default_rng(seed)
    names = [f"M{place + 1:02}" for place in range(truth.meters)]
    own = dict(zip(names, rng.normal(0, 0.03, truth.meters), strict=True)) | {CHECK_METER: 0.01}
    lines, checks = [READINGS], [CHECKS]
    for session in range(truth.sessions):
        on, years = FIRST + timedelta(days=30 * session), 30 * session / 365.25
        after = session >= truth.since
        for name in (*names, *(() if truth.artefact else (CHECK_METER,))):
            shift = own[name] + (truth.vessel if after else 0.0) + truth.drift_of_vessel * years
            if name == CHECK_METER:
                shift += truth.own_drift * years
                shift += truth.own_jump if session >= truth.jump_at else 0.0
            else:
                shift += truth.fleet if after else 0.0
            for air in (5.0, 10.0):
                for replicate in (1, 2):
                    read = _read(rng, air + shift * air / 5)
                    lines.append(f"{name},{on},as_found,{air:g},{read},{replicate},{STEP_PCT},V-1")
            if truth.artefact:
                of_meter = own[name] + (truth.fleet if after else 0.0)
                of_meter += truth.own_jump if session >= truth.jump_at else 0.0
                checks.append(f"{name},{on},artefact,{_read(rng, 5 + of_meter)},%,5")
    found = {"readings": "\n".join([*lines, ""]), "vessels": VESSELS}
    if truth.artefact:
        return found | {"checks": "\n".join([*checks, ""])}
    if truth.recorded:
        on = FIRST + timedelta(days=30 * truth.jump_at - 5)
        found["service"] = f"meter_id,performed_on,action\n{CHECK_METER},{on},hand_reset\n"
    return found | {"equipment": EQUIPMENT}


def _read(rng: np.random.Generator, true: float) -> str:
    """Return what a dial shows."""
    return f"{round((true + rng.normal(0, SIGMA_PCT)) / STEP_PCT) * STEP_PCT:.2f}"


def asked(folder: Path, truth: Laboratory, *, seed: int) -> CheckMeters:
    """Write a laboratory into a folder and ask its check meter."""
    return asked_of(folder, **tables(truth, seed=seed))


def asked_of(folder: Path, **written: str) -> CheckMeters:
    """Write tables into a folder and ask the check meter in them."""
    sources, policy = load(write(folder, **written))[1], Policy()
    ledger = ledger_of(sources, source_name="", as_of=date(2030, 1, 1), policy=policy)
    return reference_of(sources, ledger, policy).witnesses
