"""This module learns from a fleet what its meters share.

All that working out one meter needs of the others stands in `Learnt`: with it any meters can be
worked out alone, in any parts and any order, and come out the same to the last digit.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import special

from drift.arrays import Floats, Integers
from drift.forecast.current_state import look_back
from drift.forecast.fit import Fit, fit_fleet
from drift.forecast.grid.content import in_order_of_content
from drift.forecast.grid.model import Grid, Settings, make_grid
from drift.forecast.grid.predict import Model
from drift.forecast.grid.visits import Dials, Visits, read_dials, read_visits
from drift.forecast.habits import with_points_heard
from drift.frames import DAYS_PER_YEAR

# In a small fleet the usual grid costs next to nothing beside the fit; from so many series on it is
# most of the time, and a coarser one moves probabilities by under 0.01 in the mean square.
_MANY_SERIES = 1500
_MANY_SHARE, _MANY_RATES = 0.6, 10
# Meters whose past forecasts say how their points are tied, and visits of each.
_TIED_METERS = 60
_TIED_VISITS = 10
# A fleet without evidence is taken to have this correlation, with the say of so many pairs.
_USUAL_TIE, _USUAL_PAIRS = 0.5, 20.0
_LARGEST_TIE = 0.98


@dataclass(frozen=True, slots=True)
class Learnt:
    """What the meters of a fleet share.

    Attributes
    ----------
    settings : Settings
        The caller's choices.
    dials : Dials
        How the fleet is read.
    fit : Fit
        Its hyper-parameters.
    grid : Grid
        The cells that each series is followed on.
    tie, found_tie : float
        Correlation between the points of a meter, of true and of found biases, 0 to 1.
    """

    settings: Settings
    dials: Dials
    fit: Fit
    grid: Grid
    tie: float
    found_tie: float


def learn_fleet(
    ledger: pl.DataFrame,
    *,
    settings: Settings | None = None,
    fit: Fit | None = None,
    steps: tuple[float, ...] = (),
) -> Learnt:
    """Learn from a fleet what its meters share.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER` of the fleet, or of whole meters that stand for it.
    settings : Settings, optional
        The caller's choices.
    fit : Fit, optional
        Hyper-parameters of much the same fleet; fitted where not given.
    steps : tuple of float
        Further steps, % air, to which dials of the fleet are read.

    Raises
    ------
    ValueError
        If the ledger is empty, or holds a time or bias that is not finite.
    """
    settings = settings or Settings()
    dials = read_dials(ledger, resolution=settings.resolution, further=steps)
    visits = in_order_of_content(read_visits(ledger, resolution=settings.resolution, dials=dials))
    if fit is None:
        fit = fit_fleet(visits, tolerance=settings.tolerance, sample=settings.sample)
    if np.count_nonzero(visits.last) > _MANY_SERIES:
        grid = make_grid(
            fit.hyper, resolutions=dials.resolutions, share=_MANY_SHARE, rates=_MANY_RATES
        )
    else:
        grid = make_grid(fit.hyper, resolutions=dials.resolutions)
    tie, found_tie = point_ties(visits, Model(settings, fit.hyper, grid))
    return Learnt(settings, dials, fit, grid, tie, found_tie)


def point_ties(visits: Visits, model: Model) -> tuple[float, float]:
    """Return how the points of a meter are tied: true biases, and biases as found.

    The second is the correlation of how past forecasts came out.  Reading noise, each point's
    own, is part of it; the first is the second divided by the levels' share of the variance.
    """
    points = np.bincount(visits.meter[visits.last])
    several = np.flatnonzero(points > 1)
    untold = tie_points(np.empty(0), np.empty(0, dtype=np.int64)), 0.0
    if several.size == 0:
        return untold
    chosen = several[np.linspace(0, several.size - 1, min(several.size, _TIED_METERS)).astype(int)]
    among = np.isin(visits.meter, chosen)
    visits = with_points_heard(visits, hyper=model.hyper, grid=model.grid, of=among)
    wanted = among[:, None] & (visits.found_count > 0)
    wanted[:, 0] = False
    # Every so many visits, alike for the points of a meter, which share their visits.
    wanted &= visits.visit % max(1, round(wanted.sum(axis=1).max() / _TIED_VISITS)) == 0
    past = look_back(visits, wanted, model)
    known = ~np.isnan(past.means.share_below)
    if not known.any():
        return untold
    scores = special.ndtri(np.clip(past.means.share_below[known], 1e-3, 1 - 1e-3))
    days = np.rint(visits.years * DAYS_PER_YEAR)
    meter = np.broadcast_to(visits.meter[:, None], days.shape)
    place = (meter[known] * 1_000_000 + days[known]).astype(np.int64)
    found = tie_points(scores, place)
    levels = ((past.levels.high - past.levels.low)[known] ** 2).mean()
    means = ((past.means.high - past.means.low)[known] ** 2).mean()
    return float(np.clip(found * means / levels, found, 0.98)), found


def tie_points(scores: Floats, place: Integers) -> float:
    """Return the correlation of normal scores that share a place.

    Parameters
    ----------
    scores : array, shape (n,)
        Normal scores of how one-visit-ahead forecasts came out.
    place : array, shape (n,)
        Number of the meter and visit; scores of different points share it.

    Notes
    -----
    Intraclass correlation over all pairs, shrunk to 0.5 by twenty pairs' worth, kept in 0 to 0.98.
    """
    places, index = np.unique(place, return_inverse=True)
    total = np.bincount(index, weights=scores, minlength=places.size)
    square = np.bincount(index, weights=scores**2, minlength=places.size)
    number = np.bincount(index, minlength=places.size)
    several = number > 1
    pairs = (number[several] * (number[several] - 1) / 2).sum()
    if pairs == 0:
        return _USUAL_TIE
    products = (total[several] ** 2 - square[several]).sum() / 2
    variance = square[several].sum() / number[several].sum()
    raw = products / pairs / max(variance, 1e-12)
    shrunk = (pairs * raw + _USUAL_PAIRS * _USUAL_TIE) / (pairs + _USUAL_PAIRS)
    return float(np.clip(shrunk, 0.0, _LARGEST_TIE))
