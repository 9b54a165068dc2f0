"""Figures of time in tolerance and of costs: drawn from their frames, valid, and to scale."""

import re

import altair as alt
import polars as pl
import pytest

from drift.frames import Row
from drift.report.figures import drawing
from drift.report.figures.canvas import Picture
from drift.report.figures.drawing import colour
from drift.report.figures.studies import draw_costs, draw_survival
from drift.upkeep.reliability.survival_curve import CURVE

FLAT = pl.DataFrame(
    {
        "days": [0.0, 100.0, 200.0, 400.0],
        "lowest": [1.0, 1.0, 0.5, 0.5],
        "highest": [1.0, 1.0, 0.5, 0.5],
        "low": [1.0, 0.8, 0.3, 0.2],
        "high": [1.0, 1.0, 0.7, 0.6],
        "weibull": [1.0, 0.8, 0.6, 0.4],
    },
    schema=CURVE,
)
COSTS = pl.DataFrame(
    {
        "choice": ["keep", "check_more_often", "service", "retire"],
        "expected_cost": [5000.0, 3000.0, 2500.0, 4000.0],
        "low_cost": [3500.0, 2600.0, 2100.0, 3900.0],
        "high_cost": [6500.0, 3400.0, 3100.0, 4200.0],
    }
)


def vertices(row: Row) -> list[tuple[float, float]]:
    places = re.findall(r"(-?[\d.]+),(-?[\d.]+)", row["shape"])
    return [(float(x), float(y)) for x, y in places]


def stroked(picture: Picture, role: str) -> list[Row]:
    return [row for row in picture.under if row["stroke"] == colour(role)]


def place(picture: Picture, label: str, *, axis: str = "middle") -> float:
    """Return where an axis, known by how its labels are aligned, says that a value lies."""
    (word,) = (
        word
        for word in picture.words
        if word.text.replace("\u202f", "") == label and word.align == axis
    )
    return word.y if axis == "end" else word.x


def test_survival_is_drawn_to_the_scale_of_its_axes() -> None:
    """The line falls from 100 to 50 % between 100 and 200 days; target and band by the labels."""
    picture = draw_survival(FLAT, target=0.75, present_days=100.0)
    (line,) = (vertices(row) for row in stroked(picture, "measured"))
    full, half = (place(picture, str(percent), axis="end") for percent in (100, 50))
    hundred, two = (place(picture, days) for days in ("100", "200"))
    assert line[1] == pytest.approx((hundred, full), abs=0.1)
    assert line[2] == pytest.approx((two, half), abs=0.1)
    (target,) = (vertices(row) for row in stroked(picture, "signal"))
    assert {y for _, y in target} == {place(picture, "75", axis="end")}
    (present,) = (vertices(row) for row in stroked(picture, "edge"))
    assert [x for x, _ in present] == pytest.approx([hundred, hundred], abs=0.1)
    (law,) = (vertices(row) for row in stroked(picture, "ink"))
    assert law[-1][1] == pytest.approx(
        full + (place(picture, "0", axis="end") - full) * 0.6, abs=0.1
    )


def test_survival_without_a_law_has_no_line_of_it() -> None:
    """Where the spells show no law none is drawn."""
    lawless = FLAT.with_columns(weibull=pl.lit(None, dtype=pl.Float64))
    assert not stroked(draw_survival(lawless, target=0.95, present_days=91.0), "ink")


def test_costs_are_drawn_with_their_ranges() -> None:
    """Each choice has a dot at its expected cost within its range, both by the labelled scale."""
    picture = draw_costs(COSTS)
    scale = (place(picture, "5000") - place(picture, "0")) / 5000
    for row, bar, dot in zip(
        COSTS.iter_rows(named=True), stroked(picture, "forecast"), picture.dots, strict=True
    ):
        (low, _), (high, _) = vertices(bar)
        zero = place(picture, "0")
        assert (low - zero) / scale == pytest.approx(row["low_cost"], abs=10)
        assert (high - zero) / scale == pytest.approx(row["high_cost"], abs=10)
        assert (dot["x"] - zero) / scale == pytest.approx(row["expected_cost"], abs=10)
        assert row["choice"].replace("_", " ") in dot["says"]


@pytest.mark.parametrize(
    "picture",
    [
        draw_survival(FLAT, target=0.95, present_days=91.0),
        draw_survival(FLAT.head(1), target=0.95, present_days=91.0),
        draw_costs(COSTS),
        draw_costs(COSTS.head(1)),
    ],
)
def test_pictures_are_valid_and_of_the_themes_hues(picture: Picture) -> None:
    """By Altair's own schema check; every hue is a role, so that pages can exchange it."""
    assert picture.to_dict()["$schema"] == alt.SCHEMA_URL
    used = set(re.findall(r'(?:fill|stroke)="(#[^"]+)"', drawing.marks_svg(picture)))
    assert used
    assert used <= set(drawing.theme()["light"].values())
