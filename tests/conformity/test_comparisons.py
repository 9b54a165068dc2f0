"""Results in use against something else: scores by hand, written files, known slopes."""

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from statsmodels.robust.scale import Huber

from drift.conformity.comparisons import Comparisons, weigh_comparisons
from drift.conformity.scores import en_score, robust_mean_sd, z_score, zeta_score
from drift.conformity.weigh import weigh_conformity
from drift.review.policy import Policy
from drift.review.sourced import ledger_of, reference_of
from tests.csv_folders import load, write

FIRST = date(2024, 1, 8)
COMPARISONS = "comparison_id,compared_on,meter_id,air_pct,other,other_air_pct,u_other_pct\n"
TESTS = "test_id,meter_id,tested_on,air_pct,correction_pct\n"


def test_scores_by_hand() -> None:
    """0.3 with u 0.1 and 0.05: ζ = 0.3/0.1118 = 2.683, E_n half of it; with σ 0.15 z is 2."""
    assert zeta_score(0.3, u=0.1, u_other=0.05) == pytest.approx(2.68328, abs=1e-5)
    assert en_score(0.3, u=0.1, u_other=0.05) == pytest.approx(1.34164, abs=1e-5)
    assert z_score(0.3, sd=0.15) == pytest.approx(2.0)
    assert np.isnan(z_score(0.3, sd=0.0))
    assert np.isnan(en_score(0.3, u=np.nan, u_other=0.05))


def test_robust_mean_equals_that_of_a_library() -> None:
    """Huber's second proposal with c = 1.5 as statsmodels solves it, outlier and all."""
    values = [4.5, 4.9, 5.6, 4.2, 6.2, 5.2, 9.9, 5.1, 4.8, 5.5]
    mean, sd = robust_mean_sd(values)
    location, scale = Huber(c=1.5)(np.array(values))
    assert mean == pytest.approx(float(location), abs=0.01)
    assert sd == pytest.approx(float(scale), rel=0.02)
    assert np.isnan(robust_mean_sd([5.0])[1])
    rng = np.random.default_rng(4)
    spreads = [robust_mean_sd(rng.normal(0, 1, 400).tolist())[1] for _ in range(50)]
    assert np.mean(spreads) == pytest.approx(1.0, abs=0.02)


def _readings(biases: list[float]) -> str:
    rows = ["meter_id,performed_on,stage,correct_air_pct,reading_air_pct,replicate,resolution_pct"]
    rows += [
        f"M{place:02},{FIRST},as_found,{point},{point + bias * point / 10:.3f},{replicate},0.01"
        for place, bias in enumerate(biases)
        for point in (5, 10)
        for replicate in (1, 2)
    ]
    return "\n".join((*rows, ""))


def _compared(folder: Path, policy: Policy, biases: list[float], **tables: str) -> Comparisons:
    _, sources = load(write(folder, readings=_readings(biases), **tables))
    ledger = ledger_of(sources, source_name="", as_of=date(2030, 1, 1), policy=policy)
    reference = reference_of(sources, ledger, policy)
    found = weigh_conformity(sources.sessions, ledger, reference, policy=policy)
    return weigh_comparisons(
        sources.comparisons,
        sources.field_tests,
        ledger=ledger,
        verdicts=found.verdicts,
        policy=policy,
    )


def test_both_sides_must_say_the_same_of_the_correction(tmp_path: Path) -> None:
    """A field test of that day and content says whether it is off; without it nothing is scored."""
    on = FIRST + timedelta(days=30)
    found = _compared(
        tmp_path,
        Policy(),
        [0.0, 0.0],
        comparisons=COMPARISONS
        + f"C1,{on},M00,6.0,gravimetric,6.05,0.1\n"
        + f"C2,{on},M00,6.2,gravimetric,6.05,0.1\n"
        + f"C3,{on},M00,6.2,second_meter,6.1,0.1\n"
        + f"C4,{on},M00,6.0,second_meter,6.1,0.1\n"
        + f"C5,{FIRST - timedelta(days=9)},M01,6.2,second_meter,6.1,0.1\n"
        + f"C6,{on},M01,6.2,second_meter,6.1,\n",
        field_tests=TESTS + f"T1,M00,{on},6.0,0.3\nT2,M00,{on},6.2,\n",
    )
    by_id = {row["comparison_id"]: row for row in found.scores.iter_rows(named=True)}
    assert {name: row["result"] for name, row in by_id.items()} == {
        "C1": "agrees",
        "C2": "not_compared",
        "C3": "agrees",
        "C4": "not_compared",
        "C5": "cannot_say",
        "C6": "cannot_say",
    }
    assert "no field test" in by_id["C2"]["why"]
    assert "one side says" in by_id["C4"]["why"]
    assert "not calibrated before" in by_id["C5"]["why"]
    assert "not stated" in by_id["C6"]["why"]
    assert by_id["C2"]["en"] is None
    assert by_id["C1"]["difference_pct"] == pytest.approx(-0.05)


def test_what_the_bench_alone_cannot_prove(tmp_path: Path) -> None:
    """0.4 apart with the bench's uncertainty alone; with that of a field result it is a verdict."""
    on = FIRST + timedelta(days=30)
    tables = {"comparisons": COMPARISONS + f"C1,{on},M00,6.4,second_meter,6.0,0.05\n"}
    alone = _compared(tmp_path / "a", Policy(), [0.1], **tables).scores.row(0, named=True)
    assert alone["result"] == "bench_alone"
    assert alone["en"] > 1
    assert alone["bench_bias_pct"] == pytest.approx(0.064, abs=0.003)
    assert alone["after_bench_pct"] == pytest.approx(0.4 - alone["bench_bias_pct"])
    assert alone["z"] is None
    policy = Policy().changed(field_u_pct=0.15, comparison_sd_pct=0.2)
    stated = _compared(tmp_path / "b", policy, [0.1], **tables).scores.row(0, named=True)
    assert stated["result"] == "disagrees"
    u = np.hypot(stated["u_bench_pct"], 0.15)
    assert stated["en"] == pytest.approx(0.4 / (2 * np.hypot(u, 0.05)))
    assert (stated["z"], stated["sd_basis"]) == (pytest.approx(2.0), "policy")


@pytest.mark.parametrize(
    ("part", "says"), [(1.0, "follows_the_bench"), (0.0, "apart_from_the_bench")]
)
def test_what_the_bench_finds_is_found_in_the_field(tmp_path: Path, part: float, says: str) -> None:
    """Forty meters of −0.4 to 0.4: their field results hold the bench bias, or nothing of it."""
    rng = np.random.default_rng(6)
    biases = rng.uniform(-0.4, 0.4, 40).tolist()
    on = FIRST + timedelta(days=30)
    rows = [
        f"C{place},{on},M{place:02},{6 + part * 0.6 * bias + rng.normal(0.05, 0.08):.2f},"
        "second_meter,6.0,0.05\n"
        for place, bias in enumerate(biases)
    ]
    found = _compared(tmp_path, Policy(), biases, comparisons=COMPARISONS + "".join(rows))
    row = found.field_bench.row(0, named=True)
    assert row["comparisons"] == row["meters"] == 40
    assert row["says"] == says
    assert row["slope_low"] < part < row["slope_high"]
    assert row["mean_low"] < 0.05 + part * 0.6 * float(np.mean(biases)) < row["mean_high"]
    smaller = "sd_after_pct" if part else "sd_pct"
    assert row[smaller] == min(row["sd_pct"], row["sd_after_pct"])
    own = found.scores.drop_nulls("z")
    assert own.height == 40
    assert set(own["sd_basis"]) == {"own comparisons"}
