"""Benches whose mark is off by a known amount: what one advised move does, what fixed steps do.

Readings come from the law of the dial with noise, read to the dial's step.  The advice sees what a
page at the bench sees: two readings at 0, 5 and 10 %, where the mark stands, and the chamber scale
that is believed in.
"""

from dataclasses import dataclass

import numpy as np

from drift.meter.bench_rules import BenchDial, BenchPoint, advise_move
from drift.meter.dial import (
    USUAL_SCALE,
    USUAL_SCALE_LOG_SD,
    bias_of_mark,
    pressure_error_of_move,
)

AIRS = (0.0, 4.99, 9.99)
NOISE, STEP, TOLERANCE = 0.02, 0.05, 0.1
# Where the mark belongs and the pressure there, by unit; the finest step that it can be put to.
RIGHT = {"dial_pct": -0.2, "kpa": 100.0}
SET_STEP = {"dial_pct": 0.05, "kpa": 0.1}
MOST_OFF, MOST_TRIES = 0.5, 30


@dataclass(frozen=True, slots=True)
class Bench:
    """One meter at the bench: its true chamber scale, what is believed of it, where its mark is."""

    k: float
    believed: tuple[float, float]
    unit: str
    mark: float

    def zero(self, mark: float) -> float:
        """Return what the dial truly shows on a bowl full of water with the mark there."""
        return float(bias_of_mark(self.error(mark), air_pct=0.0, k=self.k))

    def error(self, mark: float) -> float:
        """Return the relative error of the initial pressure with the mark there."""
        right = RIGHT[self.unit]
        if self.unit == "dial_pct":
            return float(pressure_error_of_move(right, mark, k=self.k))
        return mark / right - 1


def draw_bench(rng: np.random.Generator, *, unit: str, known: bool) -> Bench:
    """Draw a bench: chamber known within 2 %, or unknown about the usual one."""
    spread = 0.02 if known else USUAL_SCALE_LOG_SD
    k = USUAL_SCALE * float(np.exp(rng.normal(0, spread)))
    off = float(rng.uniform(-MOST_OFF, MOST_OFF))
    right = RIGHT[unit]
    mark = right + off if unit == "dial_pct" else right * (k + off) / k
    return Bench(k, (USUAL_SCALE, USUAL_SCALE * spread), unit, mark)


def read(
    rng: np.random.Generator, bench: Bench, mark: float, *, airs: tuple[float, ...] = AIRS
) -> list[BenchPoint]:
    """Read twice at each point."""
    points = []
    for air in airs:
        true = air + float(bias_of_mark(bench.error(mark), air_pct=air, k=bench.k))
        shown = np.round((true + rng.normal(0, NOISE, 2)) / STEP) * STEP
        points.append(BenchPoint(air, tuple((shown - air).round(9).tolist()), STEP))
    return points


def is_out(points: list[BenchPoint]) -> bool:
    """Say whether zero was read out twice on the same side."""
    before, last = points[0].biases_pct
    return min(abs(before), abs(last)) > TOLERANCE + 1e-9 and before * last > 0


def tries_by_steps(rng: np.random.Generator, bench: Bench, step: float) -> int:
    """Count moves by a fixed step on the dial until zero is not read out; 0 where that never is."""
    mark, off = bench.mark, bench.zero(bench.mark)
    for tries in range(1, MOST_TRIES + 1):
        mark -= step * float(np.sign(off))
        points = read(rng, bench, mark, airs=(0.0,))
        if not is_out(points):
            return tries
        off = float(np.mean(points[0].biases_pct))
    return 0


@dataclass(frozen=True, slots=True)
class Trial:
    """Shares of benches: zero within tolerance after one advised move, truly and as read.

    Attributes
    ----------
    truly, as_read : float
    worst : float
        Largest true zero after the move, % air.
    covered : float
        Share whose true zero lies within two of its stated standard deviations.
    """

    truly: float
    as_read: float
    worst: float
    covered: float


def try_advice(*, benches: int, unit: str, known: bool, seed: int) -> tuple[Trial, list[Bench]]:
    """Advise one move on so many benches that were found out at zero."""
    rng = np.random.default_rng(seed)
    zeros: list[float] = []
    reads, covered, out = [], [], []
    while len(zeros) < benches:
        bench = draw_bench(rng, unit=unit, known=known)
        points = read(rng, bench, bench.mark)
        if not is_out(points):
            continue
        dial = BenchDial(*bench.believed, NOISE, bench.mark, unit)
        advice = advise_move(points, dial, set_step=SET_STEP[unit])
        assert advice is not None
        zero = bench.zero(advice.to)
        again = read(rng, bench, advice.to, airs=(0.0,))[0].biases_pct
        zeros.append(abs(zero))
        reads.append(max(map(abs, again)) <= TOLERANCE + 1e-9)
        covered.append(abs(zero - advice.zero_after_pct) <= 2 * advice.zero_after_sd)
        out.append(bench)
    within = np.array(zeros) <= TOLERANCE
    trial = Trial(
        float(within.mean()), float(np.mean(reads)), float(max(zeros)), float(np.mean(covered))
    )
    return trial, out
