"""This module weighs slips of the pen against readings as they stand.

Each slip says what the dial would have shown had nobody slipped.  How much likelier the readings
are under a slip than as they stand is its Bayes factor; with the priors below it becomes the
probability of that slip.  As they stand they come from the forecaster or, with a small share,
from a meter that has changed as no history foretells; and any entry may be spoilt in a way that
says nothing.  A slip is thus not called likely just because the forecast was wrong.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from drift.arrays import Floats
from drift.forecast.grid.model import cell_probability
from drift.forecast.predict_visit import Expected

# Share of sittings at one point with each slip, and of visits written down under another meter's
# name.  Our choice, no source: a few in a thousand of entries by hand.
PRIORS = {"sign": 0.001, "decimal": 0.002, "wrong_point": 0.001, "wrong_meter": 0.002}
# Share of sittings spoilt in any other way: the entry may then be anything within this span, % air.
SPOILT_SHARE, SPOILT_SPAN = 0.001, 30.0
# Share of sittings of a meter that has changed as its history does not foretell; the scale of the
# Cauchy density of its bias and where that ends, % air; how much more its readings may scatter.
# Our choice, no source: a meter that reads 2 % wrong is broken at sight.
CHANGED_SHARE, CHANGED_SCALE, CHANGED_MOST = 0.02, 0.15, 2.0
CHANGED_SCATTER = (1.0, 3.0)
# Probability from which a slip is called likely.
LIKELY = 0.9
_STEPS = 801
_LEAST = -700.0


def log_evidence(expected: Expected, biases: Floats, *, resolution: float | None = None) -> float:
    """Return the log probability of the readings of a sitting.

    Parameters
    ----------
    expected : Expected
        Of the series.
    biases : array, shape (readings,)
        Reading minus correct air content, % air.
    resolution : float, optional
        Step to which they were read, % air; that of the last visit where not given.

    Notes
    -----
    Given the level readings are independent; the level is summed over ::

        p(r) = Σ_kinds Σ_levels mass · Π [Φ((r + δ/2 − level)/σ) − Φ((r − δ/2 − level)/σ)]
    """
    (alone,) = alike_meters({("", 0.0): expected}).values()
    return meter_evidences(alone, biases, resolution=resolution)[""]


@dataclass(frozen=True, slots=True)
class AlikeMeters:
    """Meters whose levels at a point lie on the same lattice and are read with the same noise.

    Attributes
    ----------
    names : list of str
        The meters.
    masses : array, shape (meters, kinds, bins)
        Probability of each level, meter by meter.
    expected : Expected
        That of the first: its levels, noise and dial are those of all.
    """

    names: list[str]
    masses: Floats
    expected: Expected


def alike_meters(
    expected: dict[tuple[str, float], Expected],
) -> dict[float, list[AlikeMeters]]:
    """Put meters together, point by point, whose readings are equally likely at each level.

    Parameters
    ----------
    expected : dict of (str, float) to Expected
        What is expected at one time, by meter and point.
    """
    found: dict[float, dict[tuple[object, ...], list[tuple[str, Expected]]]] = {}
    for (name, pct), one in expected.items():
        # A middle level is a value of the dial, so that sums of its steps differ in rounding alone.
        lattice = (one.bins, one.levels.size, round(float(one.levels[0]), 9), *one.noise)
        found.setdefault(pct, {}).setdefault(lattice, []).append((name, one))
    return {
        pct: [
            AlikeMeters(
                [name for name, _ in alike], np.stack([one.masses for _, one in alike]), alike[0][1]
            )
            for alike in of_point.values()
        ]
        for pct, of_point in found.items()
    }


def meter_evidences(
    fleet: list[AlikeMeters], biases: Floats, *, resolution: float | None = None
) -> dict[str, float]:
    """Return `log_evidence` of one sitting for each meter of a fleet.

    How likely the readings are at each level is worked out once for meters that are alike, so that
    a visit is weighed against some hundreds of meters in about the time of a few.

    Parameters
    ----------
    fleet : list of AlikeMeters
        From `alike_meters`, at the point of the sitting.
    biases, resolution
        As for `log_evidence`.
    """
    found: dict[str, float] = {}
    for alike in fleet:
        one = alike.expected
        step = resolution or one.bins.resolution
        offset = np.asarray(biases, dtype=np.float64)[:, None] - one.levels
        total = np.zeros(len(alike.names))
        for kind, noise in enumerate(one.noise):
            each = cell_probability(offset, resolution=step, sd=float(noise))
            total += alike.masses[:, kind] @ each.prod(axis=0)
        logs = np.log(total, out=np.full(total.size, _LEAST), where=total > 0)
        found |= dict(zip(alike.names, logs.tolist(), strict=True))
    return found


@dataclass(frozen=True, slots=True)
class Slip:
    """One slip that may explain readings.

    Attributes
    ----------
    kind : str
        A key of `PRIORS`.
    at : int or None
        Position of the reading that it concerns, None for all of them.
    meant : array, shape (readings,)
        What the dial would have shown, % air.
    about : float or str or None
        The point or the meter that was meant, None for other slips.
    log_evidence : float
        Log probability of the readings under it.
    """

    kind: str
    at: int | None
    meant: Floats
    about: float | str | None
    log_evidence: float


@dataclass(frozen=True, slots=True)
class SlipPosterior:
    """The best slip of a sitting or visit, None where none was weighed.

    Attributes
    ----------
    slip : Slip or None
        The likeliest.
    log_bayes_factor : float
        Log of its evidence over that of the readings as they stand.
    probability : float
        Posterior probability of it.
    log_total : float
        Log evidence of the readings, everything that may be behind them taken together.
    """

    slip: Slip | None
    log_bayes_factor: float
    probability: float
    log_total: float


def log_changed(biases: Floats, *, resolution: float, noise: float) -> float:
    """Return the log probability of the readings of a meter that has changed unforeseeably."""
    values = np.asarray(biases, dtype=np.float64)
    wide = max(CHANGED_SCATTER) * noise
    levels = np.linspace(values.min() - 5 * wide, values.max() + 5 * wide, _STEPS)
    scaled = levels / CHANGED_SCALE
    weights = (levels[1] - levels[0]) / (np.pi * CHANGED_SCALE * (1 + scaled**2))
    weights = np.where(np.abs(levels) <= CHANGED_MOST, weights, 0.0)
    total = 0.0
    for scatter in CHANGED_SCATTER:
        each = cell_probability(values[:, None] - levels, resolution=resolution, sd=scatter * noise)
        total += float(weights @ each.prod(axis=0)) / len(CHANGED_SCATTER)
    return float(np.log(total)) if total > 0 else _LEAST


def sitting_slips(
    expected: Expected,
    readings: Floats,
    *,
    correct: float,
    others: dict[float, tuple[Expected, float]],
    resolution: float | None = None,
) -> list[Slip]:
    """Return the slips that may be behind the readings of one sitting.

    Parameters
    ----------
    expected : Expected
        Of the series they are written down for.
    readings : array, shape (readings,)
        What is written down, % air.
    correct : float
        Correct air content of the point, % air.
    others : dict of float to Expected and float
        The meter's other points, with their correct air contents.
    resolution : float, optional
        As for `log_evidence`.
    """
    values = np.asarray(readings, dtype=np.float64)
    slips = []
    for kind, changed in (("sign", -values), ("decimal", values * 10), ("decimal", values / 10)):
        spots: list[int | None] = [None] if values.size == 1 else [None, *range(values.size)]
        for at in spots:
            meant = values.copy()
            where = slice(None) if at is None else at
            meant[where] = changed[where]
            if np.array_equal(meant, values):
                continue
            found = log_evidence(expected, meant - correct, resolution=resolution)
            # The share of a kind is spread over the readings that it may concern.
            spread = np.log(len(spots) * (2 if kind == "decimal" else 1))
            slips.append(Slip(kind, at, meant, None, found - spread))
    for point, (other, other_correct) in others.items():
        found = log_evidence(other, values - other_correct, resolution=resolution)
        slips.append(Slip("wrong_point", None, values, point, found - np.log(len(others))))
    return slips


def log_spoilt(expected: Expected, biases: Floats, *, resolution: float | None = None) -> float:
    """Return the log probability of readings of which one, or all, are spoilt and say nothing."""
    values = np.asarray(biases, dtype=np.float64)
    anything = float(np.log((resolution or expected.bins.resolution) / SPOILT_SPAN))
    logs = [values.size * anything]
    if values.size > 1:
        logs += [
            anything + log_evidence(expected, np.delete(values, at), resolution=resolution)
            for at in range(values.size)
        ]
    return float(logsumexp(logs) - np.log(len(logs)))


def slip_posterior(
    slips: list[Slip], *, as_read: float, changed: float, spoilt: float
) -> SlipPosterior:
    """Weigh slips against readings as they stand.

    Parameters
    ----------
    slips : list of Slip
        What may be behind them.
    as_read, changed, spoilt : float
        Log evidence of the readings under the forecast, of a changed meter and of spoilt entries.
    """
    stands = float(
        np.logaddexp(np.log(1 - CHANGED_SHARE) + as_read, np.log(CHANGED_SHARE) + changed)
    )
    honest = np.log(1 - SPOILT_SHARE - sum(PRIORS.values())) + stands
    weights = np.array([np.log(PRIORS[slip.kind]) + slip.log_evidence for slip in slips])
    total = float(logsumexp([*weights, honest, np.log(SPOILT_SHARE) + spoilt]))
    if not slips:
        return SlipPosterior(None, 0.0, 0.0, total)
    best = int(np.argmax(weights))
    return SlipPosterior(
        slip=slips[best],
        log_bayes_factor=slips[best].log_evidence - stands,
        probability=float(np.exp(weights[best] - total)),
        log_total=total,
    )


def wrong_meter_posterior(own: float, others: dict[str, float]) -> SlipPosterior:
    """Weigh that a whole visit was written down under another meter's name.

    Parameters
    ----------
    own : float
        Log evidence of the visit's readings for the meter named, from `Weighed.log_total`.
    others : dict of str to float
        The same for each other meter in use, as its forecast has it.
    """
    share = np.log(max(len(others), 1))
    slips = [
        Slip("wrong_meter", None, np.empty(0), name, found - share)
        for name, found in sorted(others.items())
    ]
    return slip_posterior(slips, as_read=own, changed=own, spoilt=_LEAST)
