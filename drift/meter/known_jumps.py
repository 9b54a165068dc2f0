"""This module says how far adjustments that nobody read moved a meter, by its mark and its dial.

Where the initial pressure mark was moved and no reading was taken as left, the dial model gives the
change of bias at each point from the mark's two positions and the chamber scale.
"""

import numpy as np
import polars as pl

from drift.frames import Schema
from drift.meter.dial import bias_of_mark, chamber_scale
from drift.meter.marks import mark_moves

# Further columns of the ledger, all null where nothing is known.  known_jump_pct is the change of
# bias by an adjustment at the visit that left no as-left reading, later_jump_pct by one after the
# visit and before the next; each with its standard uncertainty.  present_known is whether the level
# after all that can be said.
KNOWN_JUMPS: Schema = {
    "known_jump_pct": pl.Float64,
    "known_jump_sd_pct": pl.Float64,
    "later_jump_pct": pl.Float64,
    "later_jump_sd_pct": pl.Float64,
    "present_known": pl.Boolean,
}

# Relative standard uncertainty of a chamber scale from the meter's record.  Common practice, no
# source: volumes of chamber and bowl are stated to a per cent or two.
_SCALE_RELATIVE_SD = 0.02
# Steps to which a mark may be written down, coarsest first.
_WRITTEN_TO = (1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01)
_OTHER_SERVICE = ("hand_reset", "gauge_replaced")
_PLACES = (("at", "known"), ("after", "later"))


def with_known_jumps(
    ledger: pl.DataFrame, *, marks: pl.DataFrame, service: pl.DataFrame, meters: pl.DataFrame
) -> pl.DataFrame:
    """Add to a ledger how far unread moves of the mark took each series.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    marks, service, meters : pl.DataFrame
        Input tables; a meter without ``chamber_bowl_ratio`` has no known jump.

    Returns
    -------
    pl.DataFrame
        The ledger, rows in its order, with the columns of `KNOWN_JUMPS`.

    Notes
    -----
    A jump is known where the mark alone was adjusted, its positions before and after are written
    down and can be compared.  Its uncertainty is that of the chamber scale and, for each position,
    of a value written to a step (a uniform distribution, GUM 4.3.7).
    """
    moves = _moves(marks, meters)
    other = pl.concat(
        [
            marks.filter(pl.col("action") == "established").select("meter_id", "performed_on"),
            service.filter(pl.col("action").is_in(_OTHER_SERVICE)).select(
                "meter_id", "performed_on"
            ),
            # A move that says nothing hides what the others say.
            marks.filter(pl.col("action") == "moved")
            .select("meter_id", "performed_on")
            .join(moves, on=["meter_id", "performed_on"], how="anti"),
        ]
    ).unique()
    # Of a large fleet a copy of the whole ledger is half a gigabyte: what is worked on is narrow.
    rows = ledger.select(
        "series",
        "visit",
        "meter_id",
        "performed_on",
        "correct_air_pct",
        "adjusted",
        "left_bias_pct",
        found=pl.col("as_found_bias_pct").is_not_null(),
        left=pl.col("as_left_bias_pct").is_not_null(),
        place=pl.int_range(pl.len()),
    )
    rows = rows.sort("series", "visit").with_columns(
        next_on=pl.col("performed_on").shift(-1).over("series")
    )
    for place, name in _PLACES:
        jumps = _placed(rows, moves, other, place=place)
        rows = rows.join(jumps, on=["series", "visit"], how="left").rename(
            {"jump": f"{name}_jump_pct", "sd": f"{name}_jump_sd_pct", "work": f"{name}_work"}
        )
    return ledger.hstack(_told(rows).sort("place").select(KNOWN_JUMPS.keys()))


def _told(rows: pl.DataFrame) -> pl.DataFrame:
    """Say what is known of each visit, by what was done at it and after it."""
    unread = pl.col("found") & ~pl.col("left")
    at_known = pl.col("left") | (
        unread & (pl.col("known_jump_pct").is_not_null() | ~pl.col("adjusted"))
    )
    after_known = pl.col("later_work").is_null() | pl.col("later_jump_pct").is_not_null()
    return rows.with_columns(
        pl.when(unread).then(pl.col(name)).alias(name)
        for name in ("known_jump_pct", "known_jump_sd_pct")
    ).with_columns(present_known=pl.col("left_bias_pct").is_not_null() | (at_known & after_known))


