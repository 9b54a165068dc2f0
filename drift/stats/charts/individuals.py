"""This module draws the individuals chart: each visit's value against its baseline."""

import numpy as np

from drift.stats.autocorrelation import widening
from drift.stats.charts.prepare import Prepared, half_widths, origin_of
from drift.stats.charts.settings import Charted
from drift.stats.charts.shape import Lines, assemble, per_row


def draw_individuals(prepared: Prepared) -> Charted:
    """Draw each visit's value.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 (form "sigma") and 2.2.3.5.2 (form
    "t"); form "kept_rate": `drift.stats.new_point`.
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
