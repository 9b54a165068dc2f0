"""Checks between calibrations with known truth: false signals, and how soon true ones come.

``python -m tests.benchmarks.checks_truth`` prints the table of `tests/benchmarks/README.md`.
"""

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from tests.limits.checks.check_laboratories import (
    SIGMA,
    Truth,
    calibrations,
    checks,
    steady,
    table_of,
    weighed,
)

NUMBER, BASELINE = 40, 7
# The check from which something is wrong.
SINCE = 12


@dataclass(frozen=True, slots=True)
class Signalled:
    """What the charts of one kind of check said over many meters.

    Attributes
    ----------
    rate, rate_error : float
        First signals a check, EWMA and CUSUM together, and its simulation error (one standard
        error over meters).
    share : float
        Meters with a signal from `SINCE` on.
    median : float
        Checks from `SINCE` to the first signal, half of the meters with one.
    """

    rate: float
    rate_error: float
    share: float
    median: float


def growing(by: float) -> Truth:
    """Return a departure that grows by so much a check from `SINCE` on."""
    return lambda number, _days: by * max(number - SINCE + 1, 0)


def signalled(
    truth: Truth = steady,
    *,
    kind: str = "zero",
    unit: str = "",
    meters: int = 60,
    sigma: float = SIGMA,
    step: float | None = 0.05,
    seed: int = 1,
) -> Signalled:
    """Return what charts say of checks written to files."""
    rows = checks(
        meters, kind, number=NUMBER, truth=truth, sigma=sigma, step=step, unit=unit, seed=seed
    )
    with tempfile.TemporaryDirectory() as folder:
        found = weighed(
            Path(folder), readings=calibrations(meters, visits=1), checks=table_of(rows)
        )
    order = found.days.select(
        "meter_id",
        visit_on="performed_on",
        number=pl.int_range(pl.len()).over("meter_id", order_by="performed_on"),
    )
    charts = found.signals.filter(pl.col("rule") == "beyond_limits")
    placed = charts.join(order, on=["meter_id", "visit_on"])
    each = np.zeros(meters)
    for meter, many in placed.group_by("meter_id").len().iter_rows():
        each[int(meter.removeprefix("C-"))] = many
    late = placed.filter(pl.col("number") >= SINCE).group_by("meter_id").agg(pl.col("number").min())
    return Signalled(
        rate=float(each.mean()) / NUMBER,
        rate_error=float(each.std(ddof=1)) / meters**0.5 / NUMBER,
        share=late.height / meters,
        median=float(late["number"].median() or np.nan) - SINCE + 1,  # type: ignore[arg-type]
    )


CASES: dict[str, dict[str, object]] = {
    "nothing wrong, dial read to 0.05": {},
    "nothing wrong, dial read to 0.1": {"step": 0.1},
    "nothing wrong, unrounded": {"step": None},
    "zero walks 0.01 % a check": {"truth": growing(0.01)},
    "leak grows 0.05 kPa a check, σ 0.1": {
        "truth": growing(0.05),
        "kind": "leak",
        "unit": "kPa",
        "sigma": 0.1,
        "step": 0.1,
    },
}


def main() -> None:
    """Print a row for each case, over 300 meters."""
    for name, case in CASES.items():
        found = signalled(meters=300, **case)  # type: ignore[arg-type]  # by name
        print(
            f"| {name} | {100 * found.rate:.2f} ± {100 * found.rate_error:.2f} "
            f"| {100 * found.share:.0f} % | {found.median:.0f} |"
        )


if __name__ == "__main__":
    main()
