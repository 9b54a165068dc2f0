"""Time what is asked of the reference: `python -m tests.benchmarks.reference_speed`.

Common causes, vessels' values, causes of biases, uncertainty and verdicts, for fleets of 40
visits at three points, read with eight vessels (24 calibration periods) by twelve operators, or a
hundred in a large fleet.  The aims are 5 s for 50 meters and 30 s for 10,000.
"""

import argparse
import time
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import polars as pl

from drift.conformity.weigh import weigh_conformity
from drift.review.policy import Policy
from drift.review.sourced import reference_of
from drift.store.tables import AMENDMENTS, FILES, HELD_BACK, Sources
from tests.meter.cause_simulator import Fleet, Plan, simulate_fleet
from tests.sittings import table

VISITS = 40
SMALL, LARGE = 50, 10_000
ASKED_S = {SMALL: 5, LARGE: 30}


def sources_of(fleet: Fleet) -> Sources:
    """Return a simulated fleet as what a store would hold."""
    return Sources(
        sessions=fleet.sessions,
        marks=table("marks"),
        meters=table("meters"),
        vessels=fleet.vessels,
        service=table("service"),
        responses=table("responses"),
        field_tests=table("field_tests"),
        held_back=pl.DataFrame(schema=HELD_BACK),
        amendments=pl.DataFrame(schema=AMENDMENTS),
        files=pl.DataFrame(schema=FILES),
    )


@contextmanager
def timed(name: str) -> Iterator[None]:
    """Print wall and processor time of the block."""
    wall, processor = time.perf_counter(), time.process_time()
    yield
    wall, processor = time.perf_counter() - wall, time.process_time() - processor
    print(f"  {name}: {wall:.1f} s, CPU {processor:.1f} s", flush=True)


def weigh(meters: int) -> None:
    """Time one fleet and print what it took."""
    rng = np.random.default_rng(1)
    plan = Plan(
        meters=meters,
        visits=VISITS,
        vessel_effects=tuple(rng.normal(0, 0.02, 8)),
        operator_effects=tuple(rng.normal(0, 0.02, 12 if meters < LARGE else 100)),
        calibrated_visits=(0, 12, 24),
    )
    fleet, policy = simulate_fleet(1, plan), Policy()
    sources = sources_of(fleet)
    asked = f" (asked of the reference: under {ASKED_S[meters]} s)" if meters in ASKED_S else ""
    print(f"{meters} meters, {fleet.sessions.height:,} sittings{asked}", flush=True)
    with timed("reference"):
        found = reference_of(sources, fleet.ledger, policy)
    with timed("uncertainty and verdicts"):
        weigh_conformity(sources.sessions, fleet.ledger, found, policy=policy)


def main() -> None:
    """Print one line per fleet."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--meters", type=int, default=LARGE)
    for meters in sorted({SMALL, parser.parse_args().meters}):
        weigh(meters)


if __name__ == "__main__":
    main()
