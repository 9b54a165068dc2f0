"""This module says what a meter's bias did to field tests made with it.

A test's bias is that of its day, between the verification points on either side of its air
content.  Whether a verdict was wrong is asked of the meter alone: would the same operator on the
same concrete have read within the specification with a meter that had no bias?
"""

import numpy as np
import polars as pl

from drift.arrays import Floats
from drift.forecast.smooth import Hindsight
from drift.frames import Schema

# One row per field test.  bias_pct with its band is the meter's at that air content on that day;
# corrected_air_pct the reading less it, u_corrected_pct its standard uncertainty from the bias and
# from the rounding of the reading (not from sampling, the concrete or the operator).  verdict is
# that of the reading against its own specification, "no specification" where it has none;
# p_verdict_wrong the chance that without the bias it would have been the other.
FIELD_IMPACT: Schema = {
    "test_id": pl.String,
    "tested_on": pl.Date,
    "placement": pl.String,
    "air_pct": pl.Float64,
    "spec_min_pct": pl.Float64,
    "spec_max_pct": pl.Float64,
    "bias_pct": pl.Float64,
    "bias_low": pl.Float64,
    "bias_high": pl.Float64,
    "corrected_air_pct": pl.Float64,
    "u_corrected_pct": pl.Float64,
    "verdict": pl.String,
    "p_verdict_wrong": pl.Float64,
    "remarks": pl.String,
}

TEST_PASS, TEST_FAIL, UNSPECIFIED = "pass", "fail", "no specification"

# Steps to which a field test may be written, coarsest first.
_WRITTEN_TO = (1.0, 0.5, 0.25, 0.1, 0.05, 0.01)
_SAME = 1e-9
# Parts into which what rounding hides is cut.
_PARTS = 20


def weigh_tests(tests: pl.DataFrame, hindsight: Hindsight) -> pl.DataFrame:
    """Say for each field test what the meter's bias did to it.

    Parameters
    ----------
    tests : pl.DataFrame
        Input table `field_tests`, rows of one meter on days of the span.
    hindsight : Hindsight
        The meter in that span; columns from ``bias_pct`` on are null where it has no point.

    Returns
    -------
    pl.DataFrame
        Frame of `FIELD_IMPACT`, by day and id.

    Notes
    -----
    Between two verification points equally likely values of their biases go together, so that the
    band is no narrower than theirs; beyond the outermost point its bias is taken.  A reading that
    was rounded lay anywhere within its step (GUM 4.3.7).
    """
    tests = tests.sort("tested_on", "test_id")
    step = _written_to(tests["air_pct"].to_numpy())
    rows = []
    for row in tests.iter_rows(named=True):
        verdict = _verdict(row)
        told: dict[str, object] = {"verdict": verdict}
        if hindsight.points_pct.size:
            place = _place(hindsight, row)
            values = hindsight.quantiles[:, place[1]].T @ place[0]
            bias = float(values.mean())
            told |= {
                "bias_pct": bias,
                "bias_low": float(hindsight.low[:, place[1]] @ place[0]),
                "bias_high": float(hindsight.high[:, place[1]] @ place[0]),
                "corrected_air_pct": row["air_pct"] - bias,
                "u_corrected_pct": float(np.sqrt(values.var() + step**2 / 12)),
                "p_verdict_wrong": _chance_wrong(row, verdict, values, step),
            }
        rows.append({name: row.get(name) for name in FIELD_IMPACT} | told)
    return pl.DataFrame(rows, schema=FIELD_IMPACT)


def _written_to(values: Floats) -> float:
    """Return the coarsest step of which all values are multiples."""
    for step in _WRITTEN_TO:
        if np.all(np.abs(values / step - np.rint(values / step)) < 1e-6):
            return step
    return 0.0


def _place(hindsight: Hindsight, row: dict[str, object]) -> tuple[Floats, int]:
    """Return the weight of each point for a test's air content, and the place of its day."""
    points = hindsight.points_pct
    air = np.clip(float(row["air_pct"]), points[0], points[-1])  # type: ignore[arg-type]  # a number
    weights = np.array([np.interp(air, points, unit) for unit in np.eye(points.size)])
    away = [abs((day - row["tested_on"]).days) for day in hindsight.days]  # type: ignore[operator]  # a date
    return weights, int(np.argmin(away))


def _verdict(row: dict[str, object]) -> str:
    """Return the verdict of a reading against its own specification."""
    low, high = row["spec_min_pct"], row["spec_max_pct"]
    if low is None and high is None:
        return UNSPECIFIED
    return (
        TEST_PASS
        if _within(np.array([row["air_pct"]], dtype=np.float64), low, high)[0]
        else TEST_FAIL
    )


def _within(values: Floats, low: object, high: object) -> Floats:
    """Return 1 where values lie within limits that may be None, else 0."""
    inside = np.ones(values.shape)
    if low is not None:
        inside *= values >= float(low) - _SAME  # type: ignore[arg-type]  # a number
    if high is not None:
        inside *= values <= float(high) + _SAME  # type: ignore[arg-type]  # a number
    return inside


def _chance_wrong(
    row: dict[str, object], verdict: str, biases: Floats, step: float
) -> float | None:
    """Return the chance that a meter without bias would have given the other verdict."""
    if verdict == UNSPECIFIED:
        return None
    hidden = step * ((np.arange(_PARTS) + 0.5) / _PARTS - 0.5)
    read = float(row["air_pct"]) - biases[:, None] + hidden  # type: ignore[arg-type]  # a number
    if step > 0:
        read = np.rint(read / step) * step
    passed = float(_within(read, row["spec_min_pct"], row["spec_max_pct"]).mean())
    return 1 - passed if verdict == TEST_PASS else passed
