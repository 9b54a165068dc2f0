"""This module draws each visit's value against its baseline, and the steps between visits."""

from dataclasses import replace

import numpy as np

from drift.limits.charts.autocorrelation import spread_shortfall, widening
from drift.limits.charts.constants import d2, d3
from drift.limits.charts.prepare import Prepared, half_widths, origin_of
from drift.limits.charts.shape import Charted, Lines, assemble, per_row


def draw_individuals(prepared: Prepared) -> Charted:
    """Draw each visit's value.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (form "sigma") and 2.2.3.5.2 (form
    "t"); form "kept_rate": `drift.limits.rounding.prediction_limits`.
    """
    baseline, settings = prepared.baseline, prepared.settings
    phi = prepared.lag1.allowed_for
    wider = np.where(phi > 0, widening(phi, baseline.counts), 1.0)
    centre = per_row(baseline, prepared.centre)
    if prepared.new is None:
        width = half_widths(prepared, nominal=prepared.nominal, sigmas=settings.sigmas)
        half = per_row(baseline, width * prepared.sigma)
        lower, upper = centre - half, centre + half
        attained = np.full_like(width, np.nan)
    else:
        lower, upper = prepared.new.lower, prepared.new.upper
        attained = np.where(phi > 0, np.nan, prepared.new.attained)
    stretch = per_row(baseline, wider)
    lower, upper = centre - stretch * (centre - lower), centre + stretch * (upper - centre)
    return assemble(
        "individuals",
        baseline,
        lines=Lines(value=baseline.values, centre=centre, lower=lower, upper=upper),
        origin=origin_of(prepared, attained=attained, nominal=prepared.nominal),
    )


def draw_moving_range(prepared: Prepared) -> Charted:
    """Draw the absolute difference of each visit from the one before it in its phase.

    The upper limit of the forms "sigma" and "t" is that of the textbooks, D4 times the mean moving
    range, whose false-alarm rate is that of a range beyond 3 of its standard deviations (0.9 % for
    normal data); that of "kept_rate" holds the nominal rate.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.
    """
    baseline, settings = prepared.baseline, prepared.settings
    moves = np.abs(np.diff(baseline.values, prepend=np.nan))
    moves[baseline.starts] = np.nan
    phi = prepared.lag1.allowed_for
    if prepared.new is None:
        mean = prepared.sigma * float(d2(2))
        upper = mean + settings.sigmas * float(d3(2)) * prepared.sigma
        attained = np.full_like(mean, np.nan)
    else:
        # Autocorrelated visits move less than their spread says: limits are widened only by what
        # the baseline falls short of that spread.
        wider = np.sqrt((1 - phi) / spread_shortfall(phi, baseline.counts))
        mean = prepared.new.move_centre
        upper = prepared.new.move_upper * np.maximum(wider, 1.0)
        attained = np.where(phi > 0, np.nan, prepared.new.move_attained)
    origin = origin_of(prepared, attained=attained, nominal=prepared.nominal)
    return assemble(
        "moving_range",
        baseline,
        lines=Lines(
            value=moves,
            centre=per_row(baseline, mean),
            lower=np.full_like(moves, np.nan),
            upper=per_row(baseline, upper),
        ),
        origin=replace(origin, centre=mean),
    )
