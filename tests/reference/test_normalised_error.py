"""Calibrations of vessels against their own uncertainty: E_n by hand, and what a budget does."""

from datetime import date

import numpy as np
import polars as pl
import pytest

from drift.reference.crossed_effects import REFERENCE
from drift.reference.normalised_error import CONTRADICTED, LARGER, STATED, agreement, with_agreement
from drift.reference.pairs import REFERENCE_CHECK
from drift.reference.vessel_record import VESSEL_VALUES

FIRST, SECOND = date(2020, 1, 6), date(2023, 1, 9)


def values(*rows: tuple[str, date, float, float]) -> pl.DataFrame:
    names = ("vessel_id", "calibrated_on", "air_pct", "u_air_pct")
    told = [dict(zip(names, row, strict=True)) | {"usable": True, "problem": ""} for row in rows]
    return pl.DataFrame(told, schema=VESSEL_VALUES)


def change(name: str, effect: float, half: float) -> pl.DataFrame:
    row = dict.fromkeys(REFERENCE) | {"kind": "vessel_change", "name": name, "effect_pct": effect}
    return pl.DataFrame([row | {"low": effect - half, "high": effect + half}], schema=REFERENCE)


NO_EFFECTS = pl.DataFrame(schema=REFERENCE)


def test_a_recalibration_is_held_against_both_uncertainties() -> None:
    """E_n = 0.05 / (2 √(0.01² + 0.01²)) = 1.768 by hand; half the step agrees."""
    far = agreement(values(("V", FIRST, 5.0, 0.01), ("V", SECOND, 5.05, 0.01)), NO_EFFECTS)
    assert far["en"].to_list() == pytest.approx([1.7678], abs=1e-4)
    assert far["verdict"].to_list() == [CONTRADICTED]
    near = agreement(values(("V", FIRST, 5.0, 0.01), ("V", SECOND, 5.025, 0.01)), NO_EFFECTS)
    assert near["verdict"].to_list() == ["agrees"]


def test_other_vessels_are_not_recalibrations_of_each_other() -> None:
    """Only the meters can compare two vessels."""
    assert agreement(
        values(("V", FIRST, 5.0, 0.01), ("W", SECOND, 5.2, 0.01)), NO_EFFECTS
    ).is_empty()


def test_what_meters_did_counts_with_their_own_uncertainty() -> None:
    """By hand: 0.03 / √(4·(0.006² + 0.006²) + 0.008²) = 1.599; stated alone 0.03 / 0.01697."""
    both = values(("V to W", FIRST, 5.0, 0.006), ("X", SECOND, 5.0, 0.006))
    name = f"V to W calibrated {FIRST} to X calibrated {SECOND}"
    row = agreement(both, change(name, 0.03, 0.008)).row(0, named=True)
    assert row["en"] == pytest.approx(1.5990, abs=1e-4)
    assert row["en_stated"] == pytest.approx(1.7678, abs=1e-4)
    assert (row["vessel_id"], row["other_vessel_id"]) == ("X", "V to W")
    # Meters that cannot tell contradict nothing.
    assert agreement(both, change(name, 0.03, 0.05))["verdict"].to_list() == ["agrees"]


def test_true_uncertainties_are_seldom_contradicted() -> None:
    """With honest uncertainties |E_n| > 1 in 4.55 % of 4,000 pairs (two-sided at k = 2)."""
    noise = np.random.default_rng(14).normal(0, 0.01, (4000, 2))
    rows = [
        (f"V-{n:04}", on, 5 + err, 0.01)
        for n, pair in enumerate(noise)
        for on, err in zip((FIRST, SECOND), pair, strict=True)
    ]
    share = (agreement(values(*rows), NO_EFFECTS)["verdict"] == CONTRADICTED).mean()
    assert share == pytest.approx(0.0455, abs=4 * (0.0455 / 4000) ** 0.5)


def test_a_budget_takes_the_larger_uncertainty_only_where_chosen() -> None:
    """After it both values agree: the difference is then exactly twice the new uncertainty."""
    agreed = agreement(values(("V", FIRST, 5.0, 0.01), ("V", SECOND, 5.05, 0.01)), NO_EFFECTS)
    rows = [
        dict.fromkeys(REFERENCE_CHECK) | {"vessel_id": name, "calibrated_on": FIRST, "u_pct": 0.01}
        for name in ("V", "W")
    ]
    compared = pl.DataFrame(rows, schema=REFERENCE_CHECK)
    stated = with_agreement(compared, agreed, choice=STATED)
    assert stated["u_pct"].to_list() == [0.01, 0.01]
    assert stated["contradicted_by"].to_list() == [pytest.approx(1.7678, abs=1e-4), None]
    larger = with_agreement(compared, agreed, choice=LARGER)["u_pct"].to_list()
    assert 2 * 2**0.5 * larger[0] == pytest.approx(0.05)
    assert larger[1] == 0.01
