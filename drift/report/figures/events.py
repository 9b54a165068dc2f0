"""This module draws the suspect period of one meter."""

from datetime import date

import polars as pl

from drift import format as text
from drift.frames import Row
from drift.report.figures import panels
from drift.report.figures.canvas import Picture
from drift.report.figures.panels import Mark, draw_panels

_IMPACT_HEIGHT = 78


def draw_impact(
    path: pl.DataFrame,
    *,
    visits: pl.DataFrame,
    tests: pl.DataFrame,
    drops: tuple[date, ...],
    tolerance_pct: float,
    span: tuple[date, date],
) -> Picture:
    """Draw the bias of each day with its band, the visits, and the field tests on their days.

    Parameters
    ----------
    path : pl.DataFrame
        Frame of `drift.forecast.smooth.PATH`, at least one row.
    visits : pl.DataFrame
        Rows of the ledger in the span.
    tests : pl.DataFrame
        Frame of `drift.review.field_tests.FIELD_IMPACT`.
    drops : tuple of date
        Recorded drops.
    tolerance_pct : float
        Largest bias that passes, % air.
    span : (date, date)
        First and last date of the time axis.
    """
    points = path["point_pct"].unique().sort().to_list()
    headings = {point: f"{text.point(point)} point, in % air" for point in points}
    days = [
        Mark(
            headings[row["point_pct"]],
            "past",
            row["on_date"],
            low=row["low_pct"],
            high=row["high_pct"],
        )
        for row in path.to_dicts()
    ]
    means = [
        Mark(headings[row["point_pct"]], "fit", row["on_date"], y=row["bias_pct"])
        for row in path.to_dicts()
    ]
    read = visits.filter(pl.col("point_pct").is_in(points)).to_dicts()
    return draw_panels(
        [
            *days,
            *means,
            *_visits(read, headings),
            *_tests(tests, path, headings),
            *(Mark(heading, "jump", on) for heading in headings.values() for on in drops),
        ],
        panels=list(headings.values()),
        span=span,
        reach=(-tolerance_pct, tolerance_pct),
        height=_IMPACT_HEIGHT,
        tolerance_pct=tolerance_pct,
    )


def _visits(rows: list[Row], headings: dict[float, str]) -> list[Mark]:
    """Return what was found and left at the visits."""
    marks = []
    for row in rows:
        for kind, stage in (("dot", "as_found"), ("left", "as_left")):
            value = row[f"{stage}_bias_pct"]
            if value is not None:
                told = panels.visit(row | {"on": row["performed_on"]}, stage=stage)
                heading = headings[row["point_pct"]]
                marks.append(Mark(heading, kind, row["performed_on"], y=value, says=told))
    return marks


def _tests(tests: pl.DataFrame, path: pl.DataFrame, headings: dict[float, str]) -> list[Mark]:
    """Return a mark for each field test at the bias of its day, at every point."""
    bias = path.select("point_pct", tested_on="on_date", bias="bias_pct").sort("tested_on")
    marks = []
    for point, heading in headings.items():
        at = bias.filter(pl.col("point_pct") == point)
        met = tests.sort("tested_on").join_asof(at, on="tested_on", strategy="nearest")
        marks += [
            Mark(
                heading,
                "test",
                row["tested_on"],
                y=row["bias"],
                says=f"{row['test_id']}, {text.day(row['tested_on'])}: {text.plain(row['air_pct'])}"
                f"{text.NO_BREAK}% air",
            )
            for row in met.to_dicts()
        ]
    return marks
