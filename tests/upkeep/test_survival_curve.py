"""Time in tolerance as curves over age, against hand counts and simulated lives."""

import math

import numpy as np
import polars as pl
import pytest

from drift.upkeep.reliability.censored_intervals import SPELLS
from drift.upkeep.reliability.survival_curve import CURVE, survival_curve


def held(*rows: tuple[str, float, float | None]) -> pl.DataFrame:
    """Return spells of meters: the bounds of their lengths, the upper one null while they last."""
    return pl.DataFrame(
        [
            {"unit": meter, "meter_id": meter, "lower_days": low, "upper_days": high}
            | {"start_t_years": 20.0, "starts": "first_visit"}
            | {"ends": "still_in" if high is None else "found_out"}
            for meter, low, high in rows
        ],
        schema=SPELLS,
    )


def at(curve: pl.DataFrame, days: float) -> dict[str, float]:
    return curve.row(by_predicate=pl.col("days") == days, named=True)


def test_four_spells_by_hand() -> None:
    """One of four ended in (91, 182], the others last to 300: 1 before, ¾ after, open between.

    So few meters are given the exact lower limit of 3 of 4, 0.194120 by SciPy's binomtest.
    """
    curve = survival_curve(
        held(("A", 91, 182), ("B", 300, None), ("C", 300, None), ("D", 300, None)),
        at_days=120.0,
        longest_days=1826.0,
    )
    assert curve.schema == pl.Schema(CURVE)
    assert curve["days"].is_sorted()
    assert (at(curve, 91.0)["lowest"], at(curve, 182.0)["highest"]) == pytest.approx((1.0, 0.75))
    assert at(curve, 182.0)["low"] == pytest.approx(0.194120, abs=5e-6)
    between = at(curve, 120.0)
    assert (between["lowest"], between["highest"]) == pytest.approx((0.75, 1.0))
    assert curve["days"].max() == 300.0
    assert curve["weibull"].null_count() == curve.height  # one end shows no law


def test_where_nothing_ended_the_band_is_what_so_many_prove() -> None:
    """Eight spells of 200 days, none ended: 0.05 to the power 1/8 = 0.6877, not certainty."""
    curve = survival_curve(
        held(*((f"M{number}", 200.0, None) for number in range(8))),
        at_days=91.0,
        longest_days=1826.0,
    )
    row = at(curve, 91.0)
    assert (row["lowest"], row["high"]) == (1.0, 1.0)
    assert row["low"] == pytest.approx(0.05 ** (1 / 8))
    assert at(curve, 0.0)["low"] == 1.0


def test_the_curve_follows_the_lives_that_were_drawn() -> None:
    """300 lives by a Weibull law of shape 2 and scale 500, checked every 91 days."""
    rng = np.random.default_rng(8)
    lives = 500.0 * rng.weibull(2.0, 300)
    checks = np.floor(lives / 91.0) * 91.0
    rows = [
        (f"M{number}", float(low), float(low) + 91.0 if low < 728 else None)
        for number, low in enumerate(checks)
    ]
    curve = survival_curve(held(*rows), at_days=91.0, longest_days=1826.0)
    for days in (182.0, 364.0, 546.0):
        truth = math.exp(-((days / 500.0) ** 2))
        row = at(curve, days)
        assert row["low"] < truth < row["high"]
        assert row["lowest"] == pytest.approx(truth, abs=0.06)
        assert row["weibull"] == pytest.approx(truth, abs=0.05)


def test_one_meter_drawn_again_is_no_certainty() -> None:
    """One meter out at its first check: what is left of one spell is anything up to 97.5 %."""
    curve = survival_curve(held(("A", 0, 91)), at_days=91.0, longest_days=1826.0)
    row = at(curve, 91.0)
    assert (row["low"], row["high"]) == pytest.approx((0.0, 0.975))


def test_no_spell_gives_no_curve_and_none_goes_past_the_longest() -> None:
    """Nothing known is no row; ages end at the longest that is worked out."""
    nothing = survival_curve(held(), at_days=91.0, longest_days=1826.0)
    assert nothing.is_empty()
    long = survival_curve(held(("A", 4000.0, None)), at_days=91.0, longest_days=1826.0)
    assert long["days"].max() == 1826.0
