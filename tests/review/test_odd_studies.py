"""Studies and bowls of bad input, through written files: what they leave open is said."""

from datetime import date
from pathlib import Path

import numpy as np
import pytest

from drift.errors import DriftError
from drift.reference.bowls import NOT_CELSIUS, bowl_values
from drift.review.policy import Policy
from drift.review.studying import Studied, find_study
from tests.csv_folders import load, readings, write

HEADER = (
    "study_id,operator,meter_id,performed_on,correct_air_pct,reading_air_pct,replicate,"
    "resolution_pct"
)


def studied(
    folder: Path,
    *,
    operators: int = 3,
    meters: int = 4,
    replicates: int = 2,
    step: float = 0.01,
    sigma: float = 0.02,
    unread: tuple[int, int] | None = None,
) -> Studied:
    """Write a study and analyse it; `unread` names the operator and the meter of an empty cell."""
    rng = np.random.default_rng(4)
    lines = [HEADER]
    for who in range(operators):
        for meter in range(meters):
            for replicate in range(replicates):
                value = round(round((5.02 + rng.normal(0, sigma)) / step) * step, 2)
                read = "" if (who, meter) == unread else f"{value}"
                lines.append(
                    f"REP-1,OP-{who},AM-{meter},2026-01-05,5.0,{read},{replicate + 1},{step}"
                )
    tables = {"studies": "\n".join([*lines, ""])}
    beside = readings("AM-0,2026-01-02,as_found,5.0,5.02")
    _, sources = load(write(folder, readings=beside, **tables))
    return find_study(sources, "REP-1", source_name="", as_of=date(2026, 2, 1), policy=Policy())


def test_one_operator_leaves_operators_open(tmp_path: Path) -> None:
    found = studied(tmp_path, operators=1)
    assert found.study.operator_pct is None
    assert any("One operator" in sentence for sentence in found.told)


def test_one_replicate_leaves_repeatability_open(tmp_path: Path) -> None:
    found = studied(tmp_path, replicates=1)
    assert found.study.repeatability_pct is None
    assert any("No replicates" in sentence for sentence in found.told)


def test_an_empty_cell_is_held_back_and_counted(tmp_path: Path) -> None:
    """Two cells of a file without a reading: the pair is told as not read, the rest is weighed."""
    found = studied(tmp_path, unread=(1, 2))
    assert found.study.rows.height == 22
    assert any("1 of 12 pairs" in sentence for sentence in found.told)


def test_two_values_of_a_coarse_dial_are_no_scatter_of_zero(tmp_path: Path) -> None:
    found = studied(tmp_path, step=0.1, sigma=0.03)
    assert found.study.rows["bias_pct"].n_unique() == 2
    assert found.study.resolution_limited
    assert found.study.operator_pct is None


def test_a_study_of_no_readings_is_no_study(tmp_path: Path) -> None:
    """Where every cell is empty nothing is on record, and that is what the error says."""
    with pytest.raises(DriftError, match="is not a study on record"):
        studied(tmp_path, operators=1, meters=1, replicates=1, unread=(0, 0))


def test_bowls_measured_once_and_in_fahrenheit(tmp_path: Path) -> None:
    """One measurement counts; 55 is told as °F and left out; a row with 68 is held back."""
    bowls = (
        "meter_id,measured_on,bowl_water_mass_g,water_temp_c\n"
        "AM-0,2026-01-02,7056.4,20\nAM-1,2026-01-02,7056.4,55\nAM-2,2026-01-02,7056.4,68\n"
    )
    beside = readings("AM-0,2026-01-02,as_found,5.0,5.02")
    _, sources = load(write(tmp_path, readings=beside, bowls=bowls))
    once, warm = bowl_values(sources.bowls, sources.equipment).sort("meter_id").to_dicts()
    assert (once["usable"], once["measured"], once["en_before"]) == (True, 1, None)
    assert warm["problem"] == NOT_CELSIUS
    assert warm["u_share"] > once["u_share"]
    held = sources.held_back.to_dicts()
    assert [(row["line"], row["column"]) for row in held] == [(4, "water_temp_c")]
