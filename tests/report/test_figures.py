"""Figures: valid, deterministic and drawn from the frames they are given.

What a figure shows is read off it as a reader would: places in pixels become biases and dates by
the labels of its axes.
"""

import re
from collections.abc import Sequence
from datetime import date, timedelta

import altair as alt
import numpy as np
import polars as pl
import pytest

from drift.frames import Row
from drift.limits.charts.mark import MARK_CHARTS
from drift.report.figures import drawing, panels
from drift.report.figures.canvas import Picture, bias_ticks, dates
from drift.report.figures.dossier import draw_as_found, draw_control, draw_path
from drift.report.figures.events import draw_mark
from drift.review.results import Review
from drift.trend.path_trend import fitted_trend
from tests.fabricated_review import DRIFTER, FIRST, NEWCOMER, REMARK, VISITS, fabricate

SPAN = (date(2022, 1, 1), date(2025, 6, 1))
TOLERANCE = 0.1
# Places are kept to a tenth of a pixel, which no axis here makes more than this, % air.
PIXEL = 0.001
FAN = pl.DataFrame(
    {
        "on_date": [date(2025, 1, 15), date(2025, 5, 1)],
        "level": [0.02, 0.03],
        "low": [0.01, -0.02],
        "high": [0.03, 0.08],
    }
)
JUMP = pl.DataFrame(
    {"point_pct": [5.0], "after": [date(2023, 5, 5)], "by": [date(2023, 9, 2)]},
)


@pytest.fixture(scope="module")
def review() -> Review:
    return fabricate()


def _mine(frame: pl.DataFrame, ledger: pl.DataFrame) -> pl.DataFrame:
    return frame.join(ledger.select("series").unique(), on="series", how="semi")


def _figures(review: Review, meter_id: str) -> dict[str, Picture]:
    ledger = review.ledger.filter(pl.col("meter_id") == meter_id)
    charted = _mine(review.charted, ledger)
    only = "ewma" if meter_id == NEWCOMER else "moving_range"  # one visit has no moving range
    signals = review.signals.filter(pl.col("meter_id") == meter_id)
    individuals = charted.filter(pl.col("chart") == "individuals")
    return {
        "as found": draw_as_found(
            ledger,
            charted=individuals,
            signals=signals,
            forecasts=_mine(review.forecasts, ledger),
            fan=FAN.with_columns(series=pl.lit(ledger["series"][0])),
            tolerance_pct=TOLERANCE,
            span=SPAN,
        ),
        "path": draw_path(
            ledger,
            fitted=fitted_trend(ledger, _mine(review.path_trends, ledger)),
            jumps=JUMP,
            tolerance_pct=TOLERANCE,
            span=SPAN,
        ),
        "control": draw_control(
            ledger, charted=charted.filter(pl.col("chart") == only), signals=signals, span=SPAN
        ),
    }


def _line(places: Sequence[float], values: Sequence[float]) -> np.poly1d:
    """Return the straight line through the labels of an axis."""
    return np.poly1d(np.polyfit(places, values, 1))


def _number(label: str) -> float:
    return float(label.replace("\u2212", "-"))


def _heights(picture: Picture) -> list[tuple[float, float, np.poly1d]]:
    """Return top, foot and the axis of bias of each panel, by its labels."""
    tops = [word.y for word in picture.words if word.bold]
    feet = [*tops[1:], picture.height]
    labels = [word for word in picture.words if word.align == "end"]
    found = []
    for top, foot in zip(tops, feet, strict=True):
        mine = [word for word in labels if top < word.y < foot]
        line = _line([word.y for word in mine], [_number(word.text) for word in mine])
        found.append((top, foot, line))
    return found


def _bias(picture: Picture, y: float) -> float:
    """Return the bias at a height."""
    return next(float(line(y)) for top, foot, line in _heights(picture) if top < y < foot)


def _panel(picture: Picture, y: float) -> int:
    return next(n for n, (top, foot, _) in enumerate(_heights(picture)) if top < y < foot)


def _day(picture: Picture, x: float) -> date:
    """Return the date at a place, by the labels of the years."""
    years = [word for word in picture.words if word.align == "middle"]
    days = [date(int(word.text), 1, 1).toordinal() for word in years]
    return date.fromordinal(round(float(_line([word.x for word in years], days)(x))))


def _of(picture: Picture, kind: str) -> list[Row]:
    """Return the rows that look like a kind of mark."""
    style = panels.STYLES[kind]
    hue = drawing.colour(style.role)
    dash = list(style.dash) if style.dash else None
    rows = [row for row in (*picture.under, *picture.dots) if hue in {row["stroke"], row["fill"]}]
    if style.geometry == "dot":
        return [row for row in rows if row["shape"] == style.shape]
    rows = [row for row in rows if row["shape"].startswith("M")]
    if style.geometry == "band":
        return [row for row in rows if row["fill"] == hue]
    return [row for row in rows if row["dash"] == dash and row["width"] == style.width]


def _vertices(row: Row) -> list[tuple[float, float]]:
    """Return the points of a path."""
    pairs = row["shape"].strip("MZ").split("L")
    return [(float(x), float(y)) for x, y in (pair.split(",") for pair in pairs)]


