"""Figures: valid, deterministic and drawn from the frames they are given."""

import json
import re
from datetime import date, timedelta
from typing import Any

import altair as alt
import polars as pl
import pytest

from drift.figures import drawing, panels
from drift.figures.dossier import draw_as_found, draw_control, draw_path
from drift.figures.fleet import LABELLED_METERS, draw_fleet
from drift.pages.dossier import fitted_trend
from drift.results import Review
from tests.fabricated_review import DRIFTER, FIRST, NEWCOMER, VISITS, fabricate

SPAN = (date(2022, 1, 1), date(2025, 6, 1))
TOLERANCE = 0.1
JUMP = pl.DataFrame(
    {"point_pct": [5.0], "after": [date(2023, 5, 5)], "by": [date(2023, 9, 2)]},
)


@pytest.fixture(scope="module")
def review() -> Review:
    return fabricate()


def _mine(frame: pl.DataFrame, ledger: pl.DataFrame) -> pl.DataFrame:
    return frame.join(ledger.select("series").unique(), on="series", how="semi")


def _figures(review: Review, meter_id: str) -> dict[str, drawing.Drawing]:
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


def _drawn(chart: drawing.Drawing) -> list[dict[str, Any]]:
    """Return the mark rows of a figure."""
    specification = chart.to_dict()
    rows: list[dict[str, Any]] = json.loads(
        specification["datasets"][specification["data"]["name"]]
    )
    return rows


@pytest.mark.parametrize("meter_id", [DRIFTER, NEWCOMER, "CON"])
def test_figures_of_a_meter_satisfy_the_schema(review: Review, meter_id: str) -> None:
    """Each figure, with gaps, single visits and nan, is valid by Altair's own schema check."""
    for chart in _figures(review, meter_id).values():
        assert chart.to_dict(validate=True)["$schema"] == alt.SCHEMA_URL


@pytest.mark.parametrize("meters", [1, LABELLED_METERS, LABELLED_METERS + 1])
def test_fleet_figure_satisfies_the_schema(meters: int) -> None:
    """Both forms of the fleet figure are valid."""
    chart = draw_fleet(_fleet(meters), tolerance_pct=TOLERANCE)
    assert chart.to_dict(validate=True)["$schema"] == alt.SCHEMA_URL


def test_same_figure_same_text_and_no_ids(review: Review) -> None:
    """A figure is the same text whatever was drawn before, and brings no id or link into a page."""
    first = drawing.svg(_figures(review, DRIFTER)["as found"])
    drawing.svg(_figures(review, NEWCOMER)["path"])
    again = drawing.svg(_figures(review, DRIFTER)["as found"])
    assert first == again
    assert not re.search(r"\bid=|url\(|href|<script|\bstyle=", first)


def test_every_hue_of_a_figure_is_a_role(review: Review) -> None:
    """A page can exchange every hue in the dark: all are roles of the theme, all differ."""
    hues = set(drawing.theme()["light"].values())
    assert len(hues) == len(drawing.theme()["light"])
    assert drawing.theme()["dark"].keys() == drawing.theme()["light"].keys()
    pictures = [drawing.svg(chart) for chart in _figures(review, DRIFTER).values()]
    pictures.append(drawing.svg(draw_fleet(_fleet(9), tolerance_pct=TOLERANCE)))
    for picture in pictures:
        used = set(re.findall(r'(?:fill|stroke)="(#[^"]+)"', picture))
        assert used
        assert used <= hues


def test_as_found_figure_draws_what_the_ledger_holds(review: Review) -> None:
    """Every known bias is a dot, every adjustment a line and a triangle, signals are ringed."""
    rows = _drawn(_figures(review, DRIFTER)["as found"])
    ledger = review.ledger.filter(pl.col("meter_id") == DRIFTER)
    looks = {kind: (style.role, style.shape) for kind, style in panels.STYLES.items()}

    def of(kind: str) -> list[dict[str, Any]]:
        role, shape = looks[kind]
        hue = drawing.colour(role)
        return [row for row in rows if row["hue"] == hue and row.get("shape", shape) == shape]

    assert {row["y"] for row in of("dot") if row["geometry"] == "dot"} == set(
        ledger["as_found_bias_pct"]
    )
    assert {row["y"] for row in of("left")} == set(ledger.filter("adjusted")["as_left_bias_pct"])
    assert len(of("adjusted")) == ledger.filter("adjusted").height
    ringed = {(row["panel"], row["on"][:10]) for row in of("signal")}
    assert {on for _, on in ringed} == {"2023-01-05", "2023-12-31"}
    assert len({panel for panel, _ in ringed}) == 1


def test_forecast_bar_is_the_band_of_the_next_mean(review: Review) -> None:
    """The bar at the due date spans what the visit will find, the tick is the true bias then."""
    ledger = review.ledger.filter(pl.col("meter_id") == DRIFTER)
    ahead = _mine(review.forecasts, ledger)
    rows = _drawn(_figures(review, DRIFTER)["as found"])
    bars = [row for row in rows if row["hue"] == drawing.colour("forecast")]
    assert sorted((bar["low"], bar["high"]) for bar in bars) == sorted(
        ahead.select("next_mean_low", "next_mean_high").iter_rows()
    )
    ticks = [row for row in rows if row.get("shape") == "stroke"]
    assert sorted(tick["y"] for tick in ticks) == sorted(ahead["at_due"])


def test_unknown_values_are_gaps(review: Review) -> None:
    """A line never bridges a visit without as-found reading, an adjustment or nan."""
    rows = _drawn(_figures(review, "CON")["as found"])
    hue = drawing.colour("measured")
    strokes = [row for row in rows if row["hue"] == hue and row["geometry"] == "stroke"]
    dots = [row for row in rows if row["hue"] == hue and row["geometry"] == "dot"]
    assert len(dots) == 2 * (VISITS - 1)
    assert len(strokes) == 2 * (VISITS - 3)  # the lost visit parts the eight that were read
    lost = (FIRST + timedelta(days=120 * 4)).isoformat()
    assert all(not row["on"] < lost < row["until"] for row in strokes)


def test_axes_cover_what_is_drawn(review: Review) -> None:
    """An axis of ranges starts at zero; one of biases covers the tolerance and all marks."""
    control = _figures(review, DRIFTER)["control"].to_dict()
    as_found = _figures(review, DRIFTER)["as found"].to_dict()

    def domain(spec: dict[str, Any]) -> list[float]:
        layers = [layer for layer in spec["spec"]["layer"] if layer["mark"].get("type") == "point"]
        found: list[float] = layers[0]["encoding"]["y"]["scale"]["domain"]
        return found

    assert domain(control)[0] == 0
    assert domain(as_found)[0] < -TOLERANCE
    assert domain(as_found)[1] > TOLERANCE
    ys = [row["y"] for row in _drawn(_figures(review, DRIFTER)["path"]) if row.get("y") is not None]
    path = domain(_figures(review, DRIFTER)["path"].to_dict())
    assert path[0] < min(ys)
    assert path[1] > max(ys) > TOLERANCE


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
