"""This module draws figures of a review by name, for a notebook: each chart with its data.

To add one that pages have: a function from a review, and the meter where there is one, to the rows
that pages carry for it, and a row in `_ROWS`.
"""

from collections.abc import Callable, Mapping

import altair as alt
import polars as pl

from drift.errors import DriftError
from drift.ids import did_you_mean
from drift.report.figures.impact import span_rows
from drift.report.figures.registry import FIGURES
from drift.report.figures.rows import carried, figure_rows, is_empty
from drift.report.figures.studies import band_rows, drift_rows
from drift.report.figures.theme import Chart, hue
from drift.report.pages.dossier import dossier_page
from drift.report.pages.fleet_panels import due_rows, shared_rows
from drift.report.pages.fleet_reference import reference_part
from drift.report.pages.fleet_rows import whole_fleet
from drift.report.pages.intervals import survival_figure
from drift.report.pages.retirement import cost_rows, worded_grounds
from drift.review.evidence import gather_evidence
from drift.review.impact import find_impact
from drift.review.results import Review
from drift.review.retirement import weigh_meters

# Charts by the name of what each of several is about; a figure that is one chart has one name, "".
_Rows = Mapping[str, str]
# Height of a meter's row, and room for the names of meters, in pixels.
_ROW, _NAMES = 24, 130


def charts_of(review: Review) -> dict[str, str]:
    """Return what each chart of a review shows, by its name."""
    if not review.meters.height:
        return {}
    # Those of a study stand in its own pages.
    return {name: figure.shows for name, figure in FIGURES.items() if name in _ROWS}


def chart_of(review: Review, name: str, *, meter_id: str | None, about: str | None) -> Chart:
    """Return a chart of a review with its data.

    Parameters
    ----------
    review : Review
        What was found.
    name : str
        One of `charts_of`.
    meter_id : str or None
        The meter, where the chart is of one; one of the review.
    about : str or None
        Which of several charts of that name, such as one fault of `meter_cause`; the first where
        none is named.

    Raises
    ------
    DriftError
        If there is no such chart, it needs a meter and none was named, or there is nothing to draw.
    """
    if name not in _ROWS or not review.meters.height:
        raise _unknown(name, list(charts_of(review)), what="is no chart of a review")
    if FIGURES[name].per_meter and meter_id is None:
        raise DriftError(
            what="is a chart of one meter, and none was named",
            where=name,
            expected="the id of a meter of the review",
        )
    found = {key: rows for key, rows in _ROWS[name](review, meter_id or "").items() if rows}
    drawn = [key for key, rows in found.items() if not is_empty(rows)]
    if not drawn:
        raise DriftError(
            what="has nothing to draw", where=name, expected="a review with rows for it"
        )
    if about is not None and about not in drawn:
        raise _unknown(about, drawn, what=f"is none of the charts {name!r}")
    chart = carried(name, found[drawn[0] if about is None else about])
    return _named_rows(chart) if name in _BESIDE_NAMES else chart


def _unknown(given: str, known: list[str], *, what: str) -> DriftError:
    """Return what is wrong with a name, and what it may mean."""
    return DriftError(
        what=what,
        where=given,
        expected=f"one of {', '.join(known)}",
        hint=did_you_mean(given, known),
    )


def _named_rows(chart: Chart) -> Chart:
    """Return a chart of rows that stands beside a table in pages, with the names of its rows."""
    data, rows = next(iter(chart.datasets.items()))
    names = (
        alt.Chart(alt.NamedData(data))
        .transform_calculate(middle="datum.row + 0.5")
        .mark_text(align="right", dx=-8, clip=False, color=hue("ink"))
        .encode(x=alt.value(0), y=alt.Y("middle:Q", axis=None), text="meter:N")
    )
    chart.layer.append(names)
    padding = {"left": _NAMES, "right": 10, "top": 6, "bottom": 6}
    named: Chart = chart.properties(height=_ROW * len(rows), padding=padding)
    return named


def _costs(review: Review, meter_id: str) -> _Rows:
    """Return what each choice for a meter costs; no row without prices."""
    weighed = weigh_meters(review, [meter_id]).weighed
    priced = weighed.costs.drop_nulls("expected_cost")
    frames = cost_rows(priced, weighed.advice["recommendation"][0])
    return {"": figure_rows("retirement_costs", frames)}


