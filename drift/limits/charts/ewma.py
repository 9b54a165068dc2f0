"""This module draws the EWMA chart: a weighted mean of the visits so far, newest heaviest."""

import numpy as np
from scipy.special import ndtr

from drift.arrays import Floats
from drift.limits.charts.autocorrelation import ewma_widening
from drift.limits.charts.prepare import Prepared, half_widths, origin_of
from drift.limits.charts.shape import Charted, Lines, assemble, per_row


def draw_ewma(prepared: Prepared) -> Charted:
    """Draw z(t) = w·y(t) + (1 − w)·z(t−1), started at the centre of each phase.

    The weighting is that of e-Handbook 6.3.2.4: the newest visit is part of its own point.  (Its
    mass-calibration page 2.3.5.2 plots the same numbers one visit later, as a forecast.)
    Limits are exact from the first point on; in the form "kept_rate" they also allow for a centre
    that is only estimated, and for the visits that are in both the centre and the average.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4; exact early limits: Lucas and
    Saccucci (1990), Technometrics 32, 1-12.
    """
    baseline, settings = prepared.baseline, prepared.settings
    nominal = float(2 * ndtr(-settings.ewma_sigmas))
    weight = settings.ewma_weight
    smooth, squares, shared = _smooth(baseline.values, prepared)
    centre = per_row(baseline, prepared.centre)
    sigma, error = per_row(baseline, prepared.sigma), per_row(baseline, prepared.centre_se)
    # z − centre = Σ w·(y − μ) − W·(centre − μ), W being the weight that the visits have by now;
    # a visit of the baseline is in both terms.  What the centre does not know beyond the scatter of
    # its visits, and where in a step of the dial they lie, is in the second alone.
    total = 1 - (1 - weight) ** (1 + _place(prepared))
    of_mean = np.where(
        error > 0, sigma**2 / np.maximum(per_row(baseline, baseline.counts.astype(float)), 1), 0
    )
    beyond = np.maximum(error**2 - of_mean, 0.0)
    variance = squares * sigma**2 + (total**2 - 2 * total * shared) * of_mean + total**2 * beyond
    half = per_row(
        baseline, half_widths(prepared, nominal=nominal, sigmas=settings.ewma_sigmas)
    ) * np.sqrt(np.maximum(variance, 0.0))
    phi = prepared.lag1.allowed_for
    half *= per_row(
        baseline,
        np.where(phi > 0, ewma_widening(phi, baseline.counts, weight=weight), 1.0),
    )
    return assemble(
        "ewma",
        baseline,
        lines=Lines(value=smooth, centre=centre, lower=centre - half, upper=centre + half),
        origin=origin_of(
            prepared,
            attained=np.full_like(prepared.sigma, np.nan),
            nominal=nominal,
            sigma=prepared.sigma * np.sqrt(weight / (2 - weight)),
        ),
    )


def _place(prepared: Prepared) -> Floats:
    """Return the place of each row in its block, from 0."""
    baseline = prepared.baseline
    return np.asarray(np.arange(len(baseline.values)) - baseline.starts[baseline.block], float)


def _smooth(values: Floats, prepared: Prepared) -> tuple[Floats, Floats, Floats]:
    """Return the EWMA at every row, the sum of its squared weights, and that of the baseline's."""
    baseline, weight = prepared.baseline, prepared.settings.ewma_weight
    start = np.where(np.isfinite(prepared.centre), prepared.centre, values[baseline.starts])
    smooth, squares, shared = (np.empty_like(values) for _ in range(3))
    for step in range(int(baseline.lengths.max(initial=0))):
        rows = baseline.starts[baseline.lengths > step] + step
        first = step == 0
        before = start[baseline.block[rows]] if first else smooth[rows - 1]
        smooth[rows] = weight * values[rows] + (1 - weight) * before
        squares[rows] = weight**2 + (0.0 if first else (1 - weight) ** 2 * squares[rows - 1])
        inside = weight * baseline.inside[rows]
        shared[rows] = inside + (0.0 if first else (1 - weight) * shared[rows - 1])
    return smooth, squares, shared