def _biases(picture: Picture, rows: list[Row]) -> list[float]:
    return sorted(_bias(picture, row["y"]) for row in rows)


@pytest.mark.parametrize("meter_id", [DRIFTER, NEWCOMER, "CON"])
def test_figures_of_a_meter_satisfy_the_schema(review: Review, meter_id: str) -> None:
    """Each figure, with gaps, single visits and nan, is valid by Altair's own schema check."""
    for chart in _figures(review, meter_id).values():
        assert chart.to_dict()["$schema"] == alt.SCHEMA_URL


def test_same_figure_same_text_and_no_ids(review: Review) -> None:
    """A figure is the same text whatever was drawn before, and brings no id or link into a page."""
    first = drawing.marks_svg(_figures(review, DRIFTER)["as found"])
    drawing.marks_svg(_figures(review, NEWCOMER)["path"])
    again = drawing.marks_svg(_figures(review, DRIFTER)["as found"])
    assert first == again
    assert not re.search(r"\bid=|url\(|href|<script|\bstyle=", first)


def test_every_hue_of_a_figure_is_a_role(review: Review) -> None:
    """A page can exchange every hue in the dark: all are roles of the theme, all differ."""
    hues = set(drawing.theme()["light"].values())
    assert len(hues) == len(drawing.theme()["light"])
    assert drawing.theme()["dark"].keys() == drawing.theme()["light"].keys()
    pictures = [drawing.marks_svg(chart) for chart in _figures(review, DRIFTER).values()]
    for picture in pictures:
        used = set(re.findall(r'(?:fill|stroke)="(#[^"]+)"', picture))
        assert len(used) > 3
        assert used <= hues


def test_as_found_figure_draws_what_the_ledger_holds(review: Review) -> None:
    """Every known bias is a dot, every adjustment a line and a triangle, signals are ringed."""
    picture = _figures(review, DRIFTER)["as found"]
    ledger = review.ledger.filter(pl.col("meter_id") == DRIFTER)
    found = sorted(ledger["as_found_bias_pct"])
    left = sorted(ledger.filter("adjusted")["as_left_bias_pct"])
    assert _biases(picture, _of(picture, "dot")) == pytest.approx(found, abs=PIXEL)
    assert _biases(picture, _of(picture, "left")) == pytest.approx(left, abs=PIXEL)
    assert len(_of(picture, "adjusted")) == ledger.filter("adjusted").height
    ringed = _of(picture, "signal")
    days = sorted(_day(picture, row["x"]) for row in ringed)
    for day, visit in zip(days, (3, 6), strict=True):
        assert abs(day - (FIRST + timedelta(days=120 * visit))) <= timedelta(days=1)
    assert len({_panel(picture, row["y"]) for row in ringed}) == 1


def test_forecast_is_drawn_from_now_on(review: Review) -> None:
    """The bar at the due date spans what the visit will find; the fan is that of the frame."""
    ledger = review.ledger.filter(pl.col("meter_id") == DRIFTER)
    ahead = _mine(review.forecasts, ledger)
    picture = _figures(review, DRIFTER)["as found"]
    bars = [_vertices(row) for row in _of(picture, "expected")]
    ends = sorted(_bias(picture, y) for bar in bars for _, y in bar)
    asked = sorted([*ahead["next_mean_low"], *ahead["next_mean_high"]])
    assert ends == pytest.approx(asked, abs=PIXEL)
    ticks = _biases(picture, _of(picture, "middle"))
    assert ticks == pytest.approx(sorted(ahead["at_due"]), abs=PIXEL)
    (fan,) = _of(picture, "fan")
    corners = sorted(_bias(picture, y) for _, y in _vertices(fan))
    assert corners == pytest.approx(sorted([*FAN["low"], *FAN["high"]]), abs=PIXEL)
    assert abs(_day(picture, _vertices(fan)[1][0]) - FAN["on_date"][1]) <= timedelta(days=1)


def test_unknown_values_are_gaps(review: Review) -> None:
    """A line never bridges a visit without as-found reading, an adjustment or nan."""
    picture = _figures(review, "CON")["as found"]
    lines = [_vertices(row) for row in _of(picture, "link")]
    assert len(_of(picture, "dot")) == 2 * (VISITS - 1)
    assert [len(line) for line in lines] == [4, 4, 4, 4]  # the lost visit parts the eight read
    lost = FIRST + timedelta(days=120 * 4)
    for line in lines:
        first, last = (_day(picture, x) for x, _ in (line[0], line[-1]))
        assert not first < lost < last


def test_axes_cover_what_is_drawn(review: Review) -> None:
    """An axis of ranges starts at zero; all marks of a figure lie inside its panels."""
    control = _figures(review, DRIFTER)["control"]
    drawn = [row for row in control.under if row["shape"].startswith("M")]
    feet = [y for row in drawn for _, y in _vertices(row)]
    assert _bias(control, max(feet) - panels._TICK) == pytest.approx(0, abs=PIXEL)
    for picture in _figures(review, DRIFTER).values():
        paths = [_vertices(row) for row in picture.under if row["shape"].startswith("M")]
        dots = [(row["x"], row["y"]) for row in picture.dots]
        for x, y in (*dots, *(vertex for path in paths for vertex in path)):
            assert panels.LEFT <= x <= picture.width - panels.RIGHT
            assert 0 <= y <= picture.height


