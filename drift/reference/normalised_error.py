"""This module sets what two vessel calibrations say against their own uncertainty.

The normalised error E_n is the difference of two results over its expanded uncertainty (k = 2):
above 1 the uncertainties stated cannot both be true (ISO/IEC 17043, annex B; from memory, to be
checked against the current edition).
"""

import dataclasses
import itertools
from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.frames import Schema

# Two values of one vessel, and what a change of calibration promised against what meters did.
RECALIBRATED, SEEN = "recalibrated", "seen_by_meters"
AGREES, CONTRADICTED = "agrees", "contradicted"
# What a laboratory may do about a contradicted uncertainty.
STATED, LARGER = "stated", "larger"
_COVERAGE = 2.0
# Effects of vessels are told at this air content.
_TOLD_AT_PCT = 5.0
_BETWEEN = " to "

# One row per pair of calibrations compared, by kind, later calibration and earlier one.  kind is
# `RECALIBRATED`: one vessel calibrated again, difference_pct what the later stands for less the
# earlier; or `SEEN`: how much higher meters read after the change than the two values promised, at
# 5 % air.  expanded_u_pct (k = 2) is made of both stated uncertainties and, where meters were read,
# of the interval of what they did; en is |difference| over it, en_stated the same with the stated
# uncertainties alone.
AGREEMENT: Schema = {
    "kind": pl.String,
    "vessel_id": pl.String,
    "calibrated_on": pl.Date,
    "other_vessel_id": pl.String,
    "other_calibrated_on": pl.Date,
    "difference_pct": pl.Float64,
    "expanded_u_pct": pl.Float64,
    "en": pl.Float64,
    "en_stated": pl.Float64,
    "verdict": pl.String,
}


@dataclass(frozen=True, slots=True)
class _Value:
    """What one calibration of a vessel stands for, and its standard uncertainty, % air.

    What the vessel itself holds, ml, and that uncertainty as a share, where it was weighed; the
    meter whose bowl the value belongs to, where one is named.
    """

    vessel_id: str
    calibrated_on: date
    air: float
    u: float
    volume: float | None
    share: float | None
    meter_id: str | None

    def on_bowl_of(self, other: "_Value") -> "_Value | None":
        """Return this value on the bowl of another calibration, None where that is not known."""
        if self.volume and other.volume and self.share:
            air = other.air * self.volume / other.volume
            return dataclasses.replace(self, air=air, u=air * self.share)
        return self if self.meter_id == other.meter_id else None

    @property
    def u_at_point(self) -> float:
        """Its standard uncertainty at the air content at which effects are told."""
        return self.u * _TOLD_AT_PCT / self.air


def agreement(values: pl.DataFrame, effects: pl.DataFrame) -> pl.DataFrame:
    """Compare calibrations of vessels with each other and with what the meters did.

    Parameters
    ----------
    values : pl.DataFrame
        Frame of `drift.reference.vessel_record.VESSEL_VALUES`.
    effects : pl.DataFrame
        Frame of `drift.reference.crossed_effects.REFERENCE`; its intervals of 95 % count as k = 2.

    Returns
    -------
    pl.DataFrame
        Frame of `AGREEMENT`.

    Notes
    -----
    Two calibrations of a vessel that was weighed are compared on the bowl of the earlier one, so
    that another bowl is not taken for another vessel.  Two calibrations with one balance share
    part of their uncertainty, which then cancels: E_n is rather too small than too large.
    """
    # Values for several bowls of one day are one calibration of the vessel.
    days = values.filter("usable").unique(
        ["vessel_id", "calibrated_on"], keep="first", maintain_order=True
    )
    usable = [
        _Value(
            row["vessel_id"],
            row["calibrated_on"],
            row["air_pct"],
            row["u_air_pct"],
            row["volume_ml"],
            row["u_volume_share"],
            row["meter_id"],
        )
        for row in days.iter_rows(named=True)
        if row["u_air_pct"]
    ]
    rows = [
        _row(RECALIBRATED, here, earlier, here.air - earlier.air, u=(here.u, earlier.u), seen=0)
        for earlier, later in itertools.pairwise(usable)
        if earlier.vessel_id == later.vessel_id and (here := later.on_bowl_of(earlier))
    ]
    named = {f"{one.vessel_id} calibrated {one.calibrated_on}": one for one in usable}
    changes = effects.filter((pl.col("kind") == "vessel_change") & pl.col("low").is_not_null())
    for change in changes.iter_rows(named=True):
        pair = _pair(change["name"], named)
        if pair is not None:
            earlier, later = pair
            half = (change["high"] - change["low"]) / 2
            u = (later.u_at_point, earlier.u_at_point)
            rows.append(_row(SEEN, later, earlier, change["effect_pct"], u=u, seen=half))
    return pl.DataFrame(rows, schema=AGREEMENT)


