"""This module simulates laboratories whose bowls differ, as written CSV files; it asserts nothing.

A vessel of known volume is drawn off into bowls of known volumes; what is right is known to the
last digit.
"""

from datetime import date, timedelta
from pathlib import Path

import numpy as np

from drift.conformity.weigh import Conformity, weigh_conformity
from drift.reference.vessel import water_volume_ml
from drift.reference.weigh import Reference
from drift.review.policy import Policy
from drift.review.sourced import ledger_of, reference_of
from drift.store.tables import Sources
from tests.csv_folders import load, write

VESSEL_G, BOWL_G = 353.8, 7056.4
R_PCT = 100 * VESSEL_G / BOWL_G
FIRST = date(2024, 1, 8)
READINGS = (
    "meter_id,performed_on,stage,correct_air_pct,reading_air_pct,replicate,resolution_pct,"
    "vessel_id,operator"
)
VESSELS = "vessel_id,calibrated_on,water_mass_g,bowl_water_mass_g,u_air_pct\n"
ONE_VESSEL = f"{VESSELS}V-1,2023-06-01,{VESSEL_G},{BOWL_G},0.006\n"
DEFAULT = Policy()
BOWLS = "meter_id,measured_on,bowl_water_mass_g,water_temp_c\n"


def shares(meters: int, *, half: float = 0.006) -> np.ndarray:
    """Return how much larger each bowl is than the one of the vessel, evenly up to ±`half`."""
    return np.linspace(-half, half, meters)


def readings(
    bowls: np.ndarray,
    stated: np.ndarray,
    *,
    visits: int = 10,
    seed: int = 5,
    lost: float = 0.0,
) -> str:
    """Return readings at one and two fills of meters that are right.

    Parameters
    ----------
    bowls : array, shape (meters,)
        How much larger each bowl is than that of the vessel, a share.
    stated : array, shape (meters,)
        What the laboratory takes one fill for on each, % air.
    lost : float
        How much of its volume the vessel has lost, a share; `stated` follows it.
    """
    rng = np.random.default_rng(seed)
    lines = [READINGS]
    for place, (bowl, value) in enumerate(zip(bowls, stated, strict=True)):
        for visit in range(visits):
            on = FIRST + timedelta(days=91 * visit + place)
            for fills in (1, 2):
                said = fills * float(value) * (1 - lost)
                true = fills * R_PCT * (1 - lost) / (1 + bowl)
                for replicate in (1, 2):
                    read = round(float(true + rng.normal(0, 0.01)), 2)
                    lines.append(
                        f"M{place + 1:02},{on},as_found,{said:.2f},{read},"
                        f"{replicate},0.01,V-1,op-{visit % 2}"
                    )
    return "\n".join((*lines, ""))


def right(bowls: np.ndarray) -> np.ndarray:
    """Return what one fill truly is on each bowl, % air."""
    return np.asarray(R_PCT / (1 + bowls))


def alike(bowls: np.ndarray) -> np.ndarray:
    """Return one value for all bowls: that of the vessel's own."""
    return np.full(len(bowls), R_PCT)


def bowls_table(bowls: np.ndarray, *, water_c: float = 20.0, seed: int = 7) -> str:
    """Return measurements of the bowls, one each, filled with 0.02 % of scatter."""
    rng = np.random.default_rng(seed)
    litre = float(water_volume_ml(1000.0, temperature_c=water_c))
    of_one = float(water_volume_ml(BOWL_G, temperature_c=20.0))
    masses = 1000 * of_one * (1 + bowls) * (1 + rng.normal(0, 0.0002, len(bowls))) / litre
    rows = [
        f"M{place + 1:02},2023-09-04,{mass:.1f},{water_c:g}" for place, mass in enumerate(masses)
    ]
    return BOWLS + "\n".join((*rows, ""))


def weighed(folder: Path, policy: Policy = DEFAULT, **tables: str) -> tuple[Reference, Conformity]:
    """Write tables into `folder`, load them, and weigh the reference and the biases."""
    _, sources = load(write(folder, **tables))
    return weighed_sources(sources, policy)


def weighed_reference(folder: Path, **tables: str) -> Reference:
    """Write tables into `folder`, load them, and weigh the reference alone."""
    _, sources = load(write(folder, **tables))
    ledger = ledger_of(sources, source_name="", as_of=date(2030, 1, 1), policy=DEFAULT)
    return reference_of(sources, ledger, DEFAULT)


def weighed_sources(sources: Sources, policy: Policy) -> tuple[Reference, Conformity]:
    """Weigh the reference and the biases of what was loaded."""
    ledger = ledger_of(sources, source_name="", as_of=date(2030, 1, 1), policy=policy)
    reference = reference_of(sources, ledger, policy)
    return reference, weigh_conformity(sources.sessions, ledger, reference, policy=policy)
