"""Print what charts of rounded readings really do: `python -m tests.benchmarks.false_alarms`.

Each row is one kind of meter in control: the step of its dial, its spread, and where its centre
lies between two marks.  Every rate is in units of the nominal one (1 = 0.27 %), computed exactly
from the law of rounded readings for the limits that simulated baselines led to; nothing is counted.

* textbook: mean ± 2.66 mean moving ranges of the rounded baseline, as usually drawn;
* ours: what our limits really do, and what they say of themselves ("stated");
* power: chance to signal at once on a shift of 2 and 3 standard deviations, ours, and the same
  chart on the readings before rounding: the difference is what the dial's steps cost.

A visit outside is counted on either side; shifts go up and down in equal parts.
"""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.limits.choices import ChartSettings
from tests.limits.chart_fleets import NOMINAL, UNROUNDED, Cell, fleet, rounded
from tests.limits.drawn_charts import individuals
from tests.limits.rounded_means import normal_rate_outside

Floats = NDArray[np.float64]

STEPS = (0.1, 0.05)
SIGMAS = (0.02, 0.03, 0.04, 0.05, 0.06)
OFFSETS = (0.0, 0.125, 0.25, 0.375, 0.5)


@dataclass(frozen=True, slots=True)
class Row:
    """Rates of one cell, in units of the nominal one, and powers."""

    cell: Cell
    textbook: float
    ours: float
    stated: float
    power: tuple[float, float]
    power_unrounded: tuple[float, float]


def cells(*, replicates: int) -> Iterator[Cell]:
    """Yield every cell of the table; visits differ by as much as their readings scatter, or not."""
    for step in STEPS:
        for sigma in SIGMAS:
            for offset in OFFSETS:
                if replicates == 1:
                    yield Cell(step=step, sigma=sigma, offset=offset)
                else:
                    yield Cell(step=step, sigma=sigma, offset=offset, replicates=replicates)


def measure(cell: Cell, *, meters: int, visits: int, seed: int, alone: bool = False) -> Row:
    """Set limits for a simulated fleet of one kind of meter and compute what they do.

    Parameters
    ----------
    cell : Cell
    meters, visits : int
        Size of the fleet and of each baseline.
    seed : int
    alone : bool
        Whether every meter is treated as the only one of its kind.
    """
    random = np.random.default_rng(seed)
    exact = cell.read(random, meters=meters, visits=visits)
    shown = rounded(exact, cell.step)
    lower, upper, stated = _limits(shown, cell.step, visits=visits, alone=alone)
    plain_lower, plain_upper, _ = _limits(exact, UNROUNDED, visits=visits, alone=alone)
    means = shown.mean(axis=2)
    half = 2.66 * np.abs(np.diff(means, axis=1)).mean(axis=1)
    centre = means.mean(axis=1)
    spread = float(np.hypot(cell.sigma / np.sqrt(cell.replicates), cell.between))
    power, plain = [], []
    for shift in (2 * spread, 3 * spread):
        power.append(np.mean([cell.rate(lower, upper, shift=each) for each in (shift, -shift)]))
        plain.append(
            np.mean(
                [
                    normal_rate_outside(
                        mean=cell.centre + each, sigma=spread, lower=plain_lower, upper=plain_upper
                    )
                    for each in (shift, -shift)
                ]
            )
        )
    return Row(
        cell=cell,
        textbook=cell.rate(centre - half, centre + half) / NOMINAL,
        ours=cell.rate(lower, upper) / NOMINAL,
        stated=float(np.nanmean(stated)) / NOMINAL,
        power=(float(power[0]), float(power[1])),
        power_unrounded=(float(plain[0]), float(plain[1])),
    )


def _limits(
    readings: Floats, step: float, *, visits: int, alone: bool
) -> tuple[Floats, Floats, Floats]:
    """Return the limits of the last visit of every meter and the rate that they state."""
    points = fleet(readings, step=step)
    if alone:
        points = points.with_columns(like="series")
    charted = individuals(points, settings=ChartSettings(baseline_visits=visits))
    last = charted.points.group_by("series", maintain_order=True).last()
    stated = charted.limits["attained_rate"].fill_null(np.nan).to_numpy()
    return last["lower"].to_numpy(), last["upper"].to_numpy(), stated


def report(*, meters: int, visits: int, replicates: int, repeats: int, alone: bool) -> float:
    """Print one table; return the worst rate in it."""
    kind = "each alone" if alone else "pooled"
    print(
        f"\n{visits} baseline visits of {replicates} reading(s), {meters} meters {kind}, "
        f"{repeats} simulated fleets a row"
    )
    print("step sigma centre | textbook    ours  stated | 2s: ours unrounded  3s: ours unrounded")
    worst = 0.0
    for cell in cells(replicates=replicates):
        rows = [
            measure(cell, meters=meters, visits=visits, seed=seed, alone=alone)
            for seed in range(repeats)
        ]
        textbook, ours, stated = (
            float(np.mean(column))
            for column in zip(*((row.textbook, row.ours, row.stated) for row in rows), strict=True)
        )
        power = np.mean([row.power for row in rows], axis=0)
        plain = np.mean([row.power_unrounded for row in rows], axis=0)
        worst = max(worst, ours)
        print(
            f"{cell.step:4g} {cell.sigma:5g} {cell.offset:6g} | {textbook:8.2f} {ours:7.2f} "
            f"{stated:7.2f} | {power[0]:8.3f} {plain[0]:9.3f}  {power[1]:8.3f} {plain[1]:9.3f}"
        )
    print(f"worst of ours: {worst:.2f} times the nominal rate")
    return worst


def mixed_fleet(*, meters: int, visits: int, seed: int) -> dict[tuple[float, float], float]:
    """Return the rate of each step and spread when meters of all spreads are pooled."""
    random = np.random.default_rng(seed)
    rates = {}
    for step in STEPS:
        kinds = [
            Cell(step=step, sigma=sigma, offset=place) for sigma in SIGMAS for place in OFFSETS
        ]
        exact = np.concatenate(
            [cell.read(random, meters=meters // len(kinds), visits=visits) for cell in kinds]
        )
        lower, upper, _ = _limits(rounded(exact, step), step, visits=visits, alone=False)
        each = meters // len(kinds)
        by_kind = [
            cell.rate(lower[each * k : each * (k + 1)], upper[each * k : each * (k + 1)]) / NOMINAL
            for k, cell in enumerate(kinds)
        ]
        for sigma in SIGMAS:
            of_sigma = [
                rate for cell, rate in zip(kinds, by_kind, strict=True) if cell.sigma == sigma
            ]
            rates[step, sigma] = float(np.mean(of_sigma))
    return rates


def main() -> None:
    """Print all tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--meters", type=int, default=200)
    parser.add_argument("--repeats", type=int, default=2)
    given = parser.parse_args()
    for replicates in (1, 3):
        for visits in (7, 20):
            report(
                meters=given.meters,
                visits=visits,
                replicates=replicates,
                repeats=given.repeats,
                alone=False,
            )
    report(meters=given.meters, visits=7, replicates=1, repeats=1, alone=True)
    print("\nfleet of all spreads together, 7 baseline visits: rate of each spread")
    for seed in range(given.repeats):
        rates = mixed_fleet(meters=16 * 25, visits=7, seed=seed)
        print("  ".join(f"{step:g}/{sigma:g}: {rate:.2f}" for (step, sigma), rate in rates.items()))


if __name__ == "__main__":
    main()
