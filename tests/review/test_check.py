"""Fresh readings before they are loaded: bands that cover, slips that are found, the rule of two.

Fleets are simulated (`tests.forecast.simulator`): their truth is known, and slips are planted in
readings that were sound.
"""

import math
from collections.abc import Callable
from datetime import timedelta
from statistics import NormalDist

import numpy as np
import polars as pl
import pytest

from drift.conformity.tolerance import successive
from drift.forecast.grid.horizon import Bins
from drift.forecast.grid.model import Settings
from drift.forecast.predict_visit import Expected, predict_visit
from drift.frames import EPOCH
from drift.meter.ledger import build_ledger
from drift.review.policy import Policy
from drift.review.slips import (
    CHANGED_SHARE,
    LIKELY,
    PRIORS,
    SPOILT_SHARE,
    Slip,
    alike_meters,
    log_evidence,
    meter_evidences,
    slip_posterior,
)
from drift.review.visit_check import CHECKED, History, check_readings, history_of
from tests.forecast.simulator import Fleet, Plan, simulate, to_ledger
from tests.sittings import sessions, sitting, table

METERS, VISITS, POINTS = 60, 13, (5.0, 10.0)
CORRECT = {5.0: 5.01, 10.0: 10.02}
Rows = list[dict[str, object]]


def plan(resolution: float = 0.05) -> Plan:
    return Plan(meters=METERS, visits=VISITS, resolution=resolution, replicates=2)


def fleets(seed: int, resolution: float = 0.05) -> dict[float, Fleet]:
    """Return two points of the same meters, simulated apart."""
    return {
        point: simulate(plan(resolution), seed=seed + number) for number, point in enumerate(POINTS)
    }


def ledger_of(made: dict[float, Fleet]) -> pl.DataFrame:
    """Return the ledger of all visits but the last."""
    parts = [
        to_ledger(fleet, visits=VISITS - 1).with_columns(
            series=pl.col("series") + METERS * number,
            point_pct=pl.lit(point),
            correct_air_pct=pl.lit(CORRECT[point]),
        )
        for number, (point, fleet) in enumerate(made.items())
    ]
    return pl.concat(parts)


def last_visit(made: dict[float, Fleet]) -> Rows:
    """Return the last visit's as-found sittings; a meter's points share its later date."""
    rows = []
    for meter in range(METERS):
        days = max(round(fleet.years[meter, -1] * 365.25) for fleet in made.values())
        on = EPOCH + timedelta(days=days)
        for point, fleet in made.items():
            biases = [round(float(value), 9) for value in fleet.found[meter, -1]]
            rows.append(
                {
                    "meter_id": f"M{meter:05d}",
                    "visit_id": on.isoformat(),
                    "performed_on": on,
                    "stage": "as_found",
                    "point_pct": point,
                    "correct_air_pct": CORRECT[point],
                    "replicates": len(biases),
                    "bias_pct": float(np.mean(biases)),
                    "biases_pct": biases,
                    "resolution_pct": fleet.plan.resolution,
                }
            )
    return rows


def reread(row: dict[str, object], change: Callable[[float], float], *, at: int | None) -> None:
    """Change readings of a sitting as a slip of the pen would."""
    correct = float(row["correct_air_pct"])  # type: ignore[arg-type]  # a number
    biases = list(row["biases_pct"])  # type: ignore[call-overload]  # a list
    for place in range(len(biases)) if at is None else (at,):
        biases[place] = round(change(biases[place] + correct) - correct, 9)
    row["biases_pct"], row["bias_pct"] = biases, float(np.mean(biases))


@pytest.fixture(scope="module", params=[0.05, 0.1], ids=["to 0.05", "to 0.1"])
def made(request: pytest.FixtureRequest) -> dict[float, Fleet]:
    return fleets(11, request.param)


@pytest.fixture(scope="module")
def history(made: dict[float, Fleet]) -> History:
    ledger = ledger_of(made)
    outlook = predict_visit(ledger, settings=Settings(resolution=made[5.0].plan.resolution))
    return history_of(ledger, table("meters"), outlook)


def judged(history: History, rows: Rows, *, level: float = 0.99) -> pl.DataFrame:
    return check_readings(sessions(rows), history, Policy(believable_level=level))


@pytest.mark.parametrize("level", [0.8, 0.9, 0.99])
def test_bands_cover_as_stated(made: dict[float, Fleet], history: History, level: float) -> None:
    """On simulated fleets the band of the mean holds its share of fresh means.

    Tolerance: three standard errors of a share of 120 sittings, and on the cautious side the most
    that a lattice of half steps can add (the bands are set for the nearest average coverage).
    """
    found = judged(history, last_visit(made), level=level)
    low, high = found["mean_low"] - 1e-9, found["mean_high"] + 1e-9
    share = ((found["bias_pct"] >= low) & (found["bias_pct"] <= high)).mean()
    error = 3 * (level * (1 - level) / found.height) ** 0.5
    assert isinstance(share, float)
    assert level - error <= share <= min(level + error + 0.03, 1.0)


