"""Laboratories with a check meter and a known truth: what is said, how often rightly, how soon.

``python -m tests.benchmarks.check_meter_truth 20`` prints the tables of the README beside it.
"""

import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from drift.reference.check_meters.steadiness import DRIFTS
from tests.reference.check_meter_laboratories import Laboratory, asked

SIZE_PCT = 0.05
MOVED, STAYED = Laboratory(vessel=SIZE_PCT), Laboratory(fleet=SIZE_PCT)
# A drift of the check meter by itself, % air a year, and a mistake at its hand, % air.
DRIFT, MISTAKE = 0.06, -0.1

CASES: dict[str, Laboratory] = {
    "vessel moved, check meter steady": MOVED,
    "meters moved, check meter steady": STAYED,
    "vessel moved, check meter drifts": replace(MOVED, own_drift=DRIFT),
    "meters moved, check meter drifts": replace(STAYED, own_drift=DRIFT),
    "vessel moved, adjusted by mistake, recorded": replace(MOVED, own_jump=MISTAKE, recorded=True),
    "vessel moved, adjusted by mistake, no record": replace(MOVED, own_jump=MISTAKE),
    "meters moved, adjusted on the day, no record": replace(
        STAYED, own_jump=MISTAKE, jump_at=STAYED.since
    ),
    "vessel moved, artefact read by the fleet": replace(MOVED, artefact=True),
    "meters moved, artefact read by the fleet": replace(STAYED, artefact=True),
    "vessel moved, artefact changed before, no record": replace(
        MOVED, artefact=True, own_jump=MISTAKE
    ),
    "meters moved, artefact changed after, no record": replace(
        STAYED, artefact=True, own_jump=MISTAKE, jump_at=20
    ),
    "nothing moved, artefact changed, no record": Laboratory(artefact=True, own_jump=MISTAKE),
    "nothing moved, artefact steady": Laboratory(artefact=True),
    "nothing moved": Laboratory(),
}


@dataclass(frozen=True, slots=True)
class Told:
    """Shares of laboratories of one kind.

    Attributes
    ----------
    found : float
        With a shift found in the fleet.
    vessel, meters, unsaid : float
        Of these: with that verdict.
    drifting, jumped : float
        In which the check meter is said to drift by itself, or to have jumped.
    """

    found: float
    vessel: float
    meters: float
    unsaid: float
    drifting: float
    jumped: float


def told(truth: Laboratory, laboratories: int) -> Told:
    """Return what is said over so many laboratories."""
    verdicts: Counter[str] = Counter()
    drifting = jumped = 0
    for seed in range(laboratories):
        with tempfile.TemporaryDirectory() as folder:
            found = asked(Path(folder), truth, seed=seed)
        newest = found.verdicts.sort("to_on")["verdict"].to_list()[-1:]
        verdicts.update(newest)
        drifting += DRIFTS in found.held["finding"].to_list()
        jumped += found.held["jumped_pct"].count() > 0
    seen = verdicts.total()
    share = {name: many / seen if seen else 0.0 for name, many in verdicts.items()}
    return Told(
        found=seen / laboratories,
        vessel=share.get("vessel", 0.0),
        meters=share.get("meters", 0.0),
        unsaid=share.get("cannot_say", 0.0),
        drifting=drifting / laboratories,
        jumped=jumped / laboratories,
    )


def rows(laboratories: int) -> Iterator[str]:
    """Yield the table, a row a line: what is said, then how soon after the shift."""
    for name, truth in CASES.items():
        one = told(truth, laboratories)
        yield (
            f"| {name} | {one.found:.2f} | {one.vessel:.2f} | {one.meters:.2f} | "
            f"{one.unsaid:.2f} | {one.drifting:.2f} | {one.jumped:.2f} |"
        )
    for after in (1, 2, 4):
        for name, truth in (("vessel", MOVED), ("meters", STAYED)):
            one = told(replace(truth, sessions=truth.since + after), laboratories)
            right = one.vessel if name == "vessel" else one.meters
            wrong = one.meters if name == "vessel" else one.vessel
            yield f"| {name} | {after} | {one.found:.2f} | {right:.2f} | {wrong:.2f} |"


if __name__ == "__main__":
    for line in rows(int(sys.argv[1]) if len(sys.argv) > 1 else 20):
        print(line, flush=True)
