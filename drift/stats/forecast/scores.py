"""This module scores probabilities and bands against what happened; it makes no forecast."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from drift.frames import Schema
from drift.stats.blocks import Floats

Flags = NDArray[np.bool_]

# One row per band of forecast probability: how many forecasts, their mean, how many and what
# share of them came true, and the exact interval of that share.
RELIABILITY: Schema = {
    "from_p": pl.Float64,
    "to_p": pl.Float64,
    "forecasts": pl.Int64,
    "mean_p": pl.Float64,
    "came_true": pl.Int64,
    "share": pl.Float64,
    "share_low": pl.Float64,
    "share_high": pl.Float64,
}

_EDGES = (0.0, 0.01, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)


def brier(chance: Floats, happened: Flags) -> float:
    """Return the mean squared difference of forecast probabilities and what happened, NaN if none.

    References
    ----------
    Brier (1950), Verification of forecasts expressed in terms of probability, Monthly Weather
    Review 78, 1–3 (here half of his two-class score, as is usual).
    """
    return float(np.mean((chance - happened) ** 2)) if chance.size else float("nan")


def ranked_apart(chance: Floats, happened: Flags) -> float:
    """Return how often a case that happened had the higher probability; ties count half.

    The area under the receiver operating characteristic, by the Mann–Whitney statistic; NaN where
    all or none happened.

    References
    ----------
    Hanley and McNeil (1982), The meaning and use of the area under a receiver operating
    characteristic (ROC) curve, Radiology 143, 29–36.
    """
    positives = int(happened.sum())
    negatives = happened.size - positives
    if positives == 0 or negatives == 0:
        return float("nan")
    _, place, number = np.unique(chance, return_inverse=True, return_counts=True)
    last = np.cumsum(number)
    ranks = (last - (number - 1) / 2)[place]
    surplus = ranks[happened].sum() - positives * (positives + 1) / 2
    return float(surplus / (positives * negatives))


def exact_interval(hits: int, number: int, *, level: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of a share.

    References
    ----------
    Clopper and Pearson (1934), Biometrika 26, 404–413.
    """
    tail = (1 - level) / 2
    low = float(special.betaincinv(hits, number - hits + 1, tail)) if hits > 0 else 0.0
    high = float(special.betaincinv(hits + 1, number - hits, 1 - tail)) if hits < number else 1.0
    return low, high


def reliability(chance: Floats, happened: Flags) -> pl.DataFrame:
    """Return what became of forecasts by band of probability.

    Parameters
    ----------
    chance : array, shape (forecasts,)
        Forecast probabilities.
    happened : array of bool, shape (forecasts,)
        What came true.

    Returns
    -------
    pl.DataFrame
        Columns of `RELIABILITY`, bands without a forecast left out.
    """
    band = np.clip(np.searchsorted(_EDGES, chance, side="right") - 1, 0, len(_EDGES) - 2)
    rows = []
    for place in np.unique(band):
        chosen = band == place
        hits, number = int(happened[chosen].sum()), int(chosen.sum())
        low, high = exact_interval(hits, number)
        rows.append(
            {
                "from_p": _EDGES[place],
                "to_p": _EDGES[place + 1],
                "forecasts": number,
                "mean_p": float(chance[chosen].mean()),
                "came_true": hits,
                "share": hits / number,
                "share_low": low,
                "share_high": high,
            }
        )
    return pl.DataFrame(rows, schema=RELIABILITY)


@dataclass(frozen=True, slots=True)
class Flagging:
    """What a laboratory would have got from acting on probabilities from `threshold` on.

    Attributes
    ----------
    threshold : float
        Probability from which a meter is flagged.
    flags, failures, caught : int
        Forecasts flagged; visits that found the meter out; those of them that were flagged.
    caught_share, false_share : float
        Share of failures that were flagged, share of flags that were not followed by one; NaN
        where there are none.
    """

    threshold: float
    flags: int
    failures: int
    caught: int
    caught_share: float
    false_share: float


def flagging(chance: Floats, happened: Flags, *, threshold: float) -> Flagging:
    """Count what flags from `threshold` on would have caught."""
    flagged = chance >= threshold
    flags, failures = int(flagged.sum()), int(happened.sum())
    caught = int((flagged & happened).sum())
    return Flagging(
        threshold=threshold,
        flags=flags,
        failures=failures,
        caught=caught,
        caught_share=caught / failures if failures else float("nan"),
        false_share=1 - caught / flags if flags else float("nan"),
    )