def test_sound_readings_are_believed(made: dict[float, Fleet], history: History) -> None:
    """Of 120 sound sittings hardly one is surprising, and none is called a slip."""
    found = judged(history, last_visit(made))
    counts = dict(found["verdict"].value_counts().iter_rows())
    assert counts.get("likely_slip", 0) == 0
    assert counts["believable"] >= 114  # at 97 % expected 116.4, two standard deviations below


@pytest.mark.parametrize(
    ("kind", "change", "at"),
    [
        ("sign", lambda reading: -reading, None),
        ("sign", lambda reading: -reading, 0),
        ("decimal", lambda reading: reading * 10, None),
        ("decimal", lambda reading: reading / 10, 1),
        ("wrong_point", lambda reading: reading + CORRECT[10.0] - CORRECT[5.0], None),
    ],
)
def test_planted_slips_are_found(
    made: dict[float, Fleet],
    history: History,
    kind: str,
    change: Callable[[float], float],
    at: int | None,
) -> None:
    """Every slip planted in thirty sittings is named, and the others stay as they were."""
    rows = last_visit(made)
    for row in rows[::4]:
        reread(row, change, at=at)
    found = judged(history, rows).sort("meter_id", "point_pct")
    planted = found.gather_every(4)
    assert set(planted["verdict"]) == {"likely_slip"}
    assert set(planted["slip"]) == {kind}
    assert planted["p_slip"].min() >= LIKELY  # type: ignore[operator]  # a number
    rest = found.with_row_index().filter(pl.col("index") % 4 != 0)
    assert "likely_slip" not in set(rest["verdict"])


def test_a_garbled_reading_is_surprising_and_no_slip_is_guessed(
    made: dict[float, Fleet], history: History
) -> None:
    """A reading that no slip explains, 8.35 for 5.05, is to be repeated."""
    rows = last_visit(made)
    reread(rows[0], lambda _reading: 8.35, at=1)
    first = judged(history, rows).sort("meter_id", "point_pct").row(0, named=True)
    assert first["verdict"] == "surprising"
    assert "repeat before adjusting" in first["sentence"]


def test_a_visit_of_another_meter_is_recognised() -> None:
    """Meters that read far apart are told apart when their sheets are exchanged."""
    biases = {"A": -0.2, "B": 0.0, "C": 0.2}
    ledger = apart(biases)
    past = history_of(ledger, table("meters"), predict_visit(ledger))
    swapped = {"A": biases["C"], "B": biases["B"], "C": biases["A"]}
    rows: Rows = [
        sitting(8 * 91, [off, off + 0.01], meter=name, point=point, resolution=0.01)
        for name, off in swapped.items()
        for point in POINTS
    ]
    found = check_readings(sessions(rows), past, Policy())
    told = {
        (row["meter_id"], row["slip"] if row["verdict"] == "likely_slip" else row["verdict"])
        for row in found.to_dicts()
    }
    assert told == {("A", "wrong_meter"), ("B", "believable"), ("C", "wrong_meter")}
    sentences = found.filter(pl.col("meter_id") == "A")["sentence"]
    assert all("what C should show" in sentence for sentence in sentences)


def apart(biases: dict[str, float]) -> pl.DataFrame:
    """Return the ledger of meters that read steadily, each at a bias of its own."""
    noise = np.random.default_rng(5)
    rows = [
        sitting(
            91 * visit,
            [round(off + value, 2) for value in noise.normal(0, 0.01, 2)],
            meter=name,
            point=point,
            resolution=0.01,
        )
        for name, off in biases.items()
        for point in POINTS
        for visit in range(8)
    ]
    return build_ledger(
        sessions(rows),
        marks=table("marks"),
        service=table("service"),
        meters=table("meters"),
        resolution_pct=0.1,
    )


def test_what_cannot_be_compared_says_why() -> None:
    """An unknown meter names the nearest; a day on record and as-left readings have no band."""
    ledger = apart({"AM-1": 0.0, "AM-2": 0.01})
    past = history_of(ledger, table("meters"), predict_visit(ledger))
    rows: Rows = [
        sitting(8 * 91, [0.0, 0.0], meter="AM-3", resolution=0.01),
        sitting(7 * 91, [0.0, 0.0], meter="AM-2", resolution=0.01),
        sitting(8 * 91, [0.0, 0.0], meter="AM-1", stage="as_left", resolution=0.01),
        sitting(8 * 91, [0.0, 0.0], meter="AM-1", point=15.0, resolution=0.01),
    ]
    found = check_readings(sessions(rows), past, Policy())
    assert set(found["verdict"]) == {"cannot_say"}
    said = {(row["meter_id"], row["point_pct"]): row["sentence"] for row in found.to_dicts()}
    assert "did you mean AM-" in said["AM-3", 5.0]
    assert "is on record" in said["AM-2", 5.0]
    assert "no band" in said["AM-1", 5.0]
    assert "never read" in said["AM-1", 15.0]
    assert found.schema == pl.Schema(CHECKED)


