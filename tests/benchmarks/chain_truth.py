"""Laboratories of known truth: what is found of the chain, how soon, how often falsely.

``python -m tests.benchmarks.chain_truth 20`` prints the tables of `tests/benchmarks/README.md`.
"""

import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from drift.meter.dial import dials_of
from drift.reference.weigh import Reference
from drift.review.policy import Policy
from drift.review.sourced import ledger_of
from drift.review.zero_spans import MOVES, weigh_zero_span
from tests.csv_folders import load, write
from tests.reference.bowl_laboratories import (
    BOWL_G,
    FIRST,
    ONE_VESSEL,
    READINGS,
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


@dataclass(frozen=True, slots=True)
class PartsFound:
    """What is said of one meter's zero and span: drifts found, and beyond limits, of each.

    Attributes
    ----------
    zero, span : bool
        Whether it is said to drift.
    """

    zero: bool
    span: bool


def parts_found(
    seed: int, *, zero: float, span: float, visits: int, meters: int = METERS
) -> list[PartsFound]:
    """Return what is said of meters whose zero and span drift so much a year, % air.

    Dials of 0.05, two readings of σ 0.02 at 0, 5 and 10 %, a visit a quarter, chamber on record.
    """
    rng = np.random.default_rng(seed)
    names = [f"M{place + 1:02}" for place in range(meters)]
    lines = [READINGS.removesuffix(",vessel_id,operator")]
    for name in names:
        for visit in range(visits):
            on, years = FIRST + timedelta(days=91 * visit), visit / 4
            for air in (0.0, 5.0, 10.0):
                true = air + zero * years * (1 + air / 5) + span * years * air / 10
                for replicate in (1, 2):
                    read = round((true + rng.normal(0, 0.02)) / 0.05) * 0.05
                    lines.append(f"{name},{on},as_found,{air},{read:.2f},{replicate},0.05")
    ratios = "meter_id,chamber_bowl_ratio\n" + "".join(f"{name},0.05\n" for name in names)
    with tempfile.TemporaryDirectory() as folder:
        tables = {"readings": "\n".join([*lines, ""]), "meters": ratios}
        _, sources = load(write(Path(folder), **tables))
    none: dict[str, pl.DataFrame] = {"marks": sources.marks, "service": sources.service}
    ledger = ledger_of(sources, source_name="", as_of=date(2040, 1, 1), policy=Policy())
    found = weigh_zero_span(
        ledger,
        dials=dials_of(sources.meters, ledger, repeatability=0.02, **none),
        repeatability=pl.DataFrame({"meter_id": names, "repeatability_pct": 0.02}),
        policy=Policy(),
    ).drifts
    moves = {
        (row["meter_id"], row["part"]): row["finding"] == MOVES
        for row in found.iter_rows(named=True)
    }
    return [PartsFound(zero=moves[name, "zero"], span=moves[name, "span"]) for name in names]


def operator_found(seed: int, *, high: float, visits: int = 12) -> tuple[bool, bool]:
    """Say whether one operator of three is found to read high who does, and whether another is.

    Twelve meters read by each in turn, dials of 0.05, two readings of σ 0.02 at 5 and 10 %.
    """
    rng = np.random.default_rng(seed)
    own = rng.normal(0, 0.03, METERS)
    lines = [READINGS]
    for place in range(METERS):
        for visit in range(visits):
            on, who = FIRST + timedelta(days=91 * visit), (visit + place) % 3
            for air in (5.0, 10.0):
                true = air + own[place] + (high if who == 0 else 0.0)
                for replicate in (1, 2):
                    read = round((true + rng.normal(0, 0.02)) / 0.05) * 0.05
                    told = f"{air},{read:.2f},{replicate},0.05,V-1,op-{who}"
                    lines.append(f"M{place + 1:02},{on},as_found,{told}")
    reference = _weighed({"readings": "\n".join([*lines, ""]), "vessels": ONE_VESSEL})
    found = reference.effects.filter(
        pl.col("kind") == "operator",
        pl.col("effect_pct") > 0,
        pl.col("q") <= Policy().false_discovery_rate,
    )["name"].to_list()
    return any("op-0" in name for name in found), any("op-0" not in name for name in found)


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
    yield from _of_vessels(laboratories)
    for high in (0.0, 0.02, 0.05):
        told = [operator_found(seed, high=high) for seed in range(laboratories)]
        right_one, another = np.array(told).mean(axis=0)
        yield f"| {high:.2f} | {right_one:.2f} | {another:.2f} |"
    yield from _of_parts(laboratories)


def _of_vessels(laboratories: int) -> Iterator[str]:
    """Yield the tables of a vessel that lost volume."""
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


def _of_parts(laboratories: int) -> Iterator[str]:
    """Yield the table of meters whose zero or span drifts."""
    for zero, span in ((0.0, 0.0), (0.03, 0.0), (0.0, 0.08)):
        for visits in (8, 16, 24):
            told = [
                one
                for seed in range(laboratories)
                for one in parts_found(seed, zero=zero, span=span, visits=visits)
            ]
            of_zero = np.mean([one.zero for one in told])
            of_span = np.mean([one.span for one in told])
            yield f"| {zero:.2f} | {span:.2f} | {visits} | {of_zero:.2f} | {of_span:.2f} |"


if __name__ == "__main__":
    for line in rows(int(sys.argv[1]) if len(sys.argv) > 1 else 20):
        print(line, flush=True)
