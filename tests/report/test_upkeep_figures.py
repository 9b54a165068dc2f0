"""Figures of time in tolerance: drawn from its frame, valid, and to scale."""

import re

import altair as alt
import polars as pl
import pytest

from drift.frames import Row
from drift.report.figures import drawing
from drift.report.figures.canvas import Picture
from drift.report.figures.drawing import colour
from drift.report.figures.studies import draw_survival
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


@pytest.mark.parametrize(
    "picture",
    [
        draw_survival(FLAT, target=0.95, present_days=91.0),
        draw_survival(FLAT.head(1), target=0.95, present_days=91.0),
    ],
)
def test_pictures_are_valid_and_of_the_themes_hues(picture: Picture) -> None:
    """By Altair's own schema check; every hue is a role, so that pages can exchange it."""
    assert picture.to_dict()["$schema"] == alt.SCHEMA_URL
    used = set(re.findall(r'(?:fill|stroke)="(#[^"]+)"', drawing.marks_svg(picture)))
    assert used
    assert used <= set(drawing.theme()["light"].values())
