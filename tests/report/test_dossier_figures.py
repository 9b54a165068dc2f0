"""Figures of a dossier: valid, and drawn from rows that say what the frames hold."""

import dataclasses
import json
from datetime import date
from functools import cache
from itertools import pairwise
from typing import Any

import altair as alt
import polars as pl
import pytest

from drift import format as text
from drift.frames import Row, day_of
from drift.meter.causes import NOTHING
from drift.report.figures.registry import FIGURES
from drift.report.figures.rows import unchecked, unpacked
from drift.report.pages.dossier import dossier_page, history_data
from drift.report.pages.dossier_bench import CAUSE_WORDS
from drift.report.pages.dossier_history import history_points
from drift.report.pages.dossier_limits import is_beyond, limit_stretches, runs_beyond
from drift.report.pages.dossier_readings import readings_part
from drift.report.pages.dossier_zero_span import cause_history_part
from drift.review.results import Review
from tests.fabricated_ids import (
    AS_OF,
    DRIFTER,
    FIRST,
    FRIENDLY,
    IDS,
    NEWCOMER,
    REMARK,
    SCRIPT,
    VISITS,
)
from tests.fabricated_review import fabricate
from tests.sample_reviews import SampleReviews

OF_METERS = (
    *("meter_history", "meter_cause", "meter_lines", "meter_control"),
    *("zero_span", "cause_history"),
)


@pytest.fixture(scope="module")
def review() -> Review:
    return fabricate()


def _history(review: Review, meter_id: str) -> tuple[dict[str, list[Row]], dict[str, float]]:
    ledger = review.judged.filter(pl.col("meter_id") == meter_id)
    points = history_points(review, ledger)
    signals = review.signals.filter(pl.col("meter_id") == meter_id)
    return history_data(review, points, ledger, signals=signals)


def _drawn(rows: str) -> dict[str, Any]:
    """Return what a page carries for a figure."""
    found: dict[str, Any] = json.loads(rows)
    data = {data_set: unpacked(columns) for data_set, columns in found["data"].items()}
    return found | {"data": data}


def _figures(review: Review, meter_id: str) -> list[tuple[str, str]]:
    page = dossier_page(review, meter_id)
    mark = [("meter_control", page.mark.rows)] if page.mark else []
    return [
        ("meter_history", page.history.rows),
        ("meter_lines", page.control.rows),
        *(("meter_cause", panel.rows) for panel in page.cause.panels),
        *(("meter_control", chart.rows) for chart in page.control.charts),
        *mark,
        *([("zero_span", page.zero_span.rows)] if page.zero_span.rows else []),
    ]


@pytest.mark.parametrize("name", OF_METERS)
def test_charts_satisfy_the_schema(name: str) -> None:
    """Each chart is valid by Altair's own check and draws no data but what it names."""
    figure = FIGURES[name]
    chart = figure.build().to_dict(validate=True)
    assert chart["$schema"] == alt.SCHEMA_URL
    named = {part["name"] for part in _parts(chart, "data") if "name" in part}
    assert named == set(figure.data)
    columns = {column for data_set in figure.data.values() for column in data_set}
    fields = {field for field in _parts(chart, "field") if isinstance(field, str)}
    views = {part["name"] for part in _with_name(chart)}
    zoomed = [view for param in chart["params"] for view in param.get("views", [])]
    assert set(zoomed) <= views
    # Worked out from columns by the state that a reader chose and the room that there is, ends of
    # intervals from their middle, and words.
    words = {"words", "unadjusted", "as_found", "limits", "sure"}
    assert fields - columns <= {"start", "bias", "low", "high", *words}


def _with_name(value: Any) -> list[Any]:
    """Return every view that has a name, at any depth."""
    if isinstance(value, list):
        return [found for item in value for found in _with_name(item)]
    if not isinstance(value, dict):
        return []
    here = [value] if "name" in value and {"mark", "layer", "vconcat"} & set(value) else []
    return [*here, *(found for item in value.values() for found in _with_name(item))]


def _parts(value: Any, key: str) -> list[Any]:
    """Return every value that stands under a key, at any depth."""
    if isinstance(value, list):
        return [found for item in value for found in _parts(item, key)]
    if not isinstance(value, dict):
        return []
    here = [value[key]] if key in value else []
    return [*here, *(found for item in value.values() for found in _parts(item, key))]


@pytest.mark.parametrize("meter_id", IDS)
def test_rows_have_the_columns_that_charts_ask_for(review: Review, meter_id: str) -> None:
    """Whatever a meter's history, each data set has its columns, all of one length."""
    for name, rows in _figures(review, meter_id):
        found = _drawn(rows)
        assert {each: tuple(columns) for each, columns in found["data"].items()} == dict(
            FIGURES[name].data
        )
        for columns in found["data"].values():
            assert len({len(values) for values in columns.values()}) == 1
        assert set(found["params"]) <= _params(name)


