"""Patterns of faults over the points: against known truth, and against a library's fits."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.regression.linear_model import WLS

from drift.meter.causes import NOTHING
from drift.meter.fault_pattern import (
    PATTERNED,
    FaultPattern,
    best_amplitude,
    fitted_curve,
    growth_of,
    pattern_of,
    pattern_of_biases,
    pattern_of_drifts,
    weigh_drift_pattern,
)

AIR = (0.0, 5.0, 10.0)
ERRORS = (0.012, 0.014, 0.02)
FLEET = (0.005, 0.006)


def _pattern(drifts: np.ndarray) -> FaultPattern:
    low = [value - 1.96 * error for value, error in zip(drifts, ERRORS, strict=True)]
    high = [value + 1.96 * error for value, error in zip(drifts, ERRORS, strict=True)]
    return pattern_of_drifts(list(zip(AIR, drifts.tolist(), low, high, strict=True)))


def test_errors_are_those_of_the_intervals() -> None:
    """An interval of 1.96 standard errors to each side gives them back."""
    assert _pattern(np.zeros(3)).errors == pytest.approx(ERRORS, rel=1e-4)


def test_probabilities_come_true() -> None:
    """Of faults drawn as the weighing believes, those called p are there in p of the cases."""
    rng = np.random.default_rng(7)
    said, held = [], []
    for _ in range(1500):
        cause = NOTHING if rng.random() < 0.3 else str(rng.choice(PATTERNED))
        amplitude = 0.0 if cause == NOTHING else float(rng.normal(0, 0.1))
        if cause in ("leak", "chamber_water"):
            amplitude = abs(amplitude)
        if cause == "vessel_volume":
            amplitude = float(rng.normal(*FLEET))
        shape = 0.0 if cause == NOTHING else pattern_of(cause, AIR, k=5.0)
        drifts = amplitude * shape + rng.normal(0, ERRORS)
        for row in weigh_drift_pattern(_pattern(drifts), k=5.0, fleet=FLEET).to_dicts():
            said.append(row["probability"])
            held.append(row["cause"] == cause)
    probability, true = np.array(said), np.array(held)
    assert probability.sum() == pytest.approx(1500)
    for low, high in ((0.0, 0.1), (0.1, 0.3), (0.3, 0.6), (0.6, 0.9), (0.9, 1.0)):
        band = (probability >= low) & (probability <= high)
        error = np.sqrt(probability[band].mean() * (1 - probability[band].mean()) / band.sum())
        assert true[band].mean() == pytest.approx(probability[band].mean(), abs=3.5 * error + 0.005)


def test_a_creeping_hand_is_told_from_water() -> None:
    """A drift of 0, 0.1 and 0.3 % air a year has the hand's shape: nothing, one, three."""
    weighed = weigh_drift_pattern(_pattern(np.array([0.0, 0.1, 0.3])), k=5.0, fleet=FLEET)
    assert weighed["cause"][0] == "hand_shifted"
    assert weighed["amplitude"][0] == pytest.approx(0.1)


@pytest.mark.parametrize("cause", ["mark_misplaced", "hand_shifted", "vessel_volume"])
def test_amplitudes_are_the_librarys(cause: str) -> None:
    """The scale that fits best is that of weighted least squares through the origin."""
    values = np.array([0.03, 0.05, 0.12])
    shape = pattern_of(cause, AIR, k=5.0)
    fit = WLS(values, shape[:, None], weights=1 / np.square(ERRORS)).fit()
    found = best_amplitude(cause, values, ERRORS, air_pct=AIR, k=5.0)
    assert found == pytest.approx(fit.params[0])


def test_a_fault_that_reads_high_is_never_fitted_low() -> None:
    """Water in the chamber takes a reading up; low biases are not its doing."""
    assert best_amplitude("chamber_water", [0.0, -0.1, -0.2], ERRORS, air_pct=AIR, k=5.0) == 0.0


def test_means_of_biases_have_pooled_errors() -> None:
    """Spread pooled over the points, Student's interval with all their degrees of freedom."""
    rng = np.random.default_rng(3)
    biases = [(at, rng.normal(at / 100, 0.03, 4).tolist()) for at in AIR]
    pattern = pattern_of_biases(biases)
    pooled = np.sqrt(np.mean([np.var(values, ddof=1) for _, values in biases]))
    reach = stats.t.ppf(0.975, 9) * pooled / 2
    means = np.array([np.mean(values) for _, values in biases])
    assert pattern.values == pytest.approx(means)
    assert pattern.low == pytest.approx(means - reach)
    assert pattern.high == pytest.approx(means + reach)
    with pytest.raises(ValueError, match="two biases"):
        pattern_of_biases([(0.0, [0.1])])


def test_curves_grow_as_the_dial_has_it() -> None:
    """With k of 5 % air a mark grows as 1 : 2 : 3, a hand as 1 : 3, water as 1 : 2."""
    assert growth_of("mark_misplaced", k=5.0) == pytest.approx([1, 2, 3])
    assert growth_of("hand_shifted", k=5.0) == pytest.approx([1, 3])
    assert growth_of("chamber_water", k=5.0) == pytest.approx([1, 2])
    pattern = _pattern(np.array([0.0, 0.05, 0.1]))
    curve = dict(fitted_curve("chamber_water", pattern, k=5.0))
    assert [curve[at] for at in AIR] == pytest.approx([0.0, 0.05, 0.1])
    assert {bias for _, bias in fitted_curve(NOTHING, pattern, k=5.0)} == {0.0}
    assert fitted_curve("plain_drift", pattern, k=5.0) == []
