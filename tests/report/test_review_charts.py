"""Charts of a review by name: every one that pages draw, with the rows that pages carry."""

import json
from datetime import date, timedelta

import altair as alt
import polars as pl
import pytest
import vl_convert

import drift
from drift.api import face
from drift.errors import DriftError
from drift.report.figures.registry import FIGURES
from drift.report.figures.rows import unpacked
from drift.report.pages.dossier import dossier_page
from drift.report.pages.fleet_rows import fleet_table

DAYS = [date(2022, 3, 1) + timedelta(days=91 * visit) for visit in range(14)]
BIASES = {
    "AM-1": [0.0, 0.02, 0.0, -0.02] * 4,
    "AM-2": [0.01 * visit for visit in range(14)],
    "AM-3": [0.0] * 14,
}
# Without prices no choice has a cost; no vessel and no comparison is on record.
WITHOUT_ROWS = {"retirement_costs", "vessel_values", "comparisons"}
# Of a study, which no review draws.
OF_STUDIES = {"scatter_parts", "who_differs"}
VEGA_LITE = ".".join(alt.SCHEMA_VERSION.removeprefix("v").split(".")[:2])


@pytest.fixture(scope="module")
def review() -> face.Review:
    """Review three meters of two points and three readings a visit; one is checked between."""
    readings = pl.DataFrame(
        [
            {
                "meter_id": meter,
                "performed_on": on,
                "stage": "as_found",
                "correct_air_pct": point,
                "reading_air_pct": round(point + bias * (1 + point / 10), 2),
                "replicate": replicate,
                "resolution_pct": 0.01,
                "vessel_id": "V-1" if place < 7 else "V-2",
                "operator": f"op-{place % 2}",
            }
            for meter, biases in BIASES.items()
            for place, (on, bias) in enumerate(zip(DAYS, biases, strict=False))
            for point in (5.0, 10.0)
            for replicate in (1, 2, 3)
        ]
    )
    checks = pl.DataFrame(
        [
            {"meter_id": "AM-2", "performed_on": on, "check": "zero", "value": value, "unit": "%"}
            for on, value in zip(DAYS[:9], [0.0, 0.02, -0.02] * 3, strict=True)
        ]
    )
    return drift.review({"readings": readings, "checks": checks}, as_of="2025-08-01")


@pytest.mark.parametrize("name", FIGURES)
def test_every_chart_of_pages_is_there_with_its_rows(review: face.Review, name: str) -> None:
    """It is valid, compiles without a page beside it, has a width, and draws only known columns."""
    if name in OF_STUDIES:
        assert name not in review.charts
        with pytest.raises(DriftError, match="is no chart of a review"):
            review.chart(name)
        return
    assert review.charts[name] == FIGURES[name].shows
    if name in WITHOUT_ROWS:
        with pytest.raises(DriftError, match="has nothing to draw"):
            review.chart(name, "AM-2")
        return
    spec = review.chart(name, "AM-2").to_dict()
    assert any(spec["datasets"].values())
    for data_set, columns in FIGURES[name].data.items():
        assert all(tuple(row) == columns for row in spec["datasets"][data_set])
    compiled = vl_convert.vegalite_to_vega(spec, vl_version=VEGA_LITE)
    assert compiled["marks"]
    views = spec.get("vconcat", [spec])
    assert all("width" in view for view in views)


def test_rows_are_those_of_the_dossier(review: face.Review) -> None:
    """A notebook and a page draw the same dots; panels are as high as the page makes them."""
    page = dossier_page(review._found, "AM-2")
    chart = review.chart("meter_history", "AM-2").to_dict()
    carried = unpacked(json.loads(page.history.rows)["data"]["visits"])
    assert [row["found"] for row in chart["datasets"]["visits"]] == carried["found"]
    assert all(row["on"].endswith("T00:00:00") for row in chart["datasets"]["visits"])
    heights = [view["height"] for view in chart["vconcat"][1:]]
    assert min(heights[:2]) > 100
    assert heights[2] == 0


def test_rows_of_the_fleet_are_named_in_the_order_of_its_table(review: face.Review) -> None:
    """Where a page has the table beside the chart, a notebook has the names within it."""
    chart = review.chart("fleet_bias").to_dict()
    named = [row["meter"] for row in chart["datasets"]["meters"]]
    groups = fleet_table(review._found).groups
    assert named == [row.name for group in groups for row in group.rows]
    assert chart["height"] == 24 * len(BIASES)
    assert any(layer.get("encoding", {}).get("text") for layer in chart["layer"])


def test_one_of_several_charts_is_asked_for_by_what_it_is_about(review: face.Review) -> None:
    """The first unless another is named; a slip is told with what there is."""
    first = review.chart("meter_control", "AM-2").to_dict()
    mine = review.chart("meter_control", "AM-2", about="individuals").to_dict()
    assert mine["datasets"] == first["datasets"]
    with pytest.raises(DriftError, match="individuals") as told:
        review.chart("meter_control", "AM-2", about="individual")
    assert "did you mean" in told.value.hint
    with pytest.raises(DriftError, match="is no chart of a review"):
        review.chart("meter_histories", "AM-2")
    with pytest.raises(DriftError, match="none was named"):
        review.chart("meter_lines")
