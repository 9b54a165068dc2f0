"""This module draws the two-sided tabular CUSUM and dates the shift behind a signal.

A CUSUM adds up every visit's deviation, and with it any error of the centre: with limits meant for
a known process a baseline of seven visits gives many times the false signals.  The decision
interval is therefore set for centres and spreads that are only estimates; lengths there are in
standard deviations of one point.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaincinv, ndtri

from drift.arrays import Floats
from drift.frames import Schema
from drift.limits.charts.autocorrelation import spread_shortfall
from drift.limits.charts.prepare import Prepared, origin_of
from drift.limits.charts.shape import Charted, Lines, assemble, per_row

# One row per first signal of a CUSUM in a phase.  onset is the first visit after the sum was last
# 0, the estimate of when the shift began; shift the estimated size of it, in the unit of values.
ONSETS: Schema = {
    "series": pl.Int64,
    "chart": pl.String,
    "phase": pl.Int64,
    "visit": pl.Int64,
    "t_years": pl.Float64,
    "onset_visit": pl.Int64,
    "onset_t_years": pl.Float64,
    "visits_since_onset": pl.Int64,
    "shift": pl.Float64,
}

# How finely the decision interval is looked up: the error of the centre in σ, and the degrees of
# freedom, each to the more cautious neighbour.
_ERROR_STEP = 0.02
_DFS = np.array([1.0, 2, 3, 4, 5, 6, 8, 10, 14, 20, 30, 50, 100, 1e6])

# What a discrete CUSUM overshoots its interval by on average; Siegmund (1985), from memory.
_OVERSHOOT = 1.166
# Visits over which the rate of false signals is kept: ten years of quarterly checks.
HORIZON = 40
_LEVELS = 25
_SPREADS = 9
_BISECTIONS = 40
_SERIES = 1e-3


def draw_cusum(prepared: Prepared) -> Charted:
    """Draw what visits lie above, and below, their centre, added up.

    The chart ``cusum_high`` plots S⁺ = max(0, S⁺ + y − centre − k) with its upper limit h;
    ``cusum_low`` plots −S⁻, S⁻ = max(0, S⁻ + centre − k − y), with its lower limit −h.  Both start
    at 0 in each phase and pass over visits without a reading.

    In the form "kept_rate" the reference value grows by half the standard error of the centre and
    the decision interval is set so that a false signal is no likelier than with a known process.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3.
    """
    baseline = prepared.baseline
    sums = _sums(prepared)
    blank = np.full_like(sums.high, np.nan)
    limit = per_row(baseline, sums.decision)
    zero = np.where(np.isfinite(limit), 0.0, np.nan)
    origin = origin_of(
        prepared,
        attained=np.full_like(sums.sigma, np.nan),
        nominal=sums.nominal,
        sigma=sums.sigma,
    )
    charts = [
        assemble(
            "cusum_high",
            baseline,
            lines=Lines(value=sums.high, centre=zero, lower=blank, upper=limit),
            origin=origin,
        ),
        assemble(
            "cusum_low",
            baseline,
            lines=Lines(value=0.0 - sums.low, centre=zero, lower=-limit, upper=blank),
            origin=origin,
        ),
    ]
    return Charted(
        points=pl.concat([chart.points for chart in charts]),
        limits=pl.concat([chart.limits for chart in charts]),
    )


def onsets_of(prepared: Prepared) -> pl.DataFrame:
    """Date the shift behind the first signal of each CUSUM and phase.

    Returns
    -------
    pl.DataFrame
        Frame of `ONSETS`, sorted by series, chart and phase.

    References
    ----------
    Onset, and size of the shift k + S/N for a sum S over the N visits since it was 0: D. C.
    Montgomery, Introduction to Statistical Quality Control, section 9.1 of the 7th edition.
    """
    baseline, sums = prepared.baseline, _sums(prepared)
    limit = per_row(baseline, sums.decision)
    visits, times = (baseline.rows[name].to_numpy() for name in ("visit", "t_years"))
    series, phase = (baseline.rows[name].to_numpy() for name in ("series", "phase"))
    found = []
    for chart, total, sign in (("cusum_high", sums.high, 1.0), ("cusum_low", sums.low, -1.0)):
        out = np.flatnonzero(total > limit)
        _, first = np.unique(baseline.block[out], return_index=True)
        rows = out[first]
        onset = _last_zero(total, baseline.starts, baseline.block)[rows] + 1
        since = rows - onset + 1
        shift = sign * (sums.reference[baseline.block[rows]] + total[rows] / since)
        found.append(
            pl.DataFrame(
                {
                    "series": series[rows],
                    "chart": [chart] * len(rows),
                    "phase": phase[rows],
                    "visit": visits[rows],
                    "t_years": times[rows],
                    "onset_visit": visits[onset],
                    "onset_t_years": times[onset],
                    "visits_since_onset": since,
                    "shift": shift,
                },
                schema=ONSETS,
            )
        )
    return pl.concat(found).sort("series", "chart", "phase")


@dataclass(frozen=True, slots=True)
class _Sums:
    """Running sums of every row, and the design of every block in the unit of the values."""

    high: Floats
    low: Floats
    reference: Floats
    decision: Floats
    sigma: Floats
    nominal: float


def _sums(prepared: Prepared) -> _Sums:
    """Add up the deviations of prepared points."""
    baseline, settings = prepared.baseline, prepared.settings
    nominal = float(
        signal_rate(
            reference=settings.cusum_reference,
            decision=settings.cusum_decision,
            centre_error=0.0,
            df=np.inf,
        )[0]
    )
    phi = prepared.lag1.allowed_for
    # Sums of autocorrelated visits wander by their long-run spread, not by that of one visit.
    longer = np.sqrt((1 + phi) / (1 - phi) / spread_shortfall(phi, baseline.counts))
    sigma = prepared.sigma * np.where(phi > 0, longer, 1.0)
    reference, decision = _design(prepared, sigma, nominal)
    deviation = baseline.values - per_row(baseline, prepared.centre)
    # Where there is no centre there are no limits either, and the sum of nothing is plotted as 0.
    deviation = np.where(np.isfinite(deviation), deviation, 0.0)
    slack = np.nan_to_num(per_row(baseline, reference))
    return _Sums(
        high=_add_up(deviation - slack, baseline.starts, baseline.lengths),
        low=_add_up(-deviation - slack, baseline.starts, baseline.lengths),
        reference=reference,
        decision=decision,
        sigma=sigma,
        nominal=nominal,
    )


def _last_zero(
    total: Floats, starts: NDArray[np.int64], block: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Return for each row the last row up to it whose sum is 0, or the one before its block."""
    place = np.where(total == 0, np.arange(len(total)), -1)
    return np.maximum(np.maximum.accumulate(place), starts[block] - 1)


