"""The bars, paths and story of pages: where they lie is worked out here from the frames."""

import dataclasses
from datetime import date

import polars as pl
import pytest

from drift.report.figures.fleet import Path, draw_multiples
from drift.report.pages import fleet_figures
from drift.report.pages.dossier import dossier_page
from drift.review.results import Review
from tests.fabricated_review import (
    AS_OF,
    DRIFTER,
    FIRST,
    IDS,
    NEWCOMER,
    REMARK,
    SCRIPT,
    VISITS,
    fabricate,
    of_many,
)


@pytest.fixture(scope="module")
def review() -> Review:
    return fabricate()


def _with_levels(review: Review, levels: dict[str, float]) -> Review:
    """Return the review with the bias now of some meters at 5 % set."""
    names = review.ledger.select("series", "meter_id", "point_pct").unique()
    series = {
        names.filter(pl.col("meter_id") == meter_id, point_pct=5.0)["series"][0]: level
        for meter_id, level in levels.items()
    }
    level = pl.col("series").replace_strict(series, default=pl.col("level"))
    return dataclasses.replace(review, forecasts=review.forecasts.with_columns(level=level))


def test_bars_share_one_scale(review: Review) -> None:
    """Zero is in the middle, the edges of the tolerance lie as far from it on either side."""
    bars = fleet_figures.bars(_with_levels(review, {DRIFTER: 0.0, SCRIPT: 0.1, "CON": -0.05}))
    middle = fleet_figures.BAR_WIDTH / 2
    left, width = (float(bars[DRIFTER].strip_left), float(bars[DRIFTER].strip_width))
    assert left + width / 2 == pytest.approx(middle, abs=0.1)
    assert float(bars[DRIFTER].level) == pytest.approx(middle, abs=0.1)
    assert float(bars[SCRIPT].level) == pytest.approx(left + width, abs=0.15)
    assert float(bars["CON"].level) == pytest.approx(middle - width / 4, abs=0.15)
    assert {bar.strip_left for bar in bars.values()} == {bars[DRIFTER].strip_left}


def test_a_meter_far_out_stands_at_the_edge_and_says_so(review: Review) -> None:
    """One bias of 30 % does not squeeze the others, and its side and size are told."""
    bars = fleet_figures.bars(_with_levels(review, {DRIFTER: 30.0, SCRIPT: -30.0}))
    assert bars[DRIFTER].beyond == "right"
    assert bars[SCRIPT].beyond == "left"
    assert "+30.000" in bars[DRIFTER].label
    assert float(bars["CON"].strip_width) > fleet_figures.BAR_WIDTH / 5


def test_a_meter_without_forecast_has_a_bar_without_band(review: Review) -> None:
    """What is not known is not drawn, and is said."""
    bar = fleet_figures.bars(review)[NEWCOMER]
    assert (bar.band_left, bar.band_width, bar.tick) == ("", "", "")
    assert "cannot say" in bar.label


def test_paths_are_drawn_side_by_side_on_the_same_axes() -> None:
    """The same bias lies as high above the foot of every panel, the last visit is a dot."""
    on = (date(2024, 1, 1), date(2025, 1, 1))
    paths = [Path(f"M-{n}", on, (0.0, bias), f"says {n}") for n, bias in enumerate([0.1, 0.3, 0.1])]
    picture = draw_multiples(paths, tolerance_pct=0.1)
    first, second, third = (dot["y"] for dot in picture.dots)
    assert second < first
    assert first == third
    assert [dot["says"] for dot in picture.dots] == ["says 0", "says 1", "says 2"]
    assert [word.text for word in picture.words] == ["M-0", "M-1", "M-2"]


def test_the_paths_of_the_fleet_are_counted(review: Review) -> None:
    """The conclusion counts the meters whose worst point would be outside; long fleets are cut."""
    in_use = [meter_id for meter_id in IDS if meter_id != "CON"]
    worst = review.ledger.filter(
        pl.col("point_pct") == 5.0,
        pl.col("meter_id").is_in(in_use),
        pl.col("unadjusted_path_pct").is_not_null(),
    )
    last = worst.group_by("meter_id").agg(pl.col("unadjusted_path_pct").sort_by("t_years").last())
    outside = last.filter(pl.col("unadjusted_path_pct").abs() > 0.1).height
    figure = fleet_figures.paths_figure(review, in_use=in_use)
    assert figure is not None
    assert f"{outside} of {len(in_use)} meters would by now stand outside" in figure.conclude
    assert 0 < outside < len(in_use)
    many = of_many(review, meters=90)
    cut = fleet_figures.paths_figure(many, in_use=many.meters["meter_id"].to_list())
    assert cut is not None
    assert f"the first {fleet_figures.LONGEST_MULTIPLES}" in cut.shows
    assert fleet_figures.paths_figure(review, in_use=[]) is None


def test_every_reading_is_on_the_dossier(review: Review) -> None:
    """A row a sitting, newest first, each replicate as the dial showed it."""
    rows = dossier_page(review, DRIFTER).readings
    sessions = review.sources.sessions.filter(pl.col("meter_id") == DRIFTER)
    assert len(rows) == sessions.height == 2 * VISITS
    assert rows[0].performed_on == sessions["performed_on"].max()
    oldest = rows[-2:]
    assert {row.performed_on for row in oldest} == {FIRST}
    for row in oldest:
        mine = sessions.filter(performed_on=FIRST, point_pct=row.point_pct)
        expected = [row.point_pct + bias for bias in mine["biases_pct"][0]]
        assert list(row.read_pct) == pytest.approx(expected)
    assert any(row.remarks == REMARK for row in rows)
    assert rows[0].performed_on < AS_OF
