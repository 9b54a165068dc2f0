"""Drawn cases of the bench, for the Python rules and for those of the page."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from drift.meter.bench_rules import (
    FAULTS,
    GRADUATION,
    LEAK_ERRATIC,
    LEAK_SPREAD,
    NODES,
    SPREADS,
    BenchDial,
    BenchPoint,
)

UNITS = ("dial_pct", "kpa", "psi")


@dataclass(frozen=True, slots=True)
class Case:
    """One drawn visit."""

    points: tuple[BenchPoint, ...]
    dial: BenchDial
    set_step: float
    readings: tuple[float, ...]
    correct: float
    stage: str
    tolerance: float
    comparison: str


def draw_cases(count: int, *, seed: int) -> list[Case]:
    """Draw visits of every kind: one to four points and readings, dials of three steps."""
    rng = np.random.default_rng(seed)
    return [_case(rng) for _ in range(count)]


def _case(rng: np.random.Generator) -> Case:
    step = float(rng.choice([0.05, 0.1, 0.01]))
    airs = [0.0, round(float(rng.uniform(4, 6)), 2), round(float(rng.uniform(9, 11)), 2)]
    chosen = airs if rng.random() < 0.7 else [a for a in airs if rng.random() < 0.6] or [0.0]
    size = float(rng.choice([0.0, 0.1, 0.5]))
    slope, scatter = rng.normal(0, size, 2), float(rng.choice([0.01, 0.03, 0.15]))
    points = tuple(
        BenchPoint(
            air,
            tuple(
                round(round((air + level + rng.normal(0, scatter)) / step) * step - air, 9)
                for _ in range(int(rng.integers(1, 5)))
            ),
            step,
        )
        for air in chosen
        for level in [slope[0] + slope[1] * air / 10]
    )
    unit = str(rng.choice(UNITS, p=[0.6, 0.2, 0.2]))
    mark = round(float(rng.uniform(-0.6, 0.3) if unit == "dial_pct" else rng.uniform(7, 110)), 2)
    k = float(rng.uniform(2.5, 9))
    dial = BenchDial(
        k=k,
        k_sd=k * float(rng.choice([0.02, 0.25])),
        repeatability=float(rng.uniform(0.008, 0.06)),
        mark=None if rng.random() < 0.03 else mark,
        mark_unit=unit,
    )
    correct = round(float(rng.choice([0.0, 4.99, 9.97, 5.013])), 3)
    readings = tuple(
        round(correct + round(float(rng.normal(0, 0.08)) / 0.05) * 0.05, 3)
        for _ in range(int(rng.integers(1, 5)))
    )
    return Case(
        points=points,
        dial=dial,
        set_step=step if unit == "dial_pct" else 0.1,
        readings=readings,
        correct=correct,
        stage=str(rng.choice(["as_found", "as_left"])),
        tolerance=float(rng.choice([0.1, 0.05, 0.15, 0.2])),
        comparison=str(rng.choice(["absolute", "rounding"])),
    )


def law() -> dict[str, Any]:
    """Return the law's numbers as the page is given them."""
    from drift.report.pages.bench import BENCH_LAW  # noqa: PLC0415

    assert BENCH_LAW["faults"] == FAULTS
    assert BENCH_LAW["spreads"] == SPREADS
    assert BENCH_LAW["nodes"] == list(NODES)
    assert (BENCH_LAW["leakSpread"], BENCH_LAW["leakErratic"]) == (LEAK_SPREAD, LEAK_ERRATIC)
    assert BENCH_LAW["graduation"] == GRADUATION
    return BENCH_LAW