def _design(prepared: Prepared, sigma: Floats, nominal: float) -> tuple[Floats, Floats]:
    """Return reference value and decision interval of each block, in the unit of values."""
    settings = prepared.settings
    if prepared.new is None:
        return settings.cusum_reference * sigma, settings.cusum_decision * sigma
    known = np.isfinite(sigma)
    error = np.where(known, prepared.centre_se / np.where(known, sigma, 1.0), 0.0)
    error = np.ceil(error / _ERROR_STEP) * _ERROR_STEP
    df = _DFS[np.searchsorted(_DFS, np.where(known, prepared.df, 1e6), side="right") - 1]
    pairs, place = np.unique(np.stack([error, df], axis=1), axis=0, return_inverse=True)
    reference = settings.cusum_reference + pairs[:, 0] / 2
    decision = decision_interval(
        reference=reference, nominal=nominal, centre_error=pairs[:, 0], df=pairs[:, 1]
    )
    return reference[place.reshape(-1)] * sigma, decision[place.reshape(-1)] * sigma


def _add_up(excess: Floats, starts: NDArray[np.int64], lengths: NDArray[np.int64]) -> Floats:
    """Return running sums that never fall below 0, started at 0 in each block."""
    total = np.empty_like(excess)
    for step in range(int(lengths.max(initial=0))):
        rows = starts[lengths > step] + step
        before = 0.0 if step == 0 else total[rows - 1]
        total[rows] = np.maximum(before + excess[rows], 0.0)
    return total


