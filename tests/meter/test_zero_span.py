"""Zero and span: exact by the law of the dial, and as sure as they say on rounded dials."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from drift.meter.dial import DIALS, bias_of_mark
from drift.meter.ledger import LEDGER
from drift.meter.zero_span import ZERO_SPAN, zero_and_span
from tests.meter.dial_physics import bias_of_chamber_water, bias_of_hand

K, SIGMA = 5.0, 0.02


def ledger_of(biases: np.ndarray, points: list[float], **columns: object) -> pl.DataFrame:
    """Return the ledger of a meter whose visits, rows, found these biases at points, columns."""
    rows = [
        {
            "series": place,
            "meter_id": "M",
            "point_pct": point,
            "visit": number + 1,
            "visit_id": f"{number:05}",
            "performed_on": date(2020, 1, 1) + timedelta(days=90 * number),
            "t_years": 20 + number / 4,
            "correct_air_pct": point,
            "as_found_bias_pct": float(found[place]),
            "as_found_replicates": 1,
            "left_bias_pct": float(found[place]),
            "adjusted": False,
            "evidence_lost": False,
            "gauge": 1,
        }
        | columns
        for number, found in enumerate(biases)
        for place, point in enumerate(points)
    ]
    return pl.DataFrame([{name: row.get(name) for name in LEDGER} for row in rows], schema=LEDGER)


def split(ledger: pl.DataFrame, *, k_sd: float = 0.0) -> dict[str, pl.DataFrame]:
    """Return zero and span of a ledger."""
    dial = pl.DataFrame({"meter_id": ["M"], "k": [K], "k_sd": [k_sd]})
    found = zero_and_span(
        ledger,
        dials=dial.with_columns(initial_pressure_kpa=pl.lit(None)).cast(DIALS),  # type: ignore[arg-type]  # names to types
        repeatability=pl.DataFrame({"meter_id": ["M"], "repeatability_pct": [SIGMA]}),
    )
    assert found.schema == ZERO_SPAN
    return {part: found.filter(pl.col("part") == part) for part in ("zero", "span")}


POINTS = [0.0, 5.0, 10.0]


@pytest.mark.parametrize("points", [POINTS, [5.0, 10.0], [4.2, 6.8, 9.7], [0.0, 9.0]])
def test_a_mark_moves_the_zero_alone(points: list[float]) -> None:
    """By Boyle's law a wrong mark is all zero, whichever points were read."""
    found = split(ledger_of(bias_of_mark(-0.01, air_pct=[points], k=K), points))
    assert found["zero"]["found_pct"][0] == pytest.approx(0.01 / 0.99 * K, abs=1e-9)
    assert found["span"]["found_pct"][0] == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("points", [POINTS, [5.0, 10.0]])
def test_water_moves_the_span_alone(points: list[float]) -> None:
    """By Boyle's law water in the chamber is all span, stated at 10 %."""
    found = split(ledger_of(bias_of_chamber_water(0.01, air_pct=[points]), points))
    assert found["zero"]["found_pct"][0] == pytest.approx(0, abs=1e-9)
    assert found["span"]["found_pct"][0] == pytest.approx(0.1 / 0.99, abs=1e-9)


def test_a_shifted_hand_leaves_a_zero_that_was_read() -> None:
    """Its bias is none at 0 % and no straight line: the zero that was read stays what it is."""
    shift = bias_of_hand(-0.002, air_pct=[POINTS], k=K)
    found = split(ledger_of(shift, POINTS))
    assert found["zero"]["found_pct"][0] == pytest.approx(0, abs=1e-12)
    assert found["span"]["found_pct"][0] == pytest.approx(float(shift[0, 2]), rel=0.15)


@pytest.mark.parametrize(
    ("points", "told"), [([0.0], {"zero"}), ([5.0], set()), ([4.9, 6.1], set()), ([0.0, 5.0], None)]
)
def test_what_too_few_points_tell(points: list[float], told: set[str] | None) -> None:
    """A zero by itself is a zero; one span point, or two near each other, are neither."""
    found = split(ledger_of(np.full((2, len(points)), 0.05), points))
    expected = {"zero", "span"} if told is None else told
    assert {part for part, rows in found.items() if rows.height} == expected


def test_an_unknown_chamber_makes_the_span_of_a_zero_unsure() -> None:
    """What the chamber scale may be off by tells in the span as the zero is large: 10·z·sd/k²."""
    found = split(ledger_of(np.full((1, 3), 0.05), POINTS), k_sd=1.25)
    assert found["span"]["law_se_pct"][0] == pytest.approx(10 * 0.05 * 1.25 / K**2)
    assert found["zero"]["law_se_pct"][0] == 0


def test_adjustments_are_taken_out_of_the_path() -> None:
    """Each visit is left at nothing and found 0.02 higher: it would have gone all that way."""
    ledger = ledger_of(np.full((4, 3), 0.02), POINTS, as_left_bias_pct=0.0, left_bias_pct=0.0)
    zero = split(ledger)["zero"]
    assert zero["path_pct"].to_list() == pytest.approx([0.02, 0.04, 0.06, 0.08])
    assert zero["anew"].to_list() == [False, True, True, True]


@pytest.mark.parametrize("replicates", [1, 3])
@pytest.mark.parametrize("step", [0.05, 0.1])
@pytest.mark.parametrize("points", [POINTS, [5.0, 10.0]])
def test_intervals_hold_the_truth_on_rounded_dials(
    points: list[float], step: float, replicates: int
) -> None:
    """Of 3,000 visits of known zero and span 95 % intervals hold each in 93 to 99.5 %."""
    rng = np.random.default_rng(7)
    visits = 3000
    zero, span = rng.uniform(-0.1, 0.1, (2, visits, 1))
    air = np.array(points)
    true = zero * (1 + air / K) + span * air / 10
    read = (true + air)[..., None] + rng.normal(0, SIGMA, (visits, len(points), replicates))
    biases = (np.round(read / step) * step).mean(axis=2) - air
    found = split(ledger_of(biases, points, resolution_pct=step, as_found_replicates=replicates))
    for part, truth in (("zero", zero), ("span", span)):
        apart = np.abs(found[part]["found_pct"].to_numpy() - truth[:, 0])
        held = np.mean(apart <= 1.96 * found[part]["se_pct"].to_numpy())
        assert 0.93 <= held <= 0.995, (part, held)
