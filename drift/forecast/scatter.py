"""This module finds scatter behind rounded readings: of replicates, and of levels about 0."""

import numpy as np

from drift.arrays import Floats, Integers
from drift.forecast.beliefs import KIND_FACTORS, KIND_WEIGHTS, Belief
from drift.forecast.grid.model import bell_mass, cell_probability
from drift.forecast.grid.visits import Visits

# A level that counts less than this is left out.
_LEAST_WEIGHT = 0.01


def adjusted_spread(
    visits: Visits, lives: Integers, adjusted: Floats, *, noise: float, belief: Belief
) -> float:
    """Return the most probable spread of levels after adjustments.

    Parameters
    ----------
    visits, lives
        The fleet, and positions in it.
    adjusted : array, shape (lives, visits)
        Probability that each visit adjusted.
    noise, belief
        As for `level_spread`.
    """
    return level_spread(
        visits.left[lives].reshape(-1, visits.left.shape[2]),
        visits.kind[lives].ravel(),
        visits.resolutions,
        noise=noise,
        belief=belief,
        weight=adjusted.ravel(),
    )


def replicate_noise(visits: Visits, lives: Integers, belief: Belief) -> float:
    """Return the most probable noise of a reading behind the replicates of each visit.

    By the rounding likelihood with any level held equally likely, so that a dial that hides the
    scatter leaves the belief standing; a life is noisy or not as a whole.
    """
    readings = visits.found[lives]
    several = (~np.isnan(readings)).sum(axis=2) > 1
    if not several.any():
        return belief.median
    life = np.broadcast_to(np.arange(lives.size)[:, None], several.shape)[several]
    step = visits.resolutions[visits.kind[lives]][several]
    away = readings[several] - readings[several][:, :1]
    # What counts is the pattern of a visit, and there are few of them.
    table = np.column_stack([step, np.where(np.isnan(away), np.inf, np.rint(away * 1e7) / 1e7)])
    patterns, place = np.unique(table, axis=0, return_inverse=True)
    candidates = belief.median * np.exp(np.linspace(-1.6, 1.6, 17))
    factors = sorted({noise for noise, _ in KIND_FACTORS})
    weights = [
        sum(w for (noise, _), w in zip(KIND_FACTORS, KIND_WEIGHTS, strict=True) if noise == factor)
        for factor in factors
    ]
    score = -0.5 * (np.log(candidates / belief.median) / belief.spread) ** 2
    for number, sd in enumerate(candidates):
        by_life = np.stack(
            [
                np.bincount(
                    life,
                    weights=_pattern_chances(patterns, factor * sd)[place.ravel()],
                    minlength=lives.size,
                )
                for factor in factors
            ]
        )
        top = by_life.max(axis=0)
        score[number] += (top + np.log(np.array(weights) @ np.exp(by_life - top))).sum()
    return float(candidates[int(np.argmax(score))])


def _pattern_chances(patterns: Floats, sd: float) -> Floats:
    """Return the log likelihood of patterns of replicates, any level held equally likely."""
    away = patterns[:, 1:]
    there = np.isfinite(away)
    spread = np.where(there, np.abs(away), 0.0).max(axis=1)
    half = spread + patterns[:, 0] / 2 + 4 * sd
    share = np.linspace(-1.0, 1.0, 121)
    level = half[:, None] * share
    chance = np.ones(level.shape)
    for step in np.unique(patterns[:, 0]):
        for replicate in range(away.shape[1]):
            at = (patterns[:, 0] == step) & there[:, replicate]
            offset = level[at] - away[at, replicate][:, None]
            chance[at] *= cell_probability(offset, resolution=float(step), sd=sd)
    log: Floats = np.log((chance.sum(axis=1) * half) + 1e-300)
    return log


def level_spread(
    readings: Floats,
    kind: Integers,
    resolutions: Floats,
    *,
    noise: float,
    belief: Belief,
    weight: Floats | None = None,
) -> float:
    """Return the most probable standard deviation of levels about 0 behind rounded readings.

    Parameters
    ----------
    readings : array, shape (levels, replicates)
        Readings of each level, % air, NaN where there are none.
    kind : array, shape (levels,)
        Position of each level's resolution in `resolutions`.
    resolutions : array
        Steps of the dials, % air.
    noise : float
        Standard deviation of a reading, % air.
    belief : Belief
        In the answer; the answer lies within two logarithmic units of its median.
    weight : array, shape (levels,), optional
        How much each level counts, all alike by default.
    """
    there = ~np.isnan(readings)
    weight = np.ones(kind.size) if weight is None else weight
    rows = there.any(axis=1) & (weight > _LEAST_WEIGHT)
    if not rows.any():
        return belief.median
    candidates = belief.median * np.exp(np.linspace(-2.0, 2.0, 17))
    score = -0.5 * (np.log(candidates / belief.median) / belief.spread) ** 2
    # Two thousand levels say all there is to say.
    some = np.flatnonzero(rows)[:2000]
    readings, there, kind, weight = readings[some], there[some], kind[some], weight[some]
    gap = max(0.5 * noise, float(np.nanmax(np.abs(readings))) / 70)
    levels = gap * np.arange(-80, 81, dtype=np.float64)
    chance = np.ones((readings.shape[0], levels.size))
    for replicate in range(readings.shape[1]):
        offset = levels - np.where(there[:, replicate], readings[:, replicate], 0.0)[:, None]
        for code in np.unique(kind):
            at = there[:, replicate] & (kind == code)
            chance[at] *= cell_probability(offset[at], resolution=resolutions[code], sd=noise)
    for place, sd in enumerate(candidates):
        # One level in twenty may be three times as far off: a slip must not set the spread.
        prior = 0.95 * bell_mass(levels, variance=np.square(sd), step=gap)
        prior += 0.05 * bell_mass(levels, variance=np.square(3 * sd), step=gap)
        score[place] += weight @ np.log(chance @ prior + 1e-12)
    return float(candidates[int(np.argmax(score))])