@cache
def _params(name: str) -> set[str]:
    """Return the parameters of a chart."""
    return {part["name"] for part in unchecked(FIGURES[name]).to_dict(validate=False)["params"]}


def test_dots_are_the_biases_of_the_ledger(review: Review) -> None:
    """Every visit and point is a row with what was found, left and summed up."""
    data, _ = _history(review, DRIFTER)
    ledger = review.judged.filter(pl.col("meter_id") == DRIFTER).sort("point_pct", "visit")
    assert [row["found"] for row in data["visits"]] == ledger["as_found_bias_pct"].to_list()
    assert [row["left"] for row in data["visits"]] == ledger["as_left_bias_pct"].to_list()
    assert [row["path"] for row in data["visits"]] == ledger["unadjusted_path_pct"].to_list()
    assert [row["on"] for row in data["visits"]] == ledger["performed_on"].to_list()
    assert sum(row["reset"] for row in data["visits"]) == ledger["adjusted"].sum()
    outside = [row["outside"] for row in data["visits"]]
    assert outside == (~ledger["within"]).fill_null(value=False).to_list()
    # A climb begins where the visit before left the meter.
    for before, row in pairwise(ledger.filter(pl.col("point_pct") == 5.0).to_dicts()):
        drawn = next(
            each
            for each in data["visits"]
            if each["point"].startswith("5") and each["on"] == row["performed_on"]
        )
        if row["drift_step_pct"] is not None:
            assert drawn["before"] == before["left_bias_pct"]
            assert drawn["before_on"] == before["performed_on"]


def test_axes_end_beyond_what_is_drawn(review: Review) -> None:
    """Each panel holds the tolerance and every bias of its points in both states."""
    for meter_id in (DRIFTER, FRIENDLY, NEWCOMER):
        data, params = _history(review, meter_id)
        for row in data["visits"]:
            for name, column in (("found", "found"), ("found", "left"), ("path", "path")):
                low = params[f"{name}_low_{row['panel']}"]
                high = params[f"{name}_high_{row['panel']}"]
                assert low < -review.policy.tolerance_pct
                assert high > review.policy.tolerance_pct
                assert row[column] is None or low < row[column] < high


def test_the_forecast_is_drawn_from_now_on(review: Review) -> None:
    """The fan begins on the date of the review and is that of the forecast; its end is dated."""
    known = review.forecasts.with_columns(
        level_low=pl.col("level") - 0.01, level_high=pl.col("level") + 0.02
    )
    review = dataclasses.replace(review, forecasts=known)
    data, _ = _history(review, DRIFTER)
    series = review.ledger.filter(pl.col("meter_id") == DRIFTER)["series"].unique().to_list()
    fan = [row for row in data["bands"] if row["state"] == "as_found"]
    assert min(row["on"] for row in fan) == AS_OF
    forecasts = review.forecasts.filter(pl.col("series").is_in(series)).sort("series")
    now = [(row["low"], row["high"]) for row in fan if row["on"] == AS_OF]
    assert now == list(forecasts.select("level_low", "level_high").iter_rows())
    dated = [on for on in map(day_of, forecasts["crossing"]) if on is not None]
    last = max(row["last"] for row in data["limits"] if row["kind"] == "tolerance")
    within = [on for on in dated if AS_OF < on <= last]
    assert [row["on"] for row in data["crossings"]] == within


def test_a_jump_is_two_levels_and_no_trend(review: Review) -> None:
    """The levels are the means before and since; a point that jumped has no line of drift."""
    data, _ = _history(review, SCRIPT)
    jump = review.jumps.filter(pl.col("meter_id") == SCRIPT).row(0, named=True)
    found = review.ledger.filter(
        pl.col("meter_id") == SCRIPT, pl.col("point_pct") == jump["point_pct"]
    ).drop_nulls("as_found_bias_pct")
    before = found.filter(pl.col("performed_on") <= jump["after"])["as_found_bias_pct"].mean()
    since = found.filter(pl.col("performed_on") >= jump["by"])["as_found_bias_pct"].mean()
    levels = [row["level"] for row in data["levels"] if row["state"] == "as_found"]
    assert levels == pytest.approx([before, since])
    panel = data["levels"][0]["panel"]
    wedges = [row for row in data["bands"] if row["state"] == "untouched"]
    assert all(row["panel"] != panel for row in wedges)
    assert [(row["after"], row["by"]) for row in data["slots"]] == [(jump["after"], jump["by"])]
    assert any("jumped" in row["text"] for row in data["notes"])


