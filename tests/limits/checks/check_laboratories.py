"""This module simulates checks between calibrations, as written CSV files; it asserts nothing.

Meters are calibrated each quarter and stay right; what their checks show is known.
"""

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from drift.limits.checks.weigh import CheckCharts
from drift.review.policy import Policy
from drift.review.sourced import checks_of, ledger_of
from tests.csv_folders import load, write

FIRST = date(2024, 1, 8)
READINGS = "meter_id,performed_on,stage,correct_air_pct,reading_air_pct,replicate,resolution_pct"
CHECKS = "meter_id,performed_on,check,value,unit,expected"
# A check's standard deviation, and the step of the dial, % air.
SIGMA, STEP = 0.03, 0.05

# From the number of a check and the days since the first one to the true departure.
Truth = Callable[[int, float], float]


def steady(_number: int, _days: float) -> float:
    """Return the departure of what stays as it is."""
    return 0.0


def calibrations(meters: int, *, visits: int = 8, seed: int = 7) -> str:
    """Return readings of meters that are right, one visit a quarter."""
    rng = np.random.default_rng(seed)
    lines = [READINGS]
    for meter in range(meters):
        for visit in range(visits):
            on = FIRST + timedelta(days=91 * visit)
            for point in (0.0, 5.0, 10.0):
                for replicate in (1, 2):
                    read = round((point + rng.normal(0, 0.02)) / STEP) * STEP
                    lines.append(
                        f"C-{meter:03},{on},as_found,{point:g},{read:.2f},{replicate},{STEP}"
                    )
    return "\n".join([*lines, ""])


def checks(
    meters: int,
    kind: str,
    *,
    number: int,
    truth: Truth = steady,
    sigma: float = SIGMA,
    step: float | None = STEP,
    expected: float | None = None,
    unit: str = "",
    seed: int = 1,
) -> list[str]:
    """Return rows of checks at irregular days, from the day after the first calibration.

    Parameters
    ----------
    truth : callable
        True departure by the check's number and days.
    sigma : float
        Standard deviation of one check.
    step : float or None
        What numbers are rounded to; None for four decimals.
    """
    rng = np.random.default_rng(seed)
    rows = []
    for meter in range(meters):
        on = FIRST + timedelta(days=1)
        for check in range(number):
            value = (expected or 0.0) + truth(check, (on - FIRST).days) + rng.normal(0, sigma)
            value = round(value, 4) if step is None else round(round(value / step) * step, 4)
            aim = "" if expected is None else f"{expected:g}"
            rows.append(f"C-{meter:03},{on},{kind},{value + 0.0:.4f},{unit},{aim}")
            on += timedelta(days=int(rng.integers(3, 25)))
    return rows


def table_of(*rows: list[str]) -> str:
    """Return a file of the table of checks."""
    return "\n".join([CHECKS, *(row for part in rows for row in part), ""])


def weighed(folder: Path, *, policy: Policy | None = None, **tables: str) -> CheckCharts:
    """Load tables and return what the checks say."""
    sources = load(write(folder, **tables))[1]
    policy = policy or Policy()
    ledger = ledger_of(sources, source_name="", as_of=date(2030, 1, 1), policy=policy)
    return checks_of(sources, ledger, policy)
