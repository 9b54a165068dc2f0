"""This module gathers the figures of the fleet review; it words and draws through others."""

from collections.abc import Callable
from typing import Any

import polars as pl

from drift import format as text
from drift.report.figures.canvas import Scale
from drift.report.figures.fleet import LABELLED_METERS, Path, draw_fleet, draw_multiples
from drift.report.pages import captions
from drift.report.pages.parts import Bar, Painted, pictured
from drift.review.results import Review

# Paths that are drawn side by side; the table has a small one of every meter.
LONGEST_MULTIPLES = 60
_LONGEST_LABEL = 24
_LONGEST_NAME = 14
# The box of a bar, and its scale: no wider than these many tolerances, so that one meter far out
# does not make the others dots.
BAR_WIDTH = 170.0
_EDGE = 6.0
_WIDEST, _NARROWEST = 4.0, 1.5


def fleet_figure(review: Review, *, in_use: list[str]) -> Painted:
    """Return the figure of all meters that are in use, with its words."""
    policy = review.policy
    drawn = placed(review).filter(pl.col("meter_id").is_in(in_use))
    conclude = captions.fleet_words(drawn, tolerance_pct=policy.tolerance_pct)
    labelled = drawn.height <= LABELLED_METERS
    tick = ", with a tick at the true bias expected then" if labelled else ""
    return pictured(
        draw_fleet(drawn, tolerance_pct=policy.tolerance_pct),
        name="fleet-figure",
        title="Where every meter is, and where it is going",
        label=f"Bias now and forecast of {text.count(drawn.height, 'meter')}. {conclude}",
        shows=(
            f"One {'row' if labelled else 'column'} for each meter at its worst point, in the "
            "order of this review: its bias now, and the band in which the mean found at its next "
            f"visit is expected ({text.share(policy.band_level)} of such bands hold; reading noise "
            f"is part of it){tick}. The strip is the tolerance, "
            f"±{text.plain(policy.tolerance_pct)}{text.NO_BREAK}%{text.NO_BREAK}air. "
            "Retired meters are left out."
        ),
        conclude=conclude,
        key=("level", "forecast", "tolerance"),
    )


def paths_figure(review: Review, *, in_use: list[str]) -> Painted | None:
    """Return the unadjusted paths of meters in use side by side; None where none is known."""
    policy = review.policy
    worst = review.meters.select("meter_id", point_pct="worst_point_pct")
    known = (
        review.ledger.join(worst, on=["meter_id", "point_pct"])
        .filter(pl.col("unadjusted_path_pct").is_finite())
        .sort("performed_on", maintain_order=True)
        .partition_by("meter_id", as_dict=True)
    )
    drawn = [known[meter_id,] for meter_id in in_use if (meter_id,) in known][:LONGEST_MULTIPLES]
    if not drawn:
        return None
    paths = [_path(rows) for rows in drawn]
    beyond = sum(abs(path.bias[-1]) > policy.tolerance_pct for path in paths)
    fleet = text.count(len(paths), "meter")
    conclude = (
        f"Left alone, {beyond or 'none'} of {fleet} would by now stand outside the tolerance at "
        "the point drawn."
    )
    return pictured(
        draw_multiples(paths, tolerance_pct=policy.tolerance_pct),
        name="paths-figure",
        title="Where each meter would be had no one touched it",
        label=f"Unadjusted paths side by side. {conclude}",
        shows=(
            f"The path without adjustments of the worst point, all on the same axes; the strip is "
            f"±{text.plain(policy.tolerance_pct)}{text.NO_BREAK}%{text.NO_BREAK}air. In the order "
            f"of this review{', the first ' + str(len(paths)) if len(paths) < len(in_use) else ''}."
        ),
        conclude=conclude,
        key=("untouched", "tolerance"),
    )


def _path(rows: pl.DataFrame) -> Path:
    """Return the path of one meter from its rows of the ledger."""
    name = text.shortened(_printable(rows["meter_id"][0]), longest=_LONGEST_NAME)
    on, bias = rows["performed_on"].to_list(), rows["unadjusted_path_pct"].to_list()
    says = (
        f"{name} at {text.point(rows['point_pct'][0])} · without adjustments "
        f"{text.bias_with_unit(bias[-1])} by {text.day(on[-1])}"
    )
    return Path(name, tuple(on), tuple(bias), says)


def bars(review: Review) -> dict[str, Bar]:
    """Return level and forecast of each meter as a bar for its row, all on one scale."""
    tolerance = review.policy.tolerance_pct
    rows = placed(review).drop_nulls("level")
    found = [
        abs(bias)
        for name in ("level", "next_mean_low", "next_mean_high")
        for bias in rows[name].drop_nulls()
    ]
    reach: float = min(max([*found, _NARROWEST * tolerance]) * 1.05, _WIDEST * tolerance)

    scale = Scale(-reach, reach, _EDGE, BAR_WIDTH - _EDGE)

    def across(bias: float) -> float:
        return scale.at(min(max(bias, -reach), reach))

    return {
        row["meter_id"]: _bar(row, across, reach=reach, tolerance_pct=tolerance)
        for row in rows.iter_rows(named=True)
    }


def _bar(
    row: dict[str, Any], across: Callable[[float], float], *, reach: float, tolerance_pct: float
) -> Bar:
    """Return the bar of one meter; what lies beyond the scale stands at its edge, and says so."""
    low, high, level = row["next_mean_low"], row["next_mean_high"], row["level"]
    known = low is not None and high is not None
    strip = across(-tolerance_pct)
    return Bar(
        strip_left=text.coordinate(strip),
        strip_width=text.coordinate(across(tolerance_pct) - strip),
        band_left=text.coordinate(across(low)) if known else "",
        band_width=text.coordinate(max(across(high) - across(low), 1.0)) if known else "",
        tick=text.coordinate(across(row["at_due"])) if row["at_due"] is not None else "",
        level=text.coordinate(across(level)),
        beyond="" if abs(level) <= reach else "right" if level > 0 else "left",
        label=(
            f"now {text.bias_with_unit(level)}, next as-found mean expected within "
            f"{text.interval(low, high)}"
        ),
    )


def placed(review: Review) -> pl.DataFrame:
    """Return each meter's worst point with its forecast, in the order of the review."""
    series = review.ledger.select("meter_id", "series", worst_point_pct="point_pct").unique()
    joined = (
        review.meters.select("meter_id", "standing", "overdue", "worst_point_pct")
        .join(series, on=["meter_id", "worst_point_pct"], how="left", maintain_order="left")
        .join(review.forecasts, on="series", how="left", maintain_order="left")
    )
    overdue = pl.when("overdue").then(pl.lit(", overdue")).otherwise(pl.lit(""))
    return joined.select(
        "meter_id",
        pl.Series("label", _labels(joined["meter_id"].to_list())),
        pl.format("{}{}", "standing", overdue).alias("standing"),
        "level",
        "at_due",
        "next_mean_low",
        "next_mean_high",
    )


def _labels(meter_ids: list[str]) -> list[str]:
    """Return ids short enough for a figure; where two would be alike they are numbered."""
    labels: dict[str, None] = {}
    for place, meter_id in enumerate(meter_ids, start=1):
        label = text.shortened(_printable(meter_id), longest=_LONGEST_LABEL)
        while label in labels:
            label = f"{label} ({place})"
        labels[label] = None
    return list(labels)


def _printable(meter_id: str) -> str:
    """Return an id without marks that would turn or hide the text around it."""
    return "".join(mark if mark.isprintable() else "?" for mark in meter_id)
