"""This module draws the moving-range chart: the step from each visit to the next, without sign."""

from dataclasses import replace

import numpy as np

from drift.stats.autocorrelation import spread_shortfall
from drift.stats.charts.prepare import Prepared, origin_of
from drift.stats.charts.settings import Charted
from drift.stats.charts.shape import Lines, assemble, per_row
from drift.stats.constants import d2, d3


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
