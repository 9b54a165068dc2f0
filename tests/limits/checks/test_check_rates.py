"""How often checks signal falsely, and how soon rightly: simulated, from written files."""

import pytest

from tests.benchmarks.checks_truth import growing, signalled

# False signals a check of two charts whose centre and spread are known: an EWMA of weight 0.2 and 3
# sigma has an average run of about 560 checks, a CUSUM of 0.5 and 5 of 465 (Lucas and Saccucci
# 1990; e-Handbook 6.3.2.3; both in `tests/limits/test_run_length.py`).
NOMINAL = 1 / 560 + 1 / 465


@pytest.mark.parametrize("step", [0.05, 0.1])
def test_sound_checks_seldom_signal(step: float) -> None:
    """Of 40 meters that stay as they are, with four simulation errors of room."""
    found = signalled(meters=40, step=step)
    assert found.rate <= NOMINAL + 4 * (NOMINAL / (40 * 40)) ** 0.5


@pytest.mark.parametrize(
    ("kind", "unit", "sigma", "step", "by"),
    [("zero", "", 0.03, 0.05, 0.01), ("leak", "kPa", 0.1, 0.1, 0.05)],
)
def test_what_grows_is_found(kind: str, unit: str, sigma: float, step: float, by: float) -> None:
    """A zero that walks, a leak that grows: nearly all of 30 meters, within 28 checks."""
    found = signalled(growing(by), meters=30, kind=kind, unit=unit, sigma=sigma, step=step)
    assert found.share > 0.9
    assert found.median < 15


@pytest.mark.long
@pytest.mark.parametrize("step", [0.05, 0.1, None])
def test_the_rate_of_false_signals_is_kept(step: float | None) -> None:
    """Of 1,000 meters, whatever the step of the dial: not above nominal beyond simulation error."""
    found = signalled(meters=1000, step=step, seed=3)
    assert found.rate <= NOMINAL + 3 * found.rate_error
