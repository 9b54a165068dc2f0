"""Laboratories of known truth for vessels and bowls: what is found, how soon, how often falsely.

``python -m tests.benchmarks.chain_truth`` prints the tables of `tests/benchmarks/README.md`.
"""

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from drift.reference.weigh import Reference
from drift.review.policy import Policy
from tests.reference.bowl_laboratories import (
    BOWL_G,
    ONE_VESSEL,
    VESSEL_G,
    VESSELS,
    alike,
    bowls_table,
    readings,
    right,
    weighed_reference,
)

METERS = 12
LOST = 0.003
# As stated of R: standard uncertainty, % air.
U_PCT = 0.006


@dataclass(frozen=True, slots=True)
class BowlsFound:
    """Shares of meters whose readings are told to state another content, by how wrong they are.

    Attributes
    ----------
    wrong, small, false : float
        Bowls more than 0.4 % off; those within that; meters that state the right value.
    """

    wrong: float
    small: float
    false: float


def bowls_found(seed: int, *, measured: bool) -> BowlsFound:
    """Return what is found in one laboratory with one value for all bowls, and in a right one.

    Bowls lie within ±0.6 % of the vessel's own, uniformly.
    """
    rng = np.random.default_rng(seed)
    bowls = rng.uniform(-0.006, 0.006, METERS)
    told = {}
    for name, stated in (("one", alike(bowls)), ("own", right(bowls))):
        tables = {"readings": readings(bowls, stated, visits=4, seed=seed), "vessels": ONE_VESSEL}
        if measured:
            tables["bowls"] = bowls_table(bowls, seed=seed)
        reference = _weighed(tables)
        found = set(reference.checks["meter_id"])
        told[name] = np.array([f"M{place + 1:02}" in found for place in range(METERS)])
    far = np.abs(bowls) > 0.004
    return BowlsFound(
        wrong=float(told["one"][far].mean()) if far.any() else float("nan"),
        small=float(told["one"][~far].mean()) if (~far).any() else float("nan"),
        false=float(told["own"].mean()),
    )


def vessel_lost(seed: int, *, lost: float, calibrations: int) -> tuple[bool, bool]:
    """Say whether a vessel that lost volume after its first calibration is found by calibrations.

    Returns
    -------
    (bool, bool)
        By E_n of some calibration, and by the Birge ratio (chance under 5 %).
    """
    rng = np.random.default_rng(seed)
    rows = [VESSELS]
    for number in range(calibrations):
        share = (1 - lost) if number else 1.0
        error = rng.normal(0, U_PCT / 5)
        mass = VESSEL_G * share * (1 + error)
        rows.append(f"V-1,{2020 + number}-06-01,{mass:.3f},{BOWL_G},{U_PCT}\n")
    bowls = np.zeros(2)
    tables = {"readings": readings(bowls, right(bowls), visits=2), "vessels": "".join(rows)}
    reference = _weighed(tables)
    by_en = (reference.history["verdict"] == "contradicted").any()
    return by_en, reference.belief["belief"][0] == "too_small"


def shift_seen(seed: int, *, lost: float, visits_after: int) -> bool:
    """Say whether meters show within one calibration that the vessel lost volume, in time.

    Twelve meters, eight visits before and some after; the laboratory keeps to the old value.
    """
    bowls = np.zeros(METERS)
    stated = right(bowls)
    visits = 8 + visits_after
    sound = readings(bowls, stated, visits=visits, seed=seed).splitlines()
    less = readings(bowls, stated / (1 - lost), visits=visits, seed=seed, lost=lost).splitlines()
    days = sorted({line.split(",")[1] for line in sound[1:] if line.startswith("M01")})
    first = days[8] if visits_after else "9999"
    lines = [
        old if old.split(",")[1] < first else new for old, new in zip(sound, less, strict=True)
    ]
    reference = _weighed({"readings": "\n".join(lines) + "\n", "vessels": ONE_VESSEL})
    moved = reference.effects.filter(
        (pl.col("kind") == "vessel_step") & (pl.col("q") <= Policy().false_discovery_rate)
    )
    return moved.height > 0


def _weighed(tables: dict[str, str]) -> Reference:
    """Write a laboratory into a folder of its own and weigh its reference."""
    with tempfile.TemporaryDirectory() as folder:
        return weighed_reference(Path(folder), **tables)


def rows(laboratories: int) -> Iterator[str]:
    """Yield the tables, a row a line."""
    for measured in (True, False):
        found = [bowls_found(seed, measured=measured) for seed in range(laboratories)]
        wrong = float(np.nanmean([one.wrong for one in found]))
        small = float(np.nanmean([one.small for one in found]))
        false = float(np.mean([one.false for one in found]))
        name = "measured" if measured else "not measured"
        yield f"| {name} | {wrong:.2f} | {small:.2f} | {false:.3f} |"
    for lost in (LOST, 0.0):
        for calibrations in (2, 3, 5):
            told = [
                vessel_lost(seed, lost=lost, calibrations=calibrations)
                for seed in range(laboratories)
            ]
            en, birge = np.array(told).mean(axis=0)
            yield f"| {100 * lost:.1f} % | {calibrations} | {en:.2f} | {birge:.2f} |"
    for lost in (LOST, 0.0):
        for after in (1, 2, 4):
            seen = np.mean(
                [shift_seen(seed, lost=lost, visits_after=after) for seed in range(laboratories)]
            )
            yield f"| {100 * lost:.1f} % | {after} | {seen:.2f} |"


if __name__ == "__main__":
    for line in rows(20):
        print(line, flush=True)