def _grounds(review: Review, _meter_id: str) -> _Rows:
    """Return how far each ground is from its limit, for the meters of the review."""
    weighed = weigh_meters(review, review.meters["meter_id"].to_list()).weighed
    asked = weighed.advice.filter(pl.col("recommendation") != "keep")["meter_id"]
    frames = worded_grounds(weighed.grounds, asked.to_list())
    return {"": figure_rows("retirement_grounds", frames)}


def _span(review: Review, meter_id: str) -> _Rows:
    """Return the span that the last failed check of a meter, or its last visit, asks about."""
    impact = find_impact(review, meter_id, visit=None)
    mine = review.ledger.filter(pl.col("meter_id") == meter_id)
    frames = span_rows(impact, mine, tolerance_pct=review.policy.tolerance_pct)
    return {"": figure_rows("doubtful_span", frames)}


def _drifts(review: Review, _meter_id: str) -> _Rows:
    """Return what the charts of the policy can see."""
    drifts = gather_evidence(review).detectability.drifts
    frames = drift_rows(drifts, tolerance_pct=review.policy.tolerance_pct)
    return {"": figure_rows("noticed_drifts", frames)}


def _bands(review: Review, _meter_id: str) -> _Rows:
    """Return how past forecasts came out."""
    proof = gather_evidence(review).proof
    return {} if proof is None else {"": figure_rows("borne_out", band_rows(proof.reliability))}


def _survival(review: Review, _meter_id: str) -> _Rows:
    """Return how long stretches in tolerance last."""
    figure = survival_figure(review)
    return {} if figure is None else {"": figure.rows}


def _shared(review: Review, _meter_id: str) -> _Rows:
    """Return what vessels and operators do to all meters."""
    return {"": shared_rows(reference_part(review))}


def _vessels(review: Review, _meter_id: str) -> _Rows:
    """Return what vessels stood for over time."""
    return {"": reference_part(review).history.figure}


def _compared(review: Review, _meter_id: str) -> _Rows:
    """Return how far results in use are from what they were compared with."""
    return {"": reference_part(review).compared.figure}


def _of_fleet(name: str) -> Callable[[Review, str], _Rows]:
    """Return what gives the rows of a chart that stands beside the table of the fleet."""
    return lambda review, _meter_id: {"": whole_fleet(review)[name]}


def _history(review: Review, meter_id: str) -> _Rows:
    """Return what was found at each point of a meter."""
    return {"": dossier_page(review, meter_id).history.rows}


def _causes(review: Review, meter_id: str) -> _Rows:
    """Return a meter's pattern against each fault, the likeliest first."""
    return {panel.name: panel.rows for panel in dossier_page(review, meter_id).cause.panels}


def _lines(review: Review, meter_id: str) -> _Rows:
    """Return all control charts of a meter in a line each."""
    return {"": dossier_page(review, meter_id).control.rows}


def _control(review: Review, meter_id: str) -> _Rows:
    """Return each control chart of a meter in full."""
    charts = dossier_page(review, meter_id).control.charts
    return {chart.name.replace("-", "_"): chart.rows for chart in charts}


def _checks(review: Review, meter_id: str) -> _Rows:
    """Return each kind of check of a meter between its calibrations."""
    return {part.name: part.figure for part in dossier_page(review, meter_id).checks.series}


_BESIDE_NAMES = ("fleet_bias", "fleet_history")
_ROWS: Mapping[str, Callable[[Review, str], _Rows]] = {
    "fleet_bias": _of_fleet("fleet_bias"),
    "fleet_bias_axis": _of_fleet("fleet_bias_axis"),
    "fleet_history": _of_fleet("fleet_history"),
    "fleet_strip": _of_fleet("fleet_strip"),
    "shared_effects": _shared,
    "vessel_values": _vessels,
    "comparisons": _compared,
    "visits_due": lambda review, _meter_id: {"": due_rows(review)},
    "time_in_tolerance": _survival,
    "meter_history": _history,
    "meter_cause": _causes,
    "meter_lines": _lines,
    "meter_control": _control,
    "meter_checks": _checks,
    "retirement_grounds": _grounds,
    "retirement_costs": _costs,
    "doubtful_span": _span,
    "noticed_drifts": _drifts,
    "borne_out": _bands,
}
