"""A dial that reads otherwise on the way down is told, where the order of readings is known."""

from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from drift.meter.hysteresis import NO_ORDER, NOT_SHOWN, ONE_WAY, SHOWN, UNTOLD, hysteresis
from tests.csv_folders import load, write

HEADER = "meter_id,performed_on,stage,correct_air_pct,reading_air_pct,replicate,resolution_pct"
WAY = (0.0, 5.0, 10.0, 5.0, 0.0)


def visits(sticks: float, *, numbered: bool = True, way: tuple[float, ...] = WAY) -> str:
    """Return eight visits of a meter that reads `sticks` higher at 5 % on the way down."""
    rng = np.random.default_rng(4)
    lines = [HEADER]
    for visit in range(8):
        for place, air in enumerate(way):
            down = place > 0 and way[place - 1] > air
            true = air + (sticks if down else 0.0) + rng.normal(0, 0.02)
            number = place + 1 if numbered else 1 + way[:place].count(air)
            on = date(2024 + visit // 4, 1 + 3 * (visit % 4), 9)
            lines.append(f"M-1,{on},as_found,{air:g},{round(true / 0.05) * 0.05:.2f},{number},0.05")
    return "\n".join([*lines, ""])


def told(folder: Path, readings: str) -> dict[str, object]:
    """Return what is said of the one meter in a file."""
    _, sources = load(write(folder, readings=readings))
    scatter = pl.DataFrame({"meter_id": ["M-1"], "repeatability_pct": [0.02]})
    found = hysteresis(sources.sessions, repeatability=scatter, resolution_pct=0.1)
    return found.row(0, named=True)


def test_a_dial_that_sticks_is_told_and_by_how_much(tmp_path: Path) -> None:
    found = told(tmp_path, visits(0.06))
    assert found["finding"] == SHOWN
    assert found["difference_low"] < 0.06 < found["difference_high"]  # type: ignore[operator]
    assert (found["visits"], found["readings"]) == (8, 16)


def test_a_dial_that_does_not_stick_is_not_said_to(tmp_path: Path) -> None:
    found = told(tmp_path, visits(0.0))
    assert found["finding"] == NOT_SHOWN
    assert found["difference_low"] < 0 < found["difference_high"]  # type: ignore[operator]


@pytest.mark.parametrize(
    ("numbered", "way", "why"), [(False, WAY, NO_ORDER), (True, (0.0, 5.0, 10.0), ONE_WAY)]
)
def test_without_order_or_with_one_way_alone_nothing_is_said(
    tmp_path: Path, numbered: bool, way: tuple[float, ...], why: str
) -> None:
    found = told(tmp_path, visits(0.06, numbered=numbered, way=way))
    assert (found["finding"], found["why"]) == (UNTOLD, why)