def test_a_dot_says_who_read_what(review: Review) -> None:
    """Each dot of a visit names its date, point, operator, vessel and remarks as they are."""
    ledger = review.ledger.filter((pl.col("meter_id") == DRIFTER) & (pl.col("visit") == 3))
    row = ledger.row(1, named=True)
    said = [dot["says"] for dot in _of(_figures(review, DRIFTER)["as found"], "dot")]
    (mine,) = [one for one in said if REMARK[:40] in one and "5\u00a0% point" in one]
    assert f"as found {row['as_found_bias_pct']:+.3f}".replace("-", "\u2212") in mine
    assert "R. <b>Example</b>" in mine
    assert "vessel V-1" in mine
    assert len(said) == len(set(said))
    plotted = [dot["says"] for dot in _of(_figures(review, DRIFTER)["control"], "dot")]
    assert all("limits up to +0.090" in one for one in plotted)


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


def test_line_and_wedge_have_the_slopes_of_the_frame(review: Review) -> None:
    """The line rises by the drift, its edges by the interval's ends, all through the mean."""
    ledger = review.ledger.filter(pl.col("meter_id") == DRIFTER)
    fitted = fitted_trend(ledger, _mine(review.path_trends, ledger))
    both = fitted.join(ledger, on=["series", "visit"])
    for _, one in both.group_by("series"):
        t, y = one["t_years"].to_numpy(), one["unadjusted_path_pct"].to_numpy()
        away = t - t.mean()
        assert one["fit"].to_numpy() == pytest.approx(y.mean() + 0.058 * away)
        assert one["low"].to_numpy()[away > 0] == pytest.approx((y.mean() - 0.01 * away)[away > 0])
        assert one["high"].to_numpy()[away < 0] == pytest.approx((y.mean() - 0.01 * away)[away < 0])
        assert (one["low"] <= one["fit"]).all()
        assert (one["fit"] <= one["high"]).all()
    newcomer = review.ledger.filter(pl.col("meter_id") == NEWCOMER)
    unknown = fitted_trend(newcomer, _mine(review.path_trends, newcomer))
    assert unknown.select("fit", "low", "high").null_count().row(0) == (2, 2, 2)


def test_limits_of_a_single_visit_are_drawn_too(review: Review) -> None:
    """A phase of one visit has limits to both sides of it, where a line of one point has none."""
    ledger = review.ledger.filter(pl.col("meter_id") == DRIFTER)
    charted = _mine(review.charted, ledger).filter(pl.col("chart") == "ewma")
    last = pl.col("visit") == pl.col("visit").max()
    alone = charted.with_columns(phase=pl.when(last.over("series")).then(2).otherwise("phase"))
    nothing = review.signals.clear()
    drawn = [
        draw_control(ledger, charted=each, signals=nothing, span=SPAN) for each in (charted, alone)
    ]
    lines = [len(_of(picture, "upper")) for picture in drawn]
    widths = [min(_width(row) for row in _of(picture, "upper")) for picture in drawn]
    assert lines[1] > lines[0]
    assert 0 < widths[1] < widths[0]


def _width(row: Row) -> float:
    """Return how far a path reaches across."""
    across = [x for x, _ in _vertices(row)]
    return max(across) - min(across)


def test_the_mark_is_drawn_where_it_stood() -> None:
    """Three positions with limits that open, the last one ringed; read off by the axis."""
    placed = pl.DataFrame(
        {
            "series": [0] * 3,
            "meter_id": ["A"] * 3,
            "performed_on": [date(2022, 2, 1), date(2023, 2, 1), date(2024, 2, 1)],
            "unit": ["dial_pct"] * 3,
            "chart": ["mark"] * 3,
            "phase": [1] * 3,
            "visit": [1, 2, 3],
            "value": [-0.2, -0.3, -0.7],
            "centre": [-0.2] * 3,
            "lower": [-0.25, -0.4, -0.5],
            "upper": [-0.15, 0.0, 0.1],
            "note": ["Limits from 9 moves."] * 3,
        },
        schema=MARK_CHARTS,
    )
    signals = pl.DataFrame({"visit_on": [date(2024, 2, 1)]})
    picture = draw_mark(placed, signals=signals, span=SPAN)
    assert picture.to_dict()["$schema"] == alt.SCHEMA_URL
    # The axis is in the mark's unit, to 1 % of which a pixel is read.
    assert _biases(picture, list(picture.dots)) == pytest.approx([-0.7, -0.3, -0.2], abs=0.01)
    ringed = _of(picture, "signal")
    assert [_day(picture, row["x"]) for row in ringed] == [date(2024, 2, 1)]
    upper = [vertex for row in _of(picture, "upper") for vertex in _vertices(row)]
    assert len(upper) >= 6
