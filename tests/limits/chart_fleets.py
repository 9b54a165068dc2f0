"""This module makes points for tests of charts: fleets of meters whose true law is known."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from tests.limits.rounded_means import distribution_of_mean, rate_outside

Floats = NDArray[np.float64]

NOMINAL = float(2 * ndtr(-3.0))
UNROUNDED = 1e-9


@dataclass(frozen=True, slots=True)
class Cell:
    """One in-control process.

    Attributes
    ----------
    step : float
        Step of the dial, % air.
    sigma, between : float
        Spread of readings within a visit and of visits, % air.
    offset : float
        How far the centre lies from a mark of the dial, in steps.
    replicates : int
        Readings a visit.
    """

    step: float
    sigma: float
    offset: float
    replicates: int = 1
    between: float = 0.0

    @property
    def centre(self) -> float:
        """Return the centre of the process, % air."""
        return self.offset * self.step

    def read(self, random: np.random.Generator, *, meters: int, visits: int) -> Floats:
        """Return readings before rounding, shape (meters, visits, replicates)."""
        visit = self.between * random.standard_normal((meters, visits, 1))
        own = self.sigma * random.standard_normal((meters, visits, self.replicates))
        return np.asarray(self.centre + visit + own)

    def rate(self, lower: Floats, upper: Floats, *, shift: float = 0.0) -> float:
        """Return the exact chance, averaged over limits, that a rounded visit lies outside."""
        law = distribution_of_mean(
            [self.centre + shift],
            sigma=self.sigma,
            between=self.between,
            resolution=self.step,
            replicates=self.replicates,
        )
        return float(rate_outside(law, lower=lower[None], upper=upper[None]).mean())


def rounded(readings: Floats, step: float) -> Floats:
    """Return readings as a dial with this step shows them."""
    return np.asarray(np.round(readings / step) * step)


def fleet(readings: Floats, *, step: float, **columns: Any) -> pl.DataFrame:
    """Return points of a fleet.

    Parameters
    ----------
    readings : array, shape (meters, visits, replicates)
    step : float
        Resolution of the readings.
    columns
        Further columns, or others in place of the usual ones.
    """
    meters, visits, replicates = readings.shape
    flat = readings.reshape(-1, replicates)
    spread = flat.std(axis=1, ddof=1) if replicates > 1 else np.full(len(flat), np.nan)
    points = pl.DataFrame(
        {
            "series": np.repeat(np.arange(meters), visits),
            "visit": np.tile(np.arange(1, visits + 1), meters),
            "phase": np.ones(meters * visits, np.int64),
            "t_years": np.tile(np.arange(visits) / 4, meters),
            "value": flat.mean(axis=1),
            "replicates": np.full(meters * visits, replicates),
            "spread": pl.Series(spread, nan_to_null=True),
            "resolution": np.full(meters * visits, step),
            "values": pl.Series(flat).arr.to_list(),
        }
    )
    return points.with_columns(**columns)


def history(values: ArrayLike, *, step: float = UNROUNDED, **columns: Any) -> pl.DataFrame:
    """Return the points of one meter with one reading a visit."""
    return fleet(np.asarray(values, float)[None, :, None], step=step, **columns)


def adjusted_fleet(
    random: np.random.Generator, *, every: int, moves: float, step: float, rough: int = 0
) -> pl.DataFrame:
    """Return 300 meters of 24 visits that are adjusted every few visits, one reading a visit.

    Parameters
    ----------
    random : np.random.Generator
    every : int
        Visits of a phase.
    moves : float
        Spread of the levels from phase to phase, in units of σ, which is 0.03 % air.
    step : float
        Step of the dial.
    rough : int
        Meters that scatter three times as much.
    """
    meters, visits, sigma = 300, 24, 0.03
    phase = np.arange(visits) // every
    levels = moves * sigma * random.standard_normal((meters, visits))[:, phase]
    spread = np.where(np.arange(meters) < rough, 3 * sigma, sigma)[:, None]
    x = random.uniform(-0.5, 0.5, (meters, 1)) * step + levels
    x = x + spread * random.standard_normal((meters, visits))
    return fleet(
        rounded(x, step)[:, :, None],
        step=step,
        phase=pl.Series(np.tile(phase + 1, meters)),
        gauge=1,
    )
