"""What the dial shows when something is off."""

import numpy as np
import pytest

from drift.meter.dial import (
    bias_of_mark,
    chamber_scale,
    pressure_error_of_move,
    shape_of_hand,
    shape_of_mark,
    shape_of_volume,
)
from tests.meter.dial_physics import (
    air_shown,
    bias_of_chamber_water,
    bias_of_hand,
    bias_of_vessel,
    pressure_after,
)

K = 5.0
AIR = np.array([0.0, 5.0, 10.0])


def test_pressure_after_release() -> None:
    """Boyle: 15 psi, 0.36 L chamber, 7.07 L bowl at 0, 5, 10 % air (worked from the gas law)."""
    k = float(chamber_scale(0.36 / 7.07))
    after = pressure_after(15.0, air_pct=AIR, k=k)
    np.testing.assert_allclose(after, [15.0, 7.56833, 5.06092], atol=5e-6)
    np.testing.assert_allclose(air_shown(after, nominal_pressure=15.0, k=k), AIR, atol=1e-12)


def test_bias_of_a_mark_one_per_cent_high() -> None:
    """ε = +1 %, Vc/Vb = 0.36/7.07: −0.050415, −0.099920, −0.149425 % air (from the gas law)."""
    k = float(chamber_scale(0.36 / 7.07))
    bias = bias_of_mark(0.01, air_pct=AIR, k=k)
    np.testing.assert_allclose(bias, [-0.050415, -0.099920, -0.149425], atol=5e-7)


@pytest.mark.parametrize("pressure", [100.0, 14.7])
def test_every_bias_follows_from_pressures(pressure: float) -> None:
    """Each formula equals a walk through the pressures: set the hand, release, read the dial."""
    after = pressure_after(pressure * 1.02, air_pct=AIR, k=K)
    shown = air_shown(after, nominal_pressure=pressure, k=K)
    np.testing.assert_allclose(bias_of_mark(0.02, air_pct=AIR, k=K), shown - AIR, atol=1e-12)
    off = 0.01 * pressure  # the hand shows this much too high, when set and when read
    after = pressure_after(pressure - off, air_pct=AIR, k=K) + off
    shown = air_shown(after, nominal_pressure=pressure, k=K)
    np.testing.assert_allclose(bias_of_hand(0.01, air_pct=AIR, k=K), shown - AIR, atol=1e-12)
    after = pressure_after(pressure, air_pct=AIR, k=K * (1 - 0.03))
    shown = air_shown(after, nominal_pressure=pressure, k=K)
    np.testing.assert_allclose(bias_of_chamber_water(0.03, air_pct=AIR), shown - AIR, atol=1e-12)
    after = pressure_after(pressure, air_pct=AIR * 1.02, k=K)
    shown = air_shown(after, nominal_pressure=pressure, k=K)
    np.testing.assert_allclose(bias_of_vessel(0.02, air_pct=AIR), shown - AIR, atol=1e-12)


def test_gain_of_the_dial_cancels() -> None:
    """A dial that shows 3 % more of any pressure is set and read alike, and shows no bias."""
    after = pressure_after(100.0 / 1.03, air_pct=AIR, k=K) * 1.03
    np.testing.assert_allclose(air_shown(after, nominal_pressure=100.0, k=K), AIR, atol=1e-12)


def test_shapes_are_the_small_biases() -> None:
    """Each shape is 1 at 5 % air and the limit of its bias; ratios 10:5 are 1.5, 3 and 2 at k 5."""
    small = 1e-6
    for bias, shape in (
        (bias_of_mark(small, air_pct=AIR, k=K), shape_of_mark(AIR, k=K)),
        (bias_of_hand(small, air_pct=AIR, k=K), shape_of_hand(AIR, k=K)),
        (bias_of_chamber_water(small, air_pct=AIR), shape_of_volume(AIR)),
        (bias_of_vessel(small, air_pct=AIR), shape_of_volume(AIR)),
    ):
        np.testing.assert_allclose(bias / bias[1], shape, atol=1e-5)
    np.testing.assert_allclose(shape_of_mark(AIR, k=K), [0.5, 1, 1.5])
    np.testing.assert_allclose(shape_of_hand(AIR, k=K), [0, 1, 3])


def test_moving_the_mark_changes_the_pressure_as_the_dial_says() -> None:
    """The graduations −3.0 and −3.2 stand at pressures k/(k−3) and k/(k−3.2) of the nominal."""
    error = pressure_error_of_move(-3.0, -3.2, k=K)
    assert error == pytest.approx((K / (K - 3.2)) / (K / (K - 3.0)) - 1)
    assert bias_of_mark(error, air_pct=5.0, k=K) < 0  # pumped higher, the dial reads lower