def _moves(marks: pl.DataFrame, meters: pl.DataFrame) -> pl.DataFrame:
    """Return the mark moves of meters whose dial is known: relative error, sd and k."""
    known = meters.filter(pl.col("chamber_bowl_ratio") > 0)
    scales = pl.Series(chamber_scale(known["chamber_bowl_ratio"].to_numpy()))
    dials = known.select("meter_id", "initial_pressure_kpa", k=scales)
    written = marks.group_by("meter_id").agg(written_to=_written_to("mark"))
    return (
        mark_moves(marks, dials=dials)
        .filter("recorded", pl.col("pressure_error").is_not_null())
        .join(dials, on="meter_id")
        .join(written, on="meter_id")
        .with_columns(
            # d(error)/error of one position: on the dial 1/(k + m), as a pressure 1/p.
            error_sd=pl.col("written_to")
            / 12**0.5
            * 2**0.5
            * pl.when(pl.col("mark_unit") == "dial_pct")
            .then(1 / (pl.col("k") + pl.col("mark_before")))
            .otherwise(1 / pl.col("mark_before"))
        )
        .select(
            "meter_id",
            "performed_on",
            "k",
            "pressure_error",
            "error_sd",
            on_dial=pl.col("mark_unit") == "dial_pct",
        )
    )


def _written_to(column: str) -> pl.Expr:
    """Return the coarsest step of which all values of `column` are multiples."""
    fits = [
        ((pl.col(column) / step - (pl.col(column) / step).round()).abs() < 1e-6).all()
        for step in _WRITTEN_TO[:-1]
    ]
    steps = zip(fits, _WRITTEN_TO[:-1], strict=True)
    return pl.coalesce(
        *(pl.when(fit).then(pl.lit(step)) for fit, step in steps), pl.lit(_WRITTEN_TO[-1])
    )


def _placed(
    rows: pl.DataFrame, moves: pl.DataFrame, other: pl.DataFrame, *, place: str
) -> pl.DataFrame:
    """Return per series and visit what was done at it or after it: jump and sd, null if not known.

    Only visits at which, or after which, something was adjusted have a row.
    """
    days = rows.select(
        "series", "visit", "meter_id", "next_on", visit_on="performed_on", air_pct="correct_air_pct"
    )
    on = pl.col("performed_on")
    if place == "at":
        here = on == pl.col("visit_on")
    else:
        here = (on > pl.col("visit_on")) & (pl.col("next_on").is_null() | (on < pl.col("next_on")))
    met = days.join(moves, on="meter_id").filter(here)
    error, air, k = (met[name].to_numpy() for name in ("pressure_error", "air_pct", "k"))
    jump = bias_of_mark(error, air_pct=air, k=k)
    # On a dial the change is (mark after − mark before)·(a + k)/(k + mark before), of which the
    # relative sensitivity to k is −a/(a + k) for a mark near 0; of a pressure it is k/(a + k).
    leans = np.where(met["on_dial"].to_numpy(), air, k) / (air + k)
    sd = np.hypot((air + k) * met["error_sd"].to_numpy(), jump * leans * _SCALE_RELATIVE_SD)
    hidden = days.join(other, on="meter_id").filter(here).select("series", "visit", hidden=True)
    return (
        pl.concat(
            [
                met.select("series", "visit", jump=jump, sd=sd, hidden=pl.lit(value=False)),
                hidden.select("series", "visit", jump=0.0, sd=0.0, hidden="hidden"),
            ]
        )
        .group_by("series", "visit")
        .agg(
            jump=pl.when(~pl.col("hidden").any()).then(pl.col("jump").sum()),
            sd=pl.when(~pl.col("hidden").any()).then((pl.col("sd") ** 2).sum().sqrt()),
            work=pl.lit(value=True),
        )
    )