def _pair(name: str, named: dict[str, _Value]) -> tuple[_Value, _Value] | None:
    """Return the two calibrations that a change is named by, None where one has no value."""
    parts = name.split(_BETWEEN)
    for place in range(1, len(parts)):
        old, new = _BETWEEN.join(parts[:place]), _BETWEEN.join(parts[place:])
        if old in named and new in named:
            return named[old], named[new]
    return None


def _row(
    kind: str,
    later: _Value,
    earlier: _Value,
    difference: float,
    *,
    u: tuple[float, float],
    seen: float,
) -> dict[str, object]:
    """Return one comparison; `seen` is the half-width of the interval of what meters did."""
    stated = _COVERAGE * (u[0] ** 2 + u[1] ** 2) ** 0.5
    expanded = (stated**2 + seen**2) ** 0.5
    en = abs(difference) / expanded
    return {
        "kind": kind,
        "vessel_id": later.vessel_id,
        "calibrated_on": later.calibrated_on,
        "other_vessel_id": earlier.vessel_id,
        "other_calibrated_on": earlier.calibrated_on,
        "difference_pct": difference,
        "expanded_u_pct": expanded,
        "en": en,
        "en_stated": abs(difference) / stated,
        "verdict": CONTRADICTED if en > 1 else AGREES,
    }


def with_agreement(compared: pl.DataFrame, agreed: pl.DataFrame, *, choice: str) -> pl.DataFrame:
    """Say beside each sitting what became of its vessel's stated uncertainty.

    Parameters
    ----------
    compared : pl.DataFrame
        Frame of `drift.reference.pairs.REFERENCE_CHECK`.
    agreed : pl.DataFrame
        Frame of `AGREEMENT`.
    choice : {"stated", "larger"}
        Whether a contradicted uncertainty is used as stated or as large as its E_n asks.

    Returns
    -------
    pl.DataFrame
        `compared` with the column ``contradicted_by`` (largest E_n above 1 of its calibration,
        null where there is none); ``u_pct`` is larger by the E_n with the stated uncertainties
        alone where that is chosen, so that both values then agree within it.
    """
    against = agreed.filter(pl.col("verdict") == CONTRADICTED)
    sides = pl.concat(
        against.select(
            pl.col(f"{side}vessel_id").alias("vessel_id"),
            pl.col(f"{side}calibrated_on").alias("calibrated_on"),
            "en",
            "en_stated",
        )
        for side in ("", "other_")
    )
    worst = sides.group_by("vessel_id", "calibrated_on").agg(
        contradicted_by=pl.col("en").max(), _larger=pl.col("en_stated").max()
    )
    joined = compared.join(
        worst, on=["vessel_id", "calibrated_on"], how="left", maintain_order="left"
    )
    grown = pl.col("u_pct") * pl.col("_larger").fill_null(1.0)
    return joined.with_columns(u_pct=grown if choice == LARGER else pl.col("u_pct")).drop("_larger")