def test_a_bias_past_the_frame_has_an_arrow_that_says_how_far(review: Review) -> None:
    """A bias eight times the tolerance does not flatten the others: it is written at the edge."""
    far = review.ledger.with_columns(
        as_found_bias_pct=pl.when(
            (pl.col("meter_id") == FRIENDLY) & (pl.col("visit") == 3) & (pl.col("point_pct") == 5.0)
        )
        .then(0.8)
        .otherwise("as_found_bias_pct")
    )
    data, params = _history(dataclasses.replace(review, ledger=far), FRIENDLY)
    assert params["found_high_1"] < 0.8
    (note,) = [row for row in data["notes"] if row["text"].startswith("▲ +0.8")]
    assert note["panel"] == 1
    assert params["found_low_1"] < note["at"] < params["found_high_1"]


def test_a_run_beyond_limits_is_tinted_whole(review: Review) -> None:
    """Two neighbours beyond are one stretch, from before the first to the date of the review."""
    charted = review.charted.with_columns(
        upper=pl.when(pl.col("chart") == "individuals").then(-1.0).otherwise("upper")
    )
    shifted = dataclasses.replace(review, charted=charted)
    points = history_points(shifted, shifted.judged.filter(pl.col("meter_id") == FRIENDLY))
    runs = runs_beyond(points, as_of=AS_OF)
    assert [run["panel"] for run in runs] == [0, 1]
    for run, point in zip(runs, points, strict=True):
        assert run["visits"] == len(point.limits)
        assert run["first"] < point.limits[0]["performed_on"]
        assert run["last"] == AS_OF


def test_limits_of_one_visit_last_until_the_next() -> None:
    """They are a line as long as they were in force, and only the newest is named."""
    row = {"lower": None, "centre": 0.0, "upper": 0.1}
    days = [date(2024, 1, 1), date(2024, 4, 1), date(2024, 7, 1)]
    rows = [
        {**row, "performed_on": on, "upper": upper}
        for on, upper in zip(days, (0.1, 0.2, 0.2), strict=True)
    ]
    lines = [line for line in limit_stretches(rows, as_of=AS_OF) if line["kind"] == "control"]
    assert [(line["first"], line["last"]) for line in lines] == [
        (days[0], days[1]),
        (days[1], AS_OF),
    ]
    assert [line["label"] for line in lines] == [None, "control +0.200"]


def test_every_excursion_of_a_chart_is_marked(review: Review) -> None:
    """Each visit beyond its limits is marked on its chart, not the first alone."""
    page = dossier_page(review, DRIFTER)
    series = review.ledger.filter(pl.col("meter_id") == DRIFTER)["series"].unique().to_list()
    for chart in page.control.charts:
        name = chart.name.replace("-", "_")
        charted = review.charted.filter(
            pl.col("series").is_in(series), pl.col("chart") == name, pl.col("value").is_finite()
        )
        beyond = sum(is_beyond(row) for row in charted.to_dicts())
        dots = _drawn(chart.rows)["data"]["dots"]
        assert sum(dots["beyond"]) == beyond
        assert len(dots["value"]) == charted.height


def test_each_panel_of_a_cause_has_the_same_dots(review: Review) -> None:
    """Only the curve differs from panel to panel; chances are those of the review."""
    page = dossier_page(review, DRIFTER)
    drawn = [_drawn(panel.rows) for panel in page.cause.panels]
    assert len(drawn) > 3
    first = drawn[0]
    for each in drawn[1:]:
        assert each["data"]["dots"] == first["data"]["dots"]
        assert (each["params"]["low"], each["params"]["high"]) == (
            first["params"]["low"],
            first["params"]["high"],
        )
    assert sum(panel.likely for panel in page.cause.panels) <= 1


@pytest.mark.parametrize("meter_id", ["AM-06", "AM-09"])
def test_a_cause_that_leads_is_named_where_it_is_surest(
    sample_on: SampleReviews, meter_id: str
) -> None:
    """Each once, at the visit of its largest chance among those where it is the likeliest."""
    review = sample_on(date(2026, 10, 1))
    found = review.cause_history(meter_id)
    assert found is not None
    chances = _drawn(cause_history_part(review, meter_id).rows)["data"]["chances"]
    leading: dict[str, float] = {}
    for row in found.steps.filter("leads").iter_rows(named=True):
        words = "nothing to explain" if row["cause"] == NOTHING else CAUSE_WORDS[row["cause"]][0]
        leading[words] = max(leading.get(words, 0.0), row["probability"])
    columns = (chances[name] for name in ("cause", "chance", "label"))
    rows = list(zip(*columns, strict=True))
    named = [(cause, chance) for cause, chance, label in rows if label]
    assert all(label in {None, cause} for cause, _, label in rows)
    assert len(named) == len(leading) > 1
    assert dict(named) == pytest.approx(leading, abs=1e-5)


