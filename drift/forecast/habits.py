"""This module learns at which visits a laboratory adjusts without a record."""

from dataclasses import replace

import numpy as np
from scipy import special

from drift.arrays import Flags, Floats
from drift.forecast.current_state import blocks
from drift.forecast.grid.filter import walk
from drift.forecast.grid.model import Grid, Habit, HyperParameters
from drift.forecast.grid.reading_likelihood import make_tables
from drift.forecast.grid.visits import Visits
from drift.forecast.marginal_likelihood import (
    HABIT_SHARES,
    HABIT_WORTH,
    FitSample,
    life_evidence,
    scaled,
)
from drift.forecast.scatter import adjusted_spread

# Rounds of expectation and maximisation; passes of the filter, and the change that ends them.
_UPDATES = 40
_PASSES = 4
_LEAST_CHANGE = 0.01


def with_points_heard(
    visits: Visits, *, hyper: HyperParameters, grid: Grid, of: Flags | None = None
) -> Visits:
    """Return `visits` in which each point of a mixed visit knows what the others say.

    A meter is adjusted as a whole: what the readings as left of one point say for or against it
    counts for all.  What each point says is taken from its own history alone.  `of`, shape
    (lives,), chooses all lives of some meters where the others are not looked at.
    """
    open_here = visits.mixed.any(axis=1)
    lives = np.flatnonzero(open_here if of is None else open_here & of)
    if lives.size == 0:
        return visits
    tables = make_tables(hyper, grid, resolutions=visits.resolutions)
    ratios = np.full(visits.years.shape, np.nan)
    alone = replace(visits, odds=np.zeros(visits.years.shape))
    for part in blocks(alone, lives):
        walk(alone, part, hyper=hyper, grid=grid, tables=tables, ratios=ratios)
    return replace(visits, odds=_of_others(visits, ratios))


def _of_others(visits: Visits, ratios: Floats) -> Floats:
    """Return the sum of `ratios` over the other points of each mixed visit."""
    open_here = ~np.isnan(ratios)
    occasion = visits.occasion[open_here]
    said = ratios[open_here]
    # In an order fixed by the values, or the last digits would tell the order of lives.
    order = np.lexsort((said, occasion))
    total = np.bincount(occasion[order], weights=said[order])
    odds = np.zeros(ratios.shape)
    odds[open_here] = total[occasion] - said
    return odds


def learn_habit(
    hyper: HyperParameters, grid: Grid, data: FitSample
) -> tuple[HyperParameters, FitSample]:
    """Return `hyper` with the habit that the readings as left speak for, and the points heard.

    Notes
    -----
    Each pass of the filter gives the ratio r of the probability of readings as left after an
    adjustment to that at the same level; given those, the share s of a class of visits maximises
    Σ log(s r + 1 − s) and a belief worth one visit (expectation and maximisation; Dempster, Laird
    and Rubin, 1977, Journal of the Royal Statistical Society B 39, 1–38).
    """
    visits, lives = data.visits, data.lives
    if not visits.mixed[lives].any():
        return hyper, data
    for _ in range(_PASSES):
        tables = make_tables(hyper, grid, resolutions=visits.resolutions)
        ratios = np.full(visits.years.shape, np.nan)
        life_evidence(hyper, grid, data, tables=tables, ratios=ratios)
        visits = replace(visits, odds=_of_others(visits, ratios))
        data = replace(data, visits=visits)
        joint = ratios + visits.odds
        habit, adjusted = _most_probable(hyper.habit, visits, joint)
        chance = np.where(visits.mixed[lives], adjusted[lives], visits.reset[lives])
        belief = scaled("reset_sd", tolerance=data.tolerance)
        reset_sd = adjusted_spread(visits, lives, chance, noise=hyper.noise_sd, belief=belief)
        change = np.abs(np.subtract(habit.shares, hyper.habit.shares)).max()
        hyper = replace(hyper, habit=habit, reset_sd=reset_sd)
        if change < _LEAST_CHANGE:
            break
    return hyper, data


def _most_probable(habit: Habit, visits: Visits, joint: Floats) -> tuple[Habit, Floats]:
    """Return the habit that `joint` log ratios speak for, and P(adjusted) of each mixed visit."""
    life, j = np.nonzero(~np.isnan(joint))
    # A visit counts once, however many of its points were read; numbers of visits come from names,
    # so that sums are in the order of the lives.
    first = np.sort(np.unique(visits.occasion[life, j], return_index=True)[1])
    life, j = life[first], j[first]
    place, said = habit.place(visits.off[life, j]), joint[life, j]
    number = np.bincount(place, minlength=len(habit.shares))
    believed = HABIT_WORTH * np.array(HABIT_SHARES)
    shares = np.array(habit.shares)
    for _ in range(_UPDATES):
        chance = special.expit(special.logit(shares)[place] + said)
        adjusted = np.bincount(place, weights=chance, minlength=shares.size)
        shares = (adjusted + believed) / (number + HABIT_WORTH)
    found = Habit(habit.edges, tuple(float(share) for share in shares))
    odds = special.logit(found.share(visits.off)) + joint
    return found, np.where(np.isnan(joint), 0.0, special.expit(odds))
