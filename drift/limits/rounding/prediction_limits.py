"""This module says where the next points of an unchanged process will fall.

For every block the baseline leaves a range of centres and spreads possible.  Averaged over these,
the chance that a new visit's mean reaches each value the dial can show is computed, and limits are
set where the chance of being outside is the nearest attainable one not above the nominal rate.
With normal, unrounded data of one meter these are the prediction limits x̄ ± t·s·sqrt(1 + 1/n).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from drift.arrays import Flags, Floats, Integers
from drift.limits.baseline import Baseline
from drift.limits.rounding.attained_limits import RowReadings, limits_of_rows
from drift.limits.rounding.borrowing import Cohort, Pool, known_by, lent_observations, rows_lent
from drift.limits.rounding.likelihood_grid import CasePart, split, weigh_cases
from drift.limits.rounding.observations import (
    Observations,
    observe_readings,
    observe_visits,
    read_readings,
)
from drift.limits.rounding.pooled_spread import (
    Placed,
    SpreadPrior,
    apply_prior,
    learn_spread_priors,
    place_blocks,
    runs_of,
    spread_of_earlier_phases,
    summarise,
)
from drift.limits.rounding.pooling import own_spread, posterior_of_spread, unlike
from drift.limits.rounding.posterior import (
    ProcessPosterior,
    SeenTables,
    moments,
    move_tails,
    process_posterior,
    settled,
)
from drift.limits.rounding.visit_likelihood import Visit

# Decimals of a grid unit, and of a rate, that limits are given to; see `settled`.
_DECIMALS = 9


@dataclass(frozen=True, slots=True)
class NewPoints:
    """What is known of the next points of each block; NaN where it cannot be said.

    Attributes
    ----------
    centre, centre_se : array, shape (blocks,)
        Expected value of a plotted point, and its standard error.
    sigma, df : array, shape (blocks,)
        Standard deviation of a plotted point about the centre, rounding included, as the scale of
        a Student distribution with `df` degrees of freedom.
    lower, upper : array, shape (rows,)
        Limits of each row, half-way between two values that its readings can show.
    attained : array, shape (blocks,)
        Largest false-alarm rate of a row of the block's baseline.
    move_centre, move_upper, move_attained : array, shape (blocks,)
        The same for the distance of two successive points, with an upper limit only.
    meters : array of int, shape (blocks,)
        Series that the spread was pooled over; 1 for a block on its own.
    earlier : array of int, shape (blocks,)
        Visits of earlier phases of the series that helped to find the spread.
    limited, unlike : array of bool, shape (blocks,)
        The dial's steps hide the block's own spread; its spread fails the F test of similar meters.
    """

    centre: Floats
    centre_se: Floats
    sigma: Floats
    df: Floats
    lower: Floats
    upper: Floats
    attained: Floats
    move_centre: Floats
    move_upper: Floats
    move_attained: Floats
    meters: Integers
    earlier: Integers
    limited: Flags
    unlike: Flags


@dataclass(frozen=True, slots=True)
class _Request:
    """What `prediction_limits` was asked for, with what it read out of the rows."""

    baseline: Baseline
    rows: RowReadings
    typical: Integers
    runs: Integers
    on_dial: Flags
    needed: int
    nominal: float
    pooling_level: float
    between: bool
    seen: dict[tuple[float, int], SeenTables]


def prediction_limits(
    baseline: Baseline,
    *,
    pool: Pool,
    needed: int,
    nominal: float,
    pooling_level: float,
    between: bool = True,
) -> NewPoints:
    """Predict the next points of every block from its baseline and similar meters.

    Parameters
    ----------
    baseline : Baseline
        Points in blocks.  Phases of a series with one number in a column ``scatter_run`` are taken
        to scatter alike.
    pool : Pool
        Who may borrow spread from whom.
    needed : int
        Visits from which a block's own data are enough; with fewer, only a fleet can say.
    nominal : float
        False-alarm probability aimed at, two-sided.
    pooling_level : float
        Level of the F test of being alike.
    between : bool
        Whether visits may differ by more than their readings scatter; if not, all readings of the
        baseline count as one sample.
    """
    readings = read_readings(baseline)
    observe = observe_visits if between else observe_readings
    result = _empty(len(baseline.starts), len(baseline.values))
    request = _Request(
        baseline=baseline,
        rows=RowReadings(
            first=readings.values[readings.starts], replicates=readings.counts, steps=readings.steps
        ),
        typical=_typical_replicates(baseline, readings.counts),
        runs=runs_of(baseline),
        on_dial=np.bincount(
            baseline.block, baseline.inside * baseline.resolutions, minlength=len(baseline.starts)
        )
        > 0,
        needed=needed,
        nominal=nominal,
        pooling_level=pooling_level,
        between=between,
        seen={},
    )
    observations = observe(baseline, readings)
    summary = summarise(observations, len(baseline.starts))
    learn = _learning(pool, observations if pool.baseline is baseline else None, request)
    for cohort in pool.cohorts:
        laws = learn(cohort)
        seen = rows_lent(baseline, pool, cohort)[observations.row]
        known = np.bincount(observations.block[seen], minlength=len(baseline.starts))
        for placed in place_blocks(
            observations,
            summary,
            laws,
            blocks=cohort.blocks,
            runs=request.runs,
            needed=needed,
        ):
            _predict_group(placed, known, result, request)
    return result


def _learning(
    pool: Pool, observations: Observations | None, request: _Request
) -> Callable[[Cohort], list[SpreadPrior]]:
    """Return what learns the laws of a cohort; `observations` those of the pool, where known."""
    observe = observe_visits if request.between else observe_readings
    series = pool.baseline.rows["series"].to_numpy()

    def seen() -> Observations:
        return observations or observe(pool.baseline, read_readings(pool.baseline))

    lenders = Cohort(0, np.inf, np.empty(0, dtype=np.int64))

    def learn(cohort: Cohort) -> list[SpreadPrior]:
        every = pool.once(f"observations {request.between}", lenders, seen)
        lent = lent_observations(every, known_by(pool, cohort))
        return learn_spread_priors(lent, series=series, level=request.pooling_level)

    return lambda cohort: pool.once(f"spread {request.between}", cohort, lambda: learn(cohort))


def _empty(blocks: int, rows: int) -> NewPoints:
    """Return a result that says nothing yet."""

    def unknown(length: int) -> Floats:
        return np.full(length, np.nan)

    return NewPoints(
        centre=unknown(blocks),
        centre_se=unknown(blocks),
        sigma=unknown(blocks),
        df=unknown(blocks),
        lower=unknown(rows),
        upper=unknown(rows),
        attained=unknown(blocks),
        move_centre=unknown(blocks),
        move_upper=unknown(blocks),
        move_attained=unknown(blocks),
        meters=np.ones(blocks, np.int64),
        earlier=np.zeros(blocks, np.int64),
        limited=np.zeros(blocks, bool),
        unlike=np.zeros(blocks, bool),
    )


def _typical_replicates(baseline: Baseline, counts: Integers) -> Integers:
    """Return the fewest replicates of a baseline visit of each block."""
    fewest = np.full(len(baseline.starts), np.iinfo(np.int64).max)
    np.minimum.at(fewest, baseline.block[baseline.inside], counts[baseline.inside])
    return np.where(baseline.counts > 0, fewest, 1)


def _predict_group(placed: Placed, known: Integers, result: NewPoints, request: _Request) -> None:
    """Fill in the wanted blocks of one group.

    `known` counts the entries of every block that the law was learnt from.
    """
    group, law = placed.group, placed.law
    blocks = group.blocks
    parts = split(group, request.typical[blocks], known[blocks])
    lent = spread_of_earlier_phases(group, parts, request.runs[blocks])
    wanted = [part.only(np.flatnonzero(placed.wanted[part.members])) for part in parts]
    # Grids of coarse dials are alike in their own units: tables depend on replicates alone.
    seen = request.seen.setdefault((group.within, group.coarse), SeenTables())
    for part, mass, df in apply_prior([part for part in wanted if len(part.members)], lent):
        weights = weigh_cases(group, part)
        spread, shown = own_spread(weights.mass * mass, nodes=group.nodes)
        odd = np.zeros(len(spread), bool)
        probability = posterior_of_spread(weights.mass * mass, population=None)
        if law is not None:
            own = np.asarray(part.entries - 1.0 + df)
            odd = shown & unlike(
                spread, df=own, population=law.population, level=request.pooling_level
            )
            share = (np.maximum(part.before - 1.0, 0.0) + df) / np.maximum(own, 1.0)
            probability[~odd] = posterior_of_spread(
                (weights.mass * mass)[~odd],
                population=law.population,
                share=np.minimum(share, 1.0)[~odd],
            )
        held = process_posterior(
            group,
            weights,
            probability,
            entries=part.entries,
            between=request.between,
            seen=seen,
        )
        can = _note_spread(placed, part, (odd, shown, df), result, request=request)
        _points(held, part, can, result, request)
        which = part.members[can]
        lines = limits_of_rows(
            held,
            request.baseline,
            request.rows,
            members=which,
            case=part.case[can],
            nominal=request.nominal,
        )
        result.lower[lines.rows], result.upper[lines.rows] = lines.lower, lines.upper
        # Stated of the visits that set the limits: later ones may lie on another dial's steps.
        stated = request.baseline.inside[lines.rows]
        block = request.baseline.block[lines.rows[stated]]
        result.attained[blocks[which]] = 0.0
        np.maximum.at(result.attained, block, np.round(lines.rate[stated], _DECIMALS))


def _note_spread(
    placed: Placed,
    part: CasePart,
    found: tuple[Flags, Flags, Floats],
    result: NewPoints,
    *,
    request: _Request,
) -> Flags:
    """Fill in where the spread of a part's blocks comes from; return which can have limits."""
    odd, shown, df = found
    group, law = placed.group, placed.law
    blocks, counts = group.blocks[part.members], request.baseline.counts
    pooled = ~odd[part.case] & (law is not None)
    lent = np.broadcast_to(df, odd.shape)[part.case]
    result.limited[blocks] = ~shown[part.case] & (group.coarse > 0) & (part.entries - 1 + lent > 0)
    result.unlike[blocks] = odd[part.case]
    result.meters[blocks] = np.where(pooled, 1 if law is None else law.meters, 1)
    result.earlier[blocks] = lent.astype(np.int64)
    # A baseline without spread has limits only where a dial's steps, or similar meters, give them.
    on_dial = request.on_dial[blocks]
    enough = (counts[blocks] > 0) & (counts[blocks] + lent >= request.needed)
    return (pooled & (on_dial | (group.coarse == 0))) | (
        enough & (shown[part.case] | (on_dial & (group.coarse > 0)))
    )