def run_length(*, reference: ArrayLike, decision: ArrayLike, shift: ArrayLike = 0.0) -> Floats:
    """Return the approximate average run length of a one-sided CUSUM started at 0.

    Within about 3 % of exact values for k = 0.5 and h of 4 or more.

    Parameters
    ----------
    reference, decision : array_like
        Reference value k and decision interval h.
    shift : array_like
        Shift of the mean in the direction watched.

    References
    ----------
    D. Siegmund (1985), Sequential Analysis: ARL = (exp(2Δb) − 2Δb − 1)/(2Δ²), Δ = k − shift,
    b = h + 1.166 (from memory; tested against published run lengths).
    """
    drift = np.asarray(reference, float) - np.asarray(shift, float)
    reach = np.asarray(decision, float) + _OVERSHOOT
    x = 2 * drift * reach
    small = np.abs(x) < _SERIES
    safe = np.where(small, 1.0, drift)
    exact = (np.expm1(np.minimum(np.where(small, 1.0, x), 700.0)) - x) / (2 * safe**2)
    return np.asarray(np.where(small, reach**2 * (1 + x / 3), exact))


def signal_rate(
    *, reference: ArrayLike, decision: ArrayLike, centre_error: ArrayLike, df: ArrayLike
) -> Floats:
    """Return the chance per visit of a first signal on either side, over `HORIZON` visits.

    Parameters
    ----------
    reference, decision : array_like, shape (n,)
        Reference value k and decision interval h.
    centre_error : array_like, shape (n,)
        Standard error of the centre; 0 where it is known.
    df : array_like, shape (n,)
        Degrees of freedom of the standard deviation; infinite where it is known.
    """
    k, h, error, freedom = np.broadcast_arrays(
        *(
            np.atleast_1d(np.asarray(each, float))
            for each in (reference, decision, centre_error, df)
        )
    )
    shift = error[:, None, None] * ndtri((np.arange(_LEVELS) + 0.5) / _LEVELS)[:, None]
    share = (np.arange(_SPREADS) + 0.5) / _SPREADS
    half = np.minimum(freedom, 1e6)[:, None] / 2
    # Ratio of the true standard deviation to its estimate, at equally likely values.
    ratio = np.sqrt(half / gammaincinv(half, share))[:, None, :]
    length = run_length(
        reference=k[:, None, None] / ratio, decision=h[:, None, None] / ratio, shift=shift / ratio
    )
    signal = -np.expm1(-HORIZON / np.maximum(length, 1e-9))
    return np.asarray(2 * signal.mean(axis=(1, 2)) / HORIZON)


def decision_interval(
    *, reference: ArrayLike, nominal: float, centre_error: ArrayLike, df: ArrayLike
) -> Floats:
    """Return the decision interval that keeps a rate of false signals.

    Parameters
    ----------
    reference : array_like, shape (n,)
        Reference value k.
    nominal : float
        Chance of a first signal per visit to keep.
    centre_error, df : array_like, shape (n,)
        As for `signal_rate`.
    """
    k, error, freedom = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(each, float)) for each in (reference, centre_error, df))
    )
    low, high = np.full(k.shape, 0.1), np.full(k.shape, 100.0)
    for _ in range(_BISECTIONS):
        middle = np.sqrt(low * high)
        rate = signal_rate(reference=k, decision=middle, centre_error=error, df=freedom)
        low, high = np.where(rate > nominal, middle, low), np.where(rate > nominal, high, middle)
    return high
