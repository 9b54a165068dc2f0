"""The figure of time in tolerance: its rows follow its frame, and no label covers another."""

from itertools import pairwise

import polars as pl
import pytest

from drift.report.figures.rows import filled
from drift.report.figures.survival import survival_rows
from drift.upkeep.reliability.survival_curve import CURVE

FLAT = pl.DataFrame(
    {
        "days": [0.0, 100.0, 150.0, 200.0, 400.0],
        "lowest": [1.0, 1.0, 0.5, 0.5, 0.5],
        "highest": [1.0, 1.0, 1.0, 0.5, 0.5],
        "low": [1.0, 0.8, 0.4, 0.3, 0.2],
        "high": [1.0, 1.0, 1.0, 0.7, 0.6],
        "weibull": [1.0, 0.8, 0.7, 0.6, 0.4],
    },
    schema=CURVE,
)


def test_the_line_is_open_where_nothing_is_known() -> None:
    """It goes straight from the last check found in to the first found out; the band does not."""
    rows = survival_rows(FLAT, target=0.75, present_days=100.0)
    assert rows["curve"]["still"].to_list() == [1.0, 1.0, None, 0.5, 0.5]
    assert rows["curve"]["dot"].to_list() == [True, True, False, True, True]
    assert rows["curve"]["low"].to_list() == FLAT["low"].to_list()
    lines = {row["words"]: row for row in rows["lines"].to_dicts()}
    assert {name: row["at"] for name, row in lines.items()} == {
        "as found": 0.5,
        "Weibull law": 0.4,
        "target 75\u00a0%": 0.75,
    }
    assert [name for name, row in lines.items() if row["aimed"]] == ["target 75\u00a0%"]
    assert rows["present"]["days"].to_list() == [100.0]


@pytest.mark.parametrize("target", [0.41, 0.5, 0.95])
def test_labels_of_lines_stand_apart(target: float) -> None:
    """Ends that meet are named a line of text apart, within the frame, in the order of the ends."""
    near = FLAT.with_columns(weibull=pl.col("weibull") + 0.1)
    lines = survival_rows(near, target=target, present_days=91.0)["lines"]
    told = lines.sort("at", "label_at", descending=True)["label_at"].to_list()
    assert all(above - below > 0.05 for above, below in pairwise(told))
    assert min(told) >= 0
    assert max(told) <= 1


def test_without_a_law_none_is_drawn() -> None:
    """Where the spells show no law there is no line and no name of it; the chart is valid."""
    lawless = FLAT.with_columns(weibull=pl.lit(None, dtype=pl.Float64))
    rows = survival_rows(lawless, target=0.95, present_days=910.0)
    assert "Weibull law" not in rows["lines"]["words"].to_list()
    # An interval longer than anything known stands at the end of the frame.
    assert rows["present"]["days"].to_list() == [400.0]
    assert filled("time_in_tolerance", rows).to_dict()["datasets"]["curve"][0]["law"] is None
