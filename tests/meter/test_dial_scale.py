"""Chamber scales on record, and from what mark moves did."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from scipy.integrate import quad

from drift.meter.dial import DIALS, USUAL_SCALE, USUAL_SCALE_LOG_SD, dials_of, estimate_scales
from drift.meter.ledger import build_ledger
from tests.sittings import START, sessions, sitting, table

AIR = np.array([0.0, 5.0, 10.0])
NOISE = 0.02


def _moves(k: float, *, moves: int, seed: int = 5, meter: str = "A") -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    size = rng.normal(0, 0.02, (moves, 1))
    change = size * (AIR + k) + rng.normal(0, NOISE, (moves, 3))
    return pl.DataFrame(
        {
            "meter_id": meter,
            "visit_id": [str(move) for move in range(moves) for _ in AIR],
            "correct_air_pct": np.tile(AIR, moves),
            "change": change.ravel(),
            "sd": NOISE,
        }
    )


def test_scale_is_recovered_from_mark_moves() -> None:
    """With planted k, 30 moves give it back within its stated uncertainty, better than before."""
    planted = {"four": 4.0, "five": 5.0, "six and a half": 6.5}
    found = estimate_scales(
        pl.concat([_moves(k, moves=30, meter=name) for name, k in planted.items()])
    )
    for name, k in planted.items():
        row = found.filter(pl.col("meter_id") == name).row(0, named=True)
        assert row["estimate_sd"] < 0.25 * USUAL_SCALE / 1.5
        assert abs(row["estimate"] - k) < 3 * row["estimate_sd"]


def test_posterior_equals_its_integral() -> None:
    """Mean of the posterior by adaptive quadrature over log k, each move's size integrated out."""
    moves = _moves(6.0, moves=4)
    change = moves["change"].to_numpy().reshape(-1, 3)

    def density(log_k: float) -> float:
        shape = AIR + np.exp(log_k)
        inner = (shape**2).sum() / NOISE**2
        cross = (change * shape).sum(axis=1) / NOISE**2
        width = (np.exp(log_k) + 5) / np.sqrt(inner)
        prior = np.exp(-((log_k - np.log(USUAL_SCALE)) ** 2) / 2 / USUAL_SCALE_LOG_SD**2)
        likelihood = np.exp(cross**2 / inner / 2 - (change**2).sum(axis=1) / NOISE**2 / 2)
        return float(prior * np.prod(width * likelihood))

    total = quad(density, 0, np.log(25))[0]
    mean = quad(lambda log_k: np.exp(log_k) * density(log_k), 0, np.log(25))[0] / total
    assert estimate_scales(moves)["estimate"][0] == pytest.approx(mean, rel=1e-3)


def test_a_move_read_at_one_point_says_nothing() -> None:
    """One point has no proportion: the usual scale with its uncertainty is left."""
    one = estimate_scales(_moves(9.0, moves=20).filter(pl.col("correct_air_pct") == 5.0))
    assert one["estimate"][0] == pytest.approx(USUAL_SCALE, rel=0.05)
    assert one["estimate_sd"][0] == pytest.approx(0.25 * USUAL_SCALE, rel=0.15)
    assert estimate_scales(_moves(9.0, moves=20).clear()).is_empty()


def test_record_before_moves_before_the_usual() -> None:
    """A ratio on record counts; else moves of the mark alone; a hand reset that day counts not."""
    rows = []
    for day in range(0, 60, 2):
        size = 0.015 * (1 if day % 4 else -1)
        for meter in ("recorded", "moved", "both", "still"):
            for point in AIR.tolist():
                rows.append(sitting(day, [0.0] * 2, meter=meter, point=point, resolution=0.001))
                if meter != "still":
                    left = [size * (point + 7.0)] * 2
                    rows.append(
                        sitting(
                            day, left, stage="as_left", meter=meter, point=point, resolution=0.001
                        )
                    )
    days = [START + timedelta(days=day) for day in range(0, 60, 2)]

    def work(meters: tuple[str, ...], action: str) -> list[dict[str, object]]:
        return [
            {"meter_id": meter, "performed_on": on, "action": action, "mark": 0.0}
            for meter in meters
            for on in days
        ]

    marks = table("marks", work(("recorded", "moved", "both"), "moved"))
    service = table("service", work(("both",), "hand_reset"))
    meters = table("meters", [{"meter_id": "recorded", "chamber_bowl_ratio": 0.055}])
    seen = sessions(rows)
    ledger = build_ledger(seen, marks=marks, service=service, meters=meters, resolution_pct=0.1)
    dials = dials_of(meters, ledger, marks=marks, service=service, repeatability=0.02)
    assert dials.schema == pl.Schema(DIALS)
    k = dict(dials.select("meter_id", "k").iter_rows())
    assert k["recorded"] == pytest.approx(5.5)
    assert k["moved"] == pytest.approx(7.0, rel=0.05)
    assert k["both"] == k["still"] == USUAL_SCALE