def _points(
    held: ProcessPosterior, part: CasePart, can: Flags, result: NewPoints, request: _Request
) -> None:
    """Fill in centre and spread of points and of moves."""
    group = held.group
    # The finest step of a baseline stands for its points: there the centre is biased least.
    steps = group.patterns.steps[part.pattern].min(axis=1)
    for replicates, step in np.unique(np.stack([part.typical, steps], axis=1), axis=0):
        visit = Visit(int(replicates), float(step))
        point = moments(held, visit)
        of_case = (part.typical == replicates) & (steps == step)
        here = can & of_case[part.case]
        blocks, case = group.blocks[part.members[here]], part.case[here]
        shift = group.anchors[part.members[here]] + group.unit * part.residual[here]
        result.centre[blocks] = shift + group.unit * np.round(point.centre[case], _DECIMALS)
        result.centre_se[blocks] = group.unit * settled(point.centre_se[case])
        result.sigma[blocks] = group.unit * settled(point.sigma[case])
        result.df[blocks] = settled(point.df[case])
        if request.between:
            above, mean, distances, spacing = move_tails(held, visit)
            reached = (above <= request.nominal).any(axis=1)
            out = (above <= request.nominal).argmax(axis=1)
            student = stdtrit(point.df, 1 - request.nominal / 2) * np.sqrt(2) * point.sigma
            upper = np.where(reached, distances[out] - spacing / 2, student)
            rate = np.where(reached, above[np.arange(len(out)), out], request.nominal)
            result.move_centre[blocks] = group.unit * settled(mean[case])
            result.move_upper[blocks] = group.unit * settled(upper[case])
            result.move_attained[blocks] = np.round(rate[case], _DECIMALS)
