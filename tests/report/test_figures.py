"""Figures: valid, deterministic and drawn from the frames they are given.

What a figure shows is read off it as a reader would: places in pixels become biases and dates by
the labels of its axes.
"""

import re
from datetime import date

import altair as alt
import polars as pl
import pytest

from drift.report.figures import drawing
from drift.report.figures.canvas import bias_ticks, dates
from drift.report.figures.fleet import LABELLED_METERS, draw_fleet

TOLERANCE = 0.1


def _fleet(meters: int) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "label": [f"AM-{n:03}" for n in range(meters)],
            "standing": ["holding"] * meters,
            "level": [0.01 * (n % 9) for n in range(meters)],
            "at_due": [0.01 * (n % 9) for n in range(meters)],
            "next_mean_low": [0.01 * (n % 9) - 0.05 if n else None for n in range(meters)],
            "next_mean_high": [0.01 * (n % 9) + 0.05 if n else None for n in range(meters)],
        }
    )


@pytest.mark.parametrize("meters", [1, LABELLED_METERS, LABELLED_METERS + 1])
def test_fleet_figure_satisfies_the_schema(meters: int) -> None:
    """Both forms of the fleet figure are valid."""
    chart = draw_fleet(_fleet(meters), tolerance_pct=TOLERANCE)
    assert chart.to_dict()["$schema"] == alt.SCHEMA_URL


def test_every_hue_of_a_figure_is_a_role() -> None:
    """A page can exchange every hue in the dark: all are roles of the theme, all differ."""
    hues = set(drawing.theme()["light"].values())
    assert len(hues) == len(drawing.theme()["light"])
    assert drawing.theme()["dark"].keys() == drawing.theme()["light"].keys()
    picture = drawing.marks_svg(draw_fleet(_fleet(9), tolerance_pct=TOLERANCE))
    used = set(re.findall(r'(?:fill|stroke)="(#[^"]+)"', picture))
    assert len(used) > 3
    assert used <= hues


@pytest.mark.parametrize(
    ("ends", "labels"),
    [
        ((-0.12, 0.19), ["\u22120.1", "0.0", "+0.1"]),
        ((0.0, 0.0107), ["0.000", "0.005", "0.010"]),
        ((-3.2, 7.4), ["0", "+5"]),
    ],
)
def test_axes_are_labelled_at_round_values(ends: tuple[float, float], labels: list[str]) -> None:
    """Steps are 1, 2 or 5 times a power of ten, worked out here by hand."""
    assert [label for _, label in bias_ticks(ends, most=4)] == labels


def test_time_axis_is_true_to_scale() -> None:
    """A short axis is labelled by quarters, a long one by years; days are as far apart as days."""
    short = dates((date(2024, 1, 10), date(2024, 12, 1)), start=0, end=100)
    assert [label.replace("\u00a0", " ") for _, label in short.ticks()] == [
        "Jan 2024",
        "Apr 2024",
        "Jul 2024",
        "Oct 2024",
    ]
    long = dates((date(2000, 1, 10), date(2030, 1, 1)), start=0, end=100)
    assert [label for _, label in long.ticks()] == [str(year) for year in range(2000, 2031, 4)]
    a, b, c = (long.at(date(2020, 2, day)) for day in (1, 2, 3))
    assert b - a == pytest.approx(c - b)
