"""This module weighs what may have put a meter off, from its biases over one segment.

It compares six causes by how well each explains the pattern over 0, 5 and 10 % air, its course in
time, and what an adjustment changed.  What it returns is a hint for the bench, never a diagnosis.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl
from scipy.special import logsumexp

from drift.frames import Schema
from drift.stats.cause_evidence import Case, log_evidences
from drift.stats.dial import USUAL_SCALE, USUAL_SCALE_LOG_SD

# One row per reading.  visit counts from 0 within the segment; the as-left readings of the visit
# that opened the segment come first.  The flags speak of what was done before the reading: the
# chamber dried, a seal replaced (since the segment began), the mark moved or the hand reset (by the
# adjustment that closed the segment, for its as-left readings).  mark_worth_pct is what that move
# is worth at 5 % air by the dial model, null where unknown.
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
}

# One row per segment and cause, likeliest first.  probability is that of the cause; what is left to
# 1 is that there is no bias to explain.  can_tell is false where no cause stands out: evidence then
# says why.  mean_bias_pct are the mean biases of the segment at points_pct, before any closing
# adjustment.  probability is null where the readings are too few to weigh anything.
CAUSES: Schema = {
    "meter_id": pl.String,
    "segment": pl.Int64,
    "cause": pl.String,
    "probability": pl.Float64,
    "can_tell": pl.Boolean,
    "evidence": pl.String,
    "points_pct": pl.List(pl.Float64),
    "mean_bias_pct": pl.List(pl.Float64),
}

EVIDENCE = {
    "mark_misplaced": "the bias keeps the proportion over the points that a misplaced mark gives, "
    "the zero point included, and holds from visit to visit",
    "hand_shifted": "the bias is absent at 0 % and grows faster than the air content, as with a "
    "hand shifted on its shaft",
    "chamber_water": "the dial reads high in proportion to the air content and not at 0 %, as with "
    "water in the air chamber",
    "leak": "the dial reads high and erratically, the zero point included, as when air escapes "
    "before the release",
    "vessel_volume": "the bias is in proportion to the air content and other meters show it with "
    "the same vessel",
    "plain_drift": "the bias grows with time, nearly alike at every point",
}
CAUSE_NAMES = tuple(EVIDENCE)
NOTHING = "nothing"
ONE_POINT = "one point only: every cause looks alike there"
ONE_VISIT = "one visit only: nothing shows what lasts and what is erratic"
NO_BIAS = "no bias stands out of the noise"
NO_CAUSE = "no cause stands out from the others"
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
    vessel_u : float
        Standard deviation of the common effect where no vessel is off, at 5 % air, % air.
    none : float
        Probability that there is no bias to explain, above 0 and below 1; the causes share the
        rest alike.
    """

    repeatability: float
    vessel_u: float = 0.005
    none: float = 0.3


def weigh_causes(
    readings: pl.DataFrame, *, dials: pl.DataFrame, common: pl.DataFrame, settings: CauseSettings
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
    common : pl.DataFrame
        Columns meter_id, segment, effect_pct and error_pct: what the vessels used in the segment
        do to the other meters at 5 % air, with its standard error.  A segment that is not in it has
        no such evidence, so that water in the chamber and the vessel are hardly told apart.
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
    (`drift.stats.dial`) times an amplitude with a broad prior, from an unknown visit on; drift
    grows from the first reading on; a leak is a new draw in every reading.  Every point may be off
    by a little, and by the part of the rounding that does not average out.  The chamber scale, the
    noise and the visit are averaged over, amplitudes integrated in closed form.
    """
    if not settings.repeatability > 0 or not 0 < settings.none < 1:
        raise ValueError("repeatability must be above 0 and none between 0 and 1")
    scales = {row[0]: (row[1], row[2]) for row in dials.select("meter_id", "k", "k_sd").iter_rows()}
    effects = {
        (row[0], row[1]): (row[2], row[3])
        for row in common.select("meter_id", "segment", "effect_pct", "error_pct").iter_rows()
    }
    usual = (USUAL_SCALE, USUAL_SCALE * USUAL_SCALE_LOG_SD)
    known = _numbered(readings)
    arrays = {name: known[name].to_numpy() for name in _COLUMNS}
    starts = np.flatnonzero(np.diff(known["part"].to_numpy(), prepend=-1)).tolist()
    rows: list[dict[str, object]] = []
    for first, last in pairwise([*starts, known.height] if starts else []):
        part = {name: values[first:last] for name, values in arrays.items()}
        meter, segment = known["meter_id"][first], known["segment"][first]
        case = _case(part, scales.get(meter, usual), effects.get((meter, segment)), settings)
        name = {"meter_id": meter, "segment": segment}
        rows += [{**name, **row} for row in _weigh(case, settings)]
    weighed = pl.DataFrame(rows, schema={key: CAUSES[key] for key in list(CAUSES)[:6]})
    return weighed.join(
        _means(known), on=["meter_id", "segment"], how="left", maintain_order="left"
    ).cast(CAUSES)  # type: ignore[arg-type]  # names to types


_FLAGS = ("dried", "sealed", "mark_moved", "hand_reset")
_COLUMNS = (
    "bias_pct",
    "air_pct",
    "t_years",
    "point",
    "visit",
    *_FLAGS,
    "mark_worth_pct",
    "resolution_pct",
)


def _numbered(readings: pl.DataFrame) -> pl.DataFrame:
    """Return the usable readings sorted by segment, with numbers for segment, point and visit."""
    key = ["meter_id", "segment"]
    return (
        readings.drop_nulls(["bias_pct", "air_pct", "t_years", "point_pct"])
        .sort(*key, "visit", maintain_order=True)
        .with_columns(
            pl.col(_FLAGS).fill_null(value=False),
            pl.col("mark_worth_pct").fill_null(np.nan),
            pl.col("resolution_pct").fill_null(0.0),
            part=pl.struct(key).rank("dense").cast(pl.Int64),
            point=pl.col("point_pct").rank("dense").over(key).cast(pl.Int64) - 1,
        )
    )


def _means(known: pl.DataFrame) -> pl.DataFrame:
    """Return per segment its points and the mean biases there before a closing adjustment."""
    key = ["meter_id", "segment"]
    before = known.filter(~pl.col("mark_moved") & ~pl.col("hand_reset"))
    each = before.group_by(*key, points_pct="point_pct").agg(
        mean_bias_pct=pl.col("bias_pct").mean()
    )
    return each.sort("points_pct").group_by(key, maintain_order=True).all()


def _case(
    part: dict[str, np.ndarray],
    scale: tuple[float, float],
    common: tuple[float, float] | None,
    settings: CauseSettings,
) -> Case:
    """Turn the readings of one segment into a case."""
    t = part["t_years"]
    span = float(t.max() - t.min())
    return Case(
        bias=part["bias_pct"],
        air=part["air_pct"],
        elapsed=(t - t.min()) / span if span > 0 else np.zeros_like(t),
        point=part["point"],
        visit=part["visit"],
        **{name: part[name] for name in _FLAGS},
        mark_worth=part["mark_worth_pct"],
        resolution=part["resolution_pct"],
        repeatability=settings.repeatability,
        scale=scale[0],
        scale_sd=scale[1],
        common=common,
        vessel_u=settings.vessel_u,
    )


def _weigh(case: Case, settings: CauseSettings) -> list[dict[str, object]]:
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
    total = logsumexp([*log_joint, evidence[NOTHING] + np.log(settings.none)])
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
