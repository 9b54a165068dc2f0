"""This module draws figures of a review by name, for a notebook: each chart with its data.

To add one that pages have: a function from a review, and the meter where there is one, to the
frames of its data sets, and a row in `_FRAMES`.
"""

from collections.abc import Callable, Mapping

import polars as pl

from drift.errors import DriftError
from drift.ids import did_you_mean
from drift.report.figures.impact import span_rows
from drift.report.figures.registry import FIGURES
from drift.report.figures.rows import filled
from drift.report.figures.studies import band_rows, drift_rows
from drift.report.figures.theme import Chart
from drift.report.pages.retirement import cost_rows, worded_grounds
from drift.review.evidence import gather_evidence
from drift.review.impact import find_impact
from drift.review.results import Review
from drift.review.retirement import weigh_meters

_Frames = Mapping[str, pl.DataFrame]


def charts_of(review: Review) -> dict[str, str]:
    """Return what each chart of a review shows, by its name."""
    return {name: FIGURES[name].shows for name in _FRAMES if review.meters.height}


def chart_of(review: Review, name: str, *, meter_id: str | None) -> Chart:
    """Return a chart of a review with its data.

    Parameters
    ----------
    review : Review
        What was found.
    name : str
        One of `charts_of`.
    meter_id : str or None
        The meter, where the chart is of one; one of the review.

    Raises
    ------
    DriftError
        If there is no such chart, it needs a meter and none was named, or there is nothing to draw.
    """
    if name not in _FRAMES:
        raise DriftError(
            what="is no chart of a review",
            where=name,
            expected=f"one of {', '.join(_FRAMES)}",
            hint=did_you_mean(name, _FRAMES),
        )
    if FIGURES[name].per_meter and meter_id is None:
        raise DriftError(
            what="is a chart of one meter, and none was named",
            where=name,
            expected="the id of a meter of the review",
        )
    frames = _FRAMES[name](review, meter_id or "")
    if all(frame.is_empty() for frame in frames.values()):
        raise DriftError(
            what="has nothing to draw", where=name, expected="a review with rows for it"
        )
    return filled(name, frames)


def _costs(review: Review, meter_id: str) -> _Frames:
    """Return what each choice for a meter costs; no row without prices."""
    weighed = weigh_meters(review, [meter_id]).weighed
    priced = weighed.costs.drop_nulls("expected_cost")
    return cost_rows(priced, weighed.advice["recommendation"][0])


def _grounds(review: Review, _meter_id: str) -> _Frames:
    """Return how far each ground is from its limit, for the meters of the review."""
    weighed = weigh_meters(review, review.meters["meter_id"].to_list()).weighed
    asked = weighed.advice.filter(pl.col("recommendation") != "keep")["meter_id"]
    return worded_grounds(weighed.grounds, asked.to_list())


def _span(review: Review, meter_id: str) -> _Frames:
    """Return the span that the last failed check of a meter, or its last visit, asks about."""
    impact = find_impact(review, meter_id, visit=None)
    mine = review.ledger.filter(pl.col("meter_id") == meter_id)
    return span_rows(impact, mine, tolerance_pct=review.policy.tolerance_pct)


def _drifts(review: Review, _meter_id: str) -> _Frames:
    """Return what the charts of the policy can see."""
    drifts = gather_evidence(review).detectability.drifts
    return drift_rows(drifts, tolerance_pct=review.policy.tolerance_pct)


def _bands(review: Review, _meter_id: str) -> _Frames:
    """Return how past forecasts came out."""
    proof = gather_evidence(review).proof
    return {} if proof is None else band_rows(proof.reliability)


_FRAMES: Mapping[str, Callable[[Review, str], _Frames]] = {
    "retirement_grounds": _grounds,
    "retirement_costs": _costs,
    "doubtful_span": _span,
    "noticed_drifts": _drifts,
    "borne_out": _bands,
}