def test_every_reading_is_on_the_dossier(review: Review) -> None:
    """A row a visit and stage, newest first, each replicate as the dial showed it."""
    part = dossier_page(review, DRIFTER).readings
    sessions = review.sources.sessions.filter(pl.col("meter_id") == DRIFTER)
    read = [point for visit in part.visits for row in visit.stages for point in row.points]
    assert len(read) == sessions.height == 2 * VISITS
    assert part.readings == sessions["biases_pct"].list.len().sum()
    newest, oldest = part.visits[0], part.visits[-1]
    assert newest.performed_on == sessions["performed_on"].max()
    assert newest.performed_on < AS_OF
    assert oldest.performed_on == FIRST
    (row,) = oldest.stages
    for point_pct, point in zip(part.points_pct, row.points, strict=True):
        mine = sessions.filter(performed_on=FIRST, point_pct=point_pct)
        expected = [point_pct + bias for bias in mine["biases_pct"][0]]
        assert point is not None
        assert list(point.read_pct) == pytest.approx(expected)
    assert any(REMARK in visit.about for visit in part.visits)


def test_readings_that_differ_within_a_row_are_told_apart(review: Review) -> None:
    """Points read to other steps name them; a point read twice has two rows."""
    sessions = review.sources.sessions.filter(pl.col("meter_id") == DRIFTER)
    newest = sessions["performed_on"].max()
    mine = sessions.filter(performed_on=newest).sort("point_pct")
    finer = mine.with_columns(
        resolution_pct=pl.when(pl.col("point_pct") == 5.0).then(0.01).otherwise(0.05),
        water_temp_c=pl.lit(21.5),
        biases_pct=pl.when(pl.col("point_pct") != 5.0).then("biases_pct"),
    )
    again = mine.filter(point_pct=5.0).with_columns(
        operator=pl.lit("another"), resolution_pct=None, water_temp_c=None
    )
    (visit,) = readings_part(pl.concat([finer, again]), DRIFTER).visits
    first, second = visit.stages
    others = [text.point(point) for point in mine["point_pct"] if point != 5.0]
    assert first.dial_step == f"0.05 at {text.listed(others)}; 0.01 at {text.point(5.0)}"
    assert (first.water, second.dial_step, second.water) == ("21.5", "not stated", "not read")
    assert [point is None for point in second.points] == [
        point != 5.0 for point in mine["point_pct"]
    ]
    assert {point.read_pct == () for point in first.points if point} == {True, False}
    assert visit.about.startswith(f"{mine['operator'][0]}, another, ")


def test_the_lanes_hold_all_that_is_on_record(review: Review) -> None:
    """Each visit's operator, adjustment, mark, remark and day with signals is in its lane once."""
    data, _ = _history(review, DRIFTER)
    ledger = review.ledger.filter(pl.col("meter_id") == DRIFTER)
    signals = review.signals.filter(pl.col("meter_id") == DRIFTER)
    marks = review.sources.marks.filter(pl.col("meter_id") == DRIFTER)
    kinds = [row["kind"] for row in data["lanes"]]
    assert kinds.count("signal") == signals["visit_on"].n_unique()
    adjusted = ledger.filter("adjusted")["performed_on"].n_unique()
    assert kinds.count("reset_up") + kinds.count("reset_down") == adjusted == 2
    assert kinds.count("moved") == marks.filter(pl.col("action") == "moved").height
    noted = ledger.filter(pl.col("remarks") != "")["performed_on"].n_unique()
    remarks = [row for row in data["lanes"] if row["lane"].startswith("remarks")]
    assert [row["kind"] for row in remarks].count("tick") == noted
    assert any(REMARK in (row["told"] or "") for row in remarks)
    places = [row["place"] for row in data["lanes"]]
    assert sorted(set(places)) == list(range(max(places) + 1))


def test_operators_are_named_at_their_visits_or_once(review: Review) -> None:
    """Of several each visit has its reader's letters; one who read all has a name and a line."""
    by_visit = pl.when(pl.col("visit") % 2 == 0).then(pl.lit("R. A")).otherwise(pl.lit("R. B"))
    both = dataclasses.replace(review, ledger=review.ledger.with_columns(operator=by_visit))
    days = review.ledger.filter(pl.col("meter_id") == DRIFTER)["performed_on"].unique().sort()
    named = [row for row in _history(both, DRIFTER)[0]["lanes"] if row["lane"] == "operator, R. "]
    assert [row["on"] for row in named] == days.to_list()
    assert {row["text"] for row in named} == {"A", "B"}
    rows = [row for row in _history(review, DRIFTER)[0]["lanes"] if row["lane"] == "operator"]
    line, name = rows
    assert (line["kind"], line["to"], name["kind"]) == ("span", days[-1], "text")
    assert name["on"] == days[0] < line["on"]
