"""What a meter's bias did to field tests: arithmetic by hand and chances on simulated meters."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from drift.forecast.smooth import Hindsight
from drift.review.field_tests import FIELD_IMPACT, weigh_tests
from tests.sittings import table

DAY = date(2026, 7, 1)


def hindsight(*biases: float, points: tuple[float, ...] = (0.0, 5.0, 10.0)) -> Hindsight:
    """Return a meter whose biases at `points` are known, the same on three days."""
    bias = np.repeat(np.array(biases)[:, None], 3, axis=1)
    nothing = np.zeros_like(bias)
    return Hindsight(
        points_pct=np.array(points[: len(biases)]),
        days=[DAY + timedelta(days=10 * n) for n in range(3)],
        bias=bias,
        low=bias - 0.01,
        high=bias + 0.01,
        p_out=nothing,
        p_been_out=nothing,
        quantiles=np.repeat(bias[:, :, None], 4, axis=2),
        any_out=np.zeros(3),
        any_been_out=np.zeros(3),
    )


def made_on_site(*rows: tuple[float, float | None, float | None]) -> pl.DataFrame:
    """Return field tests of one day from reading and specification."""
    return table(
        "field_tests",
        [
            {
                "test_id": f"T{number}",
                "meter_id": "A",
                "tested_on": DAY + timedelta(days=9),
                "air_pct": air,
                "spec_min_pct": low,
                "spec_max_pct": high,
            }
            for number, (air, low, high) in enumerate(rows)
        ],
    )


def test_the_bias_lies_between_the_points_and_is_taken_off() -> None:
    """At 6 %, a fifth of the way from 5 to 10: 0.1 + 0.2·(0.2 − 0.1) = 0.12; beyond 10 as at 10."""
    made = weigh_tests(made_on_site((6.0, 4.5, 7.5), (11.5, None, None)), hindsight(0.0, 0.1, 0.2))
    assert made.schema == pl.Schema(FIELD_IMPACT)
    assert made["bias_pct"].to_list() == pytest.approx([0.12, 0.2])
    assert made["bias_low"].to_list() == pytest.approx([0.11, 0.19])
    assert made["corrected_air_pct"].to_list() == pytest.approx([5.88, 11.3])
    # Readings to a half: rectangular, 0.5/√12 (GUM 4.3.7), and no more where the bias is known.
    assert made["u_corrected_pct"].to_list() == pytest.approx([0.5 / 12**0.5] * 2)
    assert made["verdict"].to_list() == ["pass", "no specification"]
    assert made["p_verdict_wrong"][1] is None


@pytest.mark.parametrize(
    ("air", "bias", "verdict", "chance"),
    [
        # 4.5 read is 4.45 to 4.55; less 0.1 it would be read as 4.4 by all of them.
        (4.5, 0.1, "pass", 1.0),
        (4.5, 0.0, "pass", 0.0),
        # Less 0.025, a quarter of what 4.5 may stand for falls below 4.45.
        (4.5, 0.025, "pass", 0.25),
        (7.6, 0.075, "fail", 0.75),
        (7.6, 0.2, "fail", 1.0),
        (6.0, 0.1, "pass", 0.0),
    ],
)
def test_the_chance_of_the_other_verdict(
    air: float, bias: float, verdict: str, chance: float
) -> None:
    """A reading to a tenth lay anywhere within it; the limits themselves pass."""
    rows = made_on_site((air, 4.5, 7.5), (6.1, 4.5, 7.5))
    made = weigh_tests(rows, hindsight(bias, bias, bias)).row(0, named=True)
    assert made["verdict"] == verdict
    assert made["p_verdict_wrong"] == pytest.approx(chance, abs=1e-9)


def test_one_sided_specifications_and_one_point() -> None:
    """A missing limit is none; a meter with one point has its bias everywhere."""
    rows = made_on_site((4.4, 4.5, None), (7.6, None, 7.5), (9.9, 4.5, None))
    made = weigh_tests(rows, hindsight(0.05))
    assert made["verdict"].to_list() == ["fail", "fail", "pass"]
    assert made["bias_pct"].to_list() == pytest.approx([0.05] * 3)


def test_without_a_path_nothing_is_said_of_a_bias() -> None:
    """The verdict stands; all else is not known."""
    empty = hindsight()
    made = weigh_tests(made_on_site((4.4, 4.5, 7.5)), empty).row(0, named=True)
    assert made["verdict"] == "fail"
    for name in ("bias_pct", "bias_low", "corrected_air_pct", "u_corrected_pct"):
        assert made[name] is None
    assert made["p_verdict_wrong"] is None
    assert weigh_tests(made_on_site(), empty).schema == pl.Schema(FIELD_IMPACT)