@pytest.mark.parametrize(
    ("stage", "biases", "code"),
    [
        ("as_found", [0.0], "one_reading"),
        ("as_found", [0.15], "one_reading"),
        ("as_found", [0.0, 0.1], "no_action"),
        ("as_found", [0.15, 0.2], "act"),
        ("as_found", [-0.15, 0.15], "repeat"),
        ("as_found", [0.05, 0.15], "repeat"),
        ("as_found", [0.0, 0.15, 0.15], "act"),
        ("as_left", [0.0, 0.05], "held"),
        ("as_left", [-0.1, 0.1], "repeat"),
        ("as_left", [0.0, 0.15], "repeat"),
        ("as_left", [0.3, 0.0, 0.0], "held"),
        ("as_left", [0.0], "one_reading"),
    ],
)
def test_the_rule_of_two_successive_readings(stage: str, biases: list[float], code: str) -> None:
    """One deviation is not acted on, two that agree are; as left, two must hold.

    Source: ASTM C231 annex A1 and field procedures, from memory (see `successive`).
    """
    found, words = successive(biases, stage, Policy())
    assert found == code
    begins = {"no_action": "Met", "held": "Met", "act": "Confirmed out"}
    assert words.startswith(begins.get(code, "Not met"))


def test_evidence_of_one_reading_is_the_mass_of_its_cell() -> None:
    """A known level and noise leave Φ((r+δ/2−x)/σ) − Φ((r−δ/2−x)/σ); cells sum to one."""
    bins = Bins(step=0.01, resolution=0.05, replicates=1)
    known = Expected(np.array([0.02]), np.array([[1.0]]), np.array([0.03]), bins)
    normal = NormalDist(0.02, 0.03)
    expected = normal.cdf(0.075) - normal.cdf(0.025)
    assert math.exp(log_evidence(known, np.array([0.05]))) == pytest.approx(expected, rel=1e-9)
    cells = np.arange(-20, 21) * 0.05
    total = sum(math.exp(log_evidence(known, np.array([cell]))) for cell in cells)
    assert total == pytest.approx(1.0, abs=1e-9)


def test_meters_weighed_together_are_weighed_as_each_alone() -> None:
    """Whatever lattices and kinds a fleet has; judged by the sum over levels, written out."""
    rng = np.random.default_rng(3)
    fleet = {}
    for meter in range(60):
        bins = Bins(step=0.01, resolution=(0.05, 0.1)[meter % 2], replicates=2)
        levels = bins.resolution * rng.integers(-2, 3) + 0.01 * (np.arange(41) - 20)
        masses = rng.dirichlet(np.ones(82)).reshape(2, 41)
        fleet[f"M{meter}", 5.0] = Expected(levels, masses, np.array([0.02, 0.06]), bins)
    biases = np.array([0.05, 0.1])
    found = meter_evidences(alike_meters(fleet)[5.0], biases)
    assert len(found) == 60
    for (name, _), one in fleet.items():
        half, total = one.bins.resolution / 2, 0.0
        for kind, noise in enumerate(one.noise):
            for level, mass in zip(one.levels, one.masses[kind], strict=True):
                normal = NormalDist(float(level), float(noise))
                cells = [normal.cdf(each + half) - normal.cdf(each - half) for each in biases]
                total += mass * math.prod(cells)
        assert math.exp(found[name]) == pytest.approx(total, rel=1e-6)


def test_a_slip_is_weighed_by_bayes_rule() -> None:
    """Posterior = prior × evidence over the sum of all, worked by hand from the stated priors."""
    slip = Slip("decimal", None, np.array([5.0]), None, math.log(0.4))
    found = slip_posterior(
        [slip], as_read=math.log(1e-6), changed=math.log(1e-4), spoilt=math.log(1e-3)
    )
    stands = (1 - CHANGED_SHARE) * 1e-6 + CHANGED_SHARE * 1e-4
    honest = (1 - SPOILT_SHARE - sum(PRIORS.values())) * stands
    mine = PRIORS["decimal"] * 0.4
    posterior = mine / (mine + honest + SPOILT_SHARE * 1e-3)
    assert found.probability == pytest.approx(posterior)
    assert math.exp(found.log_bayes_factor) == pytest.approx(0.4 / stands)
