"""This module weighs what may have put a meter off, from its biases over one segment.

It compares six causes by how well each explains the pattern over 0, 5 and 10 % air, its course in
time, and what an adjustment changed.  What it returns is a hint for the bench, never a diagnosis.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl

from drift.frames import Row, Schema
from drift.meter.cause_likelihood import Case, log_evidences, log_sum
from drift.meter.dial import USUAL_SCALE, USUAL_SCALE_LOG_SD

# One row per reading.  visit counts from 0 within the segment; the as-left readings of the visit
# that opened the segment come first.  The flags speak of what was done before the reading: the
# chamber dried, a seal replaced (since the segment began), the mark moved or the hand reset (by the
# adjustment that closed the segment, for its as-left readings).  mark_worth_pct is what that move
# is worth at 5 % air by the dial model, null where unknown.  common_pct is what the vessel of the
# reading does to every meter at 5 % air, against the vessel of the segment's first reading, with
# its standard error common_error_pct; common_base_pct the standard deviation of what that first
# vessel may be off by itself.  All three are null where no other meter or vessel can tell.
CAUSE_READINGS: Schema = {
    "meter_id": pl.String,
    "segment": pl.Int64,
    "visit": pl.Int64,
    "t_years": pl.Float64,
    "air_pct": pl.Float64,
    "point_pct": pl.Float64,
    "bias_pct": pl.Float64,
    "resolution_pct": pl.Float64,
    "dried": pl.Boolean,
    "sealed": pl.Boolean,
    "mark_moved": pl.Boolean,
    "hand_reset": pl.Boolean,
    "mark_worth_pct": pl.Float64,
    "common_pct": pl.Float64,
    "common_error_pct": pl.Float64,
    "common_base_pct": pl.Float64,
}

# One row per segment and cause, likeliest first.  probability is that of the cause; what is left to
# 1 is that there is no bias to explain.  can_tell is false where no cause stands out: evidence then
# says why.  bias_pct are the mean biases at points_pct at the segment's last visit, before any
# closing adjustment.  probability is null where the readings are too few to weigh anything.
CAUSES: Schema = {
    "meter_id": pl.String,
    "segment": pl.Int64,
    "cause": pl.String,
    "probability": pl.Float64,
    "can_tell": pl.Boolean,
    "evidence": pl.String,
    "points_pct": pl.List(pl.Float64),
    "bias_pct": pl.List(pl.Float64),
}

EVIDENCE = {
    "mark_misplaced": "the bias keeps the proportion over the points that a misplaced mark gives, "
    "the zero point included, and the readings of a visit agree on it",
    "hand_shifted": "the bias is absent at 0 % and grows faster than the air content, as with a "
    "hand shifted on its shaft",
    "chamber_water": "the dial reads high in proportion to the air content and not at 0 %, as with "
    "water in the air chamber",
    "leak": "the dial reads high and erratically, the zero point included, as when air escapes "
    "before the release",
    "vessel_volume": "what the vessel does to every meter explains the bias better than a fault of "
    "this meter does",
    "plain_drift": "the bias grows with time rather than from one visit on",
}
CAUSE_NAMES = tuple(EVIDENCE)
NOTHING = "nothing"
ONE_POINT = "one point only: every cause looks alike there"
ONE_VISIT = "one visit only: nothing shows what lasts and what is erratic"
NO_BIAS = "no bias is clearly larger than the scatter"
NO_CAUSE = "no cause stands out from the others"
# Latest visits of a segment that are weighed, unless told otherwise.
WEIGHED_VISITS = 12
# A cause is named where it is likelier than all the rest together.
_TOLD_FROM = 0.5


@dataclass(frozen=True, slots=True)
class CauseSettings:
    """What is believed before the readings are seen.

    Attributes
    ----------
    repeatability : float
        Standard deviation of one reading before rounding, % air, above 0; it may be off by a
        factor of up to two.
    vessel_base : float
        Standard deviation of what a vessel may be off by where nothing on record can tell, at 5 %
        air, % air.
    none : float
        Probability that there is no bias to explain, above 0 and below 1; the causes share the
        rest alike.
    visits : int
        Latest visits of a segment that are weighed.
    """

    repeatability: float
    vessel_base: float = 0.1
    none: float = 0.3
    visits: int = WEIGHED_VISITS


def weigh_causes(
    readings: pl.DataFrame, *, dials: pl.DataFrame, settings: CauseSettings
) -> pl.DataFrame:
    """Return the probability of each cause for every segment.

    Parameters
    ----------
    readings : pl.DataFrame
        Frame of `CAUSE_READINGS`.  It takes about 10 ms a segment: pass those that have a bias
        to explain.
    dials : pl.DataFrame
        Columns meter_id, k and k_sd: the chamber scale with its standard deviation, % air.  Meters
        that are not in it get the usual scale.
    settings : CauseSettings

    Returns
    -------
    pl.DataFrame
        Frame of `CAUSES`, sorted by meter, segment and falling probability.

    Raises
    ------
    ValueError
        If the repeatability is not above 0 or the probability of nothing not within 0 to 1.

    Notes
    -----
    Each cause gives the readings a normal distribution: its shape over the air content
    (`drift.meter.dial`) times an amplitude with a broad prior, from an unknown visit on; drift
    grows from the first reading on; a leak is a new draw in every reading.  What the vessels are
    known to do to every meter is added to each, and is all there is where the vessel is the cause.
    A meter in order too is off by a little at every point, its mark not quite in its place and set
    anew each visit, and rounding does not average out altogether; all that is in every cause and
    in none.  The chamber scale, the noise and the visit are averaged over, amplitudes integrated
    in closed form.
    """
    known = _numbered(readings, settings.visits)
    rows = _chances(known, dials, settings)
    weighed = pl.DataFrame(rows, schema={key: CAUSES[key] for key in list(CAUSES)[:6]})
    return weighed.join(
        _last(known), on=["meter_id", "segment"], how="left", maintain_order="left"
    ).cast(CAUSES)  # type: ignore[arg-type]  # names to types


def cause_chances(
    readings: pl.DataFrame, *, dials: pl.DataFrame, settings: CauseSettings
) -> list[Row]:
    """Return what `weigh_causes` does, as rows and without what was found last."""
    return _chances(_numbered(readings, settings.visits), dials, settings)


def _chances(known: pl.DataFrame, dials: pl.DataFrame, settings: CauseSettings) -> list[Row]:
    """Return the probability of each cause for every segment, from its sittings."""
    if not (settings.repeatability > 0 and 0 < settings.none < 1):
        raise ValueError("repeatability must be above 0 and none between 0 and 1")
    scales = {row[0]: (row[1], row[2]) for row in dials.select("meter_id", "k", "k_sd").iter_rows()}
    usual = (USUAL_SCALE, USUAL_SCALE * USUAL_SCALE_LOG_SD)
    arrays = {name: known[name].to_numpy() for name in _COLUMNS}
    starts = np.flatnonzero(np.diff(known["part"].to_numpy(), prepend=-1)).tolist()
    rows: list[Row] = []
    for first, last in pairwise([*starts, known.height] if starts else []):
        part = {name: values[first:last] for name, values in arrays.items()}
        meter, segment = known["meter_id"][first], known["segment"][first]
        case = _case(part, scales.get(meter, usual), settings)
        name = {"meter_id": meter, "segment": segment}
        rows += [{**name, **row} for row in _weigh(case, settings)]
    return rows


_FLAGS = ("dried", "sealed", "mark_moved", "hand_reset")
_COMMON = ("common_pct", "common_error_pct", "common_base_pct")
_COLUMNS = (
    "bias_pct",
    "replicates",
    "scatter",
    "air_pct",
    "t_years",
    "point",
    "visit",
    *_FLAGS,
    "mark_worth_pct",
    "resolution_pct",
    *_COMMON,
)


def _numbered(readings: pl.DataFrame, visits: int) -> pl.DataFrame:
    """Return the latest sittings of each segment, sorted, with numbers for segment and point."""
    key = ["meter_id", "segment"]
    sitting = [*key, "visit", "point_pct", *_FLAGS]
    mean = [pl.col(name).mean() for name in ("air_pct", "t_years", "resolution_pct")]
    mean += [pl.col(name).mean() for name in ("mark_worth_pct", *_COMMON)]
    return (
        readings.lazy()
        .drop_nulls(["bias_pct", "air_pct", "t_years", "point_pct"])
        .with_columns(pl.col(_FLAGS).fill_null(value=False))
        .filter(pl.col("visit") > pl.col("visit").max().over(key) - visits)
        .group_by(sitting)
        .agg(
            *mean,
            pl.col("bias_pct").mean(),
            replicates=pl.len().cast(pl.Float64),
            scatter=((pl.col("bias_pct") - pl.col("bias_pct").mean()) ** 2).sum(),
        )
        .sort(sitting)
        .with_columns(
            pl.col("mark_worth_pct", *_COMMON).fill_null(np.nan),
            pl.col("resolution_pct").fill_null(0.0),
            part=pl.struct(key).rank("dense").cast(pl.Int64),
            point=pl.col("point_pct").rank("dense").over(key).cast(pl.Int64) - 1,
        )
        .collect()
    )


def _last(known: pl.DataFrame) -> pl.DataFrame:
    """Return per segment its points and the mean biases there at its last visit, as found."""
    key = ["meter_id", "segment"]
    found = known.filter(~pl.col("mark_moved") & ~pl.col("hand_reset"))
    last = found.filter(pl.col("visit") == pl.col("visit").max().over(key))
    each = last.group_by(*key, points_pct="point_pct").agg(bias_pct=pl.col("bias_pct").mean())
    return each.sort("points_pct").group_by(key, maintain_order=True).all()


def _case(
    part: dict[str, np.ndarray],
    scale: tuple[float, float],
    settings: CauseSettings,
) -> Case:
    """Turn the readings of one segment into a case."""
    t = part["t_years"]
    span = float(t.max() - t.min())
    base = float(part["common_base_pct"][0])
    return Case(
        bias=part["bias_pct"],
        air=part["air_pct"],
        replicates=part["replicates"],
        scatter=part["scatter"],
        elapsed=(t - t.min()) / span if span > 0 else np.zeros_like(t),
        point=part["point"],
        visit=part["visit"],
        **{name: part[name] for name in _FLAGS},
        mark_worth=part["mark_worth_pct"],
        resolution=part["resolution_pct"],
        repeatability=settings.repeatability,
        scale=scale[0],
        scale_sd=scale[1],
        common=np.nan_to_num(part["common_pct"]),
        common_error=np.nan_to_num(part["common_error_pct"]),
        common_base=settings.vessel_base if np.isnan(base) else base,
    )


def _weigh(case: Case, settings: CauseSettings) -> list[Row]:
    """Return the causes of one segment with their probabilities, likeliest first."""
    too_few = ONE_POINT if len(np.unique(case.point)) < 2 else ""
    if len(np.unique(case.visit)) < 2:
        too_few = too_few or ONE_VISIT
    if too_few:
        return [
            {"cause": cause, "probability": None, "can_tell": False, "evidence": too_few}
            for cause in CAUSE_NAMES
        ]
    evidence = log_evidences(case)
    each = np.log((1 - settings.none) / len(CAUSE_NAMES))
    log_joint = np.array([evidence[cause] + each for cause in CAUSE_NAMES])
    total = log_sum(np.append(log_joint, evidence[NOTHING] + np.log(settings.none)))
    probability = np.exp(log_joint - total)
    order = np.argsort(-probability, kind="stable")
    told = bool(probability[order[0]] > _TOLD_FROM)
    why_not = NO_BIAS if probability.sum() < _TOLD_FROM else NO_CAUSE
    best = CAUSE_NAMES[order[0]]
    less = f"less likely than {best.replace('_', ' ')}"
    words = dict.fromkeys(CAUSE_NAMES, less if told else why_not)
    if told:
        words[best] = EVIDENCE[best]
    return [
        {
            "cause": CAUSE_NAMES[index],
            "probability": float(probability[index]),
            "can_tell": told,
            "evidence": words[CAUSE_NAMES[index]],
        }
        for index in order
    ]
