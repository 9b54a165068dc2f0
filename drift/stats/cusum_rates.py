"""This module sets the decision interval of a CUSUM whose centre and spread are only estimates.

A CUSUM adds up every visit's deviation, and with it any error of the centre: with limits meant for
a known process a baseline of seven visits gives many times the false signals.  Lengths are in
standard deviations of one point.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaincinv, ndtri

Floats = NDArray[np.float64]

# What a discrete CUSUM overshoots its interval by on average; Siegmund (1985), from memory.
_OVERSHOOT = 1.166
# Visits over which the rate of false signals is kept: ten years of quarterly checks.
HORIZON = 40
_LEVELS = 25
_SPREADS = 9
_BISECTIONS = 40
_SERIES = 1e-3


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
