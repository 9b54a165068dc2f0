"""This module invents laboratories whose meters are known at three points, as CSV files.

Meters are steady, drifting (17 %) or noisy and may be struck; what moves one moves its points
together, as a misplaced mark does (0.7, 1 and 1.4 times the bias at 5 %).  The laboratory sees each
about every 91 days and puts right what it finds out of tolerance, but for the share that it
neglects.  The truth is the true bias at the visit after the last one written.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.csv_folders import readings, write

Floats = NDArray[np.float64]

POINTS = (0.0, 5.0, 10.0)
_REACH = np.array([0.7, 1.0, 1.4])
_FIRST = date(2020, 1, 6)
_EVERY = 91
# Meters are seen one after another within so many days of a round.
_ROUND_DAYS = 60
TOLERANCE = 0.1


@dataclass(frozen=True, slots=True)
class Told:
    """A laboratory's folder, the day to review it on, and the truth.

    ``out`` says by meter whether any point is truly out at its next visit.
    """

    folder: Path
    as_of: date
    out: dict[str, bool]


def tell_fleet(
    folder: Path, *, seed: int, meters: int = 300, visits: int = 23, neglected: float = 0.15
) -> Told:
    """Write a laboratory's readings of `visits` visits, and keep the truth at the next."""
    rng = np.random.default_rng(seed)
    kind = rng.choice(3, size=meters, p=(0.73, 0.17, 0.10))
    size = rng.uniform(0.03, 0.12, meters) * rng.choice([-1.0, 1.0], meters)
    drift = np.where(kind == 1, size, 0.0)
    noise = np.where(kind == 2, 0.05, 0.025)
    days = _EVERY * np.arange(visits + 1) + rng.integers(0, _ROUND_DAYS, meters)[:, None]
    days = days + rng.integers(-5, 6, days.shape)
    x = rng.normal(0.0, 0.025, meters)
    rows: list[str] = []
    for j in range(visits):
        if j:
            x = _moved(x, drift, (days[:, j] - days[:, j - 1]) / 365.25, rng)
        found = _read(x, noise, rng)
        out = (np.abs(found.mean(axis=2)) > TOLERANCE + 1e-9).any(axis=1)
        mended = out & (rng.random(meters) >= neglected)
        x = np.where(mended, rng.normal(0.0, 0.02, meters), x)
        left = _read(x, noise, rng)
        for meter in range(meters):
            on = _FIRST + timedelta(days=int(days[meter, j]))
            rows += _lines(meter, on, "as_found", found[meter])
            if mended[meter]:
                rows += _lines(meter, on, "as_left", left[meter])
    x = _moved(x, drift, (days[:, visits] - days[:, visits - 1]) / 365.25, rng)
    truly = np.abs(x[:, None] * _REACH).max(axis=1) > TOLERANCE
    write(folder, readings=readings(*rows, columns="replicate,resolution_pct"))
    as_of = _FIRST + timedelta(days=_EVERY * (visits - 1) + _ROUND_DAYS + 5)
    return Told(folder, as_of, {name_of(at): bool(truly[at]) for at in range(meters)})


def name_of(meter: int) -> str:
    """Return the id of a meter."""
    return f"M-{meter:03d}"


def _moved(x: Floats, drift: Floats, years: Floats, rng: np.random.Generator) -> Floats:
    """Return levels some years on: drift, wander and the rare blow."""
    blows = rng.poisson(0.03 * years)
    moved: Floats = (
        x
        + drift * years
        + rng.normal(0.0, 0.015, x.size) * np.sqrt(years)
        + rng.normal(0.0, 0.12, x.size) * np.sqrt(blows)
    )
    return moved


def _read(x: Floats, noise: Floats, rng: np.random.Generator) -> Floats:
    """Return two readings' biases at each point, on a dial read to 0.05."""
    exact = (x[:, None] * _REACH)[:, :, None] + noise[:, None, None] * rng.normal(
        size=(x.size, len(POINTS), 2)
    )
    rounded: Floats = np.rint(exact / 0.05) * 0.05
    return rounded


def _lines(meter: int, on: date, stage: str, biases: Floats) -> list[str]:
    """Return the rows of one sitting."""
    return [
        f"{name_of(meter)},{on},{stage},{at:g},{at + bias:.2f},{replicate},0.05"
        for at, pair in zip(POINTS, biases, strict=True)
        for replicate, bias in enumerate(pair, start=1)
    ]
