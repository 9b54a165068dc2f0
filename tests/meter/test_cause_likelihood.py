"""Evidences of causes against densities of whole segments, one by one."""

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import multivariate_normal, norm

from drift.arrays import Floats
from drift.meter import cause_likelihood as likelihood
from drift.meter.cause_likelihood import Case, log_evidences
from drift.meter.dial import shape_of_hand, shape_of_volume


def _case(seed: int) -> Case:
    """Return a segment of four visits, the last with fewer points and adjusted."""
    chance = np.random.default_rng(seed)
    visit = np.repeat([0, 1, 2, 3], [3, 3, 3, 4])
    air = np.array([0, 5, 10.0] * 3 + [0, 0, 5, 5])
    count = len(visit)
    replicates = chance.integers(1, 4, count).astype(float)
    adjusted = np.array([False] * 9 + [False, True, False, True])
    return Case(
        bias=chance.normal(0.05, 0.05, count),
        air=air,
        elapsed=visit / 3,
        replicates=replicates,
        scatter=(replicates > 1) * chance.uniform(0, 1e-3, count),
        point=(air / 5).astype(np.int64),
        visit=visit,
        dried=adjusted & (air > 0),
        sealed=adjusted,
        mark_moved=adjusted,
        hand_reset=adjusted & (air > 0),
        mark_worth=np.where(adjusted, 0.1, np.nan),
        resolution=np.full(count, 0.05),
        repeatability=0.02,
        scale=5.0,
        scale_sd=0.2,
        common=np.where(visit > 1, 0.04, 0.0),
        common_error=np.where(visit > 1, 0.02, 0.0),
        common_base=0.1,
    )


def _log_density(
    case: Case, values: Floats, *, each: Floats, columns: Floats, mark: Floats
) -> tuple[float, Floats]:
    """Return the log density of readings and replicates, and the covariance of the readings."""
    same = case.visit[:, None] == case.visit
    setting = likelihood._SETTING * mark
    covariance = np.diag(each / case.replicates) + same * np.outer(setting, setting)
    covariance += columns @ columns.T
    within = ((case.replicates - 1) * np.log(each) + case.scatter / each).sum()
    density = multivariate_normal(cov=covariance).logpdf(values)
    return float(density - within / 2), covariance


def _plainly(case: Case) -> dict[str, float]:
    """Return the log evidences of some causes by dense covariances, cell by cell of the grid."""
    grid = likelihood._grid(case)
    logs: dict[str, list[float]] = {"hand": [], "water": [], "leak": [], "drift": [], "nothing": []}
    visits = 4
    prior = np.log([0.5] + [0.5 / (visits - 1)] * (visits - 1))
    scales = case.scale * np.exp(case.scale_sd / case.scale * likelihood._NODES)
    volume = shape_of_volume(case.air)
    for (k, f), weight in np.ndenumerate(grid.log_weights):
        mark, noise, rest = grid.mark[k], grid.noise[f], grid.columns[k, f]
        values, hand = grid.values[k], shape_of_hand(case.air, k=scales[k])

        def density(
            left: Floats,
            *,
            own: Floats,
            each: Floats = noise,
            rest: Floats = rest,
            mark: Floats = mark,
        ) -> tuple[float, Floats]:
            columns = np.column_stack([own, rest])
            return _log_density(case, left, each=each, columns=columns, mark=mark)

        none = np.zeros((len(case.bias), 0))
        logs["nothing"].append(weight + density(values + case.common * volume, own=none)[0])
        points = np.eye(3)[case.point] * likelihood._DRIFT_APART
        shapes = [np.ones_like(mark) * likelihood._DRIFT_ALIKE, mark * likelihood._DRIFT_ALIKE]
        shapes += [hand * likelihood._DRIFT_OF_HAND, *points.T]
        drift = np.column_stack(shapes) * case.elapsed[:, None]
        logs["drift"].append(weight + density(values, own=drift)[0])
        for onset in range(visits):
            since = case.visit >= onset
            moved = likelihood._AMPLITUDE * hand * since
            logs["hand"].append(weight + prior[onset] + density(values, own=moved)[0])
            water = likelihood._AMPLITUDE * volume * (since & ~case.dried)
            log, covariance = density(values, own=water)
            solved = np.linalg.solve(covariance, np.column_stack([values, water]))
            mean, variance = water @ solved[:, 0], 1 - water @ solved[:, 1]
            positive = np.log(2) + norm.logcdf(mean / np.sqrt(variance))
            logs["water"].append(weight + prior[onset] + log + positive)
            for leak, of_leak in zip(
                likelihood._LEAKS, np.log(likelihood._LEAK_WEIGHTS), strict=True
            ):
                strength = likelihood._AMPLITUDE * leak * mark * (since & ~case.sealed)
                log, _ = density(
                    values - np.sqrt(2 / np.pi) * strength,
                    own=none,
                    each=noise + (1 - 2 / np.pi) * strength**2,
                )
                logs["leak"].append(weight + prior[onset] + of_leak + log)
    return {name: float(logsumexp(each)) for name, each in logs.items()}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_evidences_are_those_of_dense_covariances(seed: int) -> None:
    case = _case(seed)
    found, plain = log_evidences(case), _plainly(case)
    names = {
        "hand_shifted": "hand",
        "chamber_water": "water",
        "leak": "leak",
        "plain_drift": "drift",
    }
    for name, short in names.items():
        assert found[name] - found["nothing"] == pytest.approx(
            plain[short] - plain["nothing"], abs=1e-8
        )
