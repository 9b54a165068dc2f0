"""Figures: valid, deterministic and drawn from the frames they are given.

What a figure shows is read off it as a reader would: places in pixels become biases and dates by
the labels of its axes.
"""

from datetime import date

import pytest

from drift.report.figures import drawing
from drift.report.figures.canvas import bias_ticks, dates


def test_every_role_has_a_hue_of_its_own() -> None:
    """A page can exchange every hue in the dark: all roles have one there, all differ."""
    hues = set(drawing.theme()["light"].values())
    assert len(hues) == len(drawing.theme()["light"])
    assert drawing.theme()["dark"].keys() == drawing.theme()["light"].keys()


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
