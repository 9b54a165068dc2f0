"""This module holds what an earlier review predicted against what was found since."""

import math
from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.format import count, fixed, listed, probability, share, whole
from drift.meter.tolerance import within_tolerance
from drift.review.obligations import STANDINGS
from drift.upkeep.reliability.reliability import binomial_interval

# A band was made for one day; a visit further from it than half a quarter is not judged by it.
# Our choice, no source.
NEAR_DAYS = 45

# A share of bands is judged once there are this many; fewer prove nothing. Our choice, no source.
_FEWEST_JUDGED = 5
# A number found out is called unlike what was expected below this chance, either way; no source.
_UNLIKELY = 0.025


@dataclass(frozen=True, slots=True)
class Call:
    """Meters of one standing then: how many were seen since, how many of these found out."""

    standing: str
    seen: int
    found_out: int


@dataclass(frozen=True, slots=True)
class Prediction:
    """How an earlier review's predictions fared.

    Attributes
    ----------
    rows : pl.DataFrame
        Rows of kind ``band`` and ``call``; columns as in `drift.review.changes.SINCE`.
    judged, inside : int
        Next as-found means near the day of their band, and those that lay in it.
    far : int
        Means that a visit found too far from that day to be judged.
    level : float or None
        Coverage that was promised; None where it is not on record.
    low, high : float
        Exact 95 % interval of the share inside, as if points were independent.
    calls : tuple of Call
        By standing then; standings of which no meter was seen are left out.
    expected, expected_sd : float
        How many meters the P(out) given then lets one expect out, and the standard deviation of
        that number, as if meters were independent; of those seen whose P(out) was given.
    as_many, as_few : float
        Chance, by the same P(out), of as many found out as were, or more; of as few, or fewer.
    """

    rows: pl.DataFrame
    judged: int
    inside: int
    far: int
    level: float | None
    low: float
    high: float
    calls: tuple[Call, ...]
    expected: float
    expected_sd: float
    as_many: float
    as_few: float


def judge_predictions(
    meters: pl.DataFrame,
    forecast: pl.DataFrame,
    ledger: pl.DataFrame,
    *,
    since: date,
    band_level: float | None,
    tolerance_pct: float,
    comparison: str,
) -> Prediction:
    """Judge bands and standings by the first visit of each meter after the review they are from.

    Parameters
    ----------
    meters, forecast : pl.DataFrame
        The earlier review's frames of `drift.review.meters.METERS` and
        `drift.review.forecasts.FORECAST`.
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER` of now.
    since : date
        The earlier review's date.
    band_level : float or None
        Coverage that its bands promised.
    tolerance_pct, comparison
        As of the policy now in force.
    """
    found = _next_visits(meters, ledger, since=since)
    within = within_tolerance(
        pl.col("as_found_bias_pct"), tolerance=tolerance_pct, comparison=comparison
    )
    calls = (
        found.drop_nulls("as_found_bias_pct")
        .group_by("meter_id")
        .agg(out=(~within).any(), on_date=pl.col("performed_on").first())
        .join(meters.select("meter_id", "standing", "p_out_next_due"), on="meter_id")
        .select(
            "meter_id",
            "on_date",
            "out",
            kind=pl.lit("call"),
            before="standing",
            now=pl.when("out").then(pl.lit("found out")).otherwise(pl.lit("found in")),
            value="p_out_next_due",
        )
    )
    bands = _bands(forecast, found)
    near = bands.filter("near")
    inside = int((near["now"] == "inside").sum())
    told = calls.drop_nulls("value")
    chance, was_out = told["value"].to_list(), int(told["out"].sum())
    numbers = _numbers_out(chance)
    low, high = binomial_interval(inside, near.height)
    return Prediction(
        rows=pl.concat([calls.drop("out"), near.drop("near")], how="diagonal"),
        judged=near.height,
        inside=inside,
        far=bands.height - near.height,
        level=band_level,
        low=float(low),
        high=float(high),
        calls=_counted(calls),
        expected=sum(chance),
        expected_sd=math.sqrt(sum(p * (1 - p) for p in chance)),
        as_many=sum(numbers[was_out:]),
        as_few=sum(numbers[: was_out + 1]),
    )


def _numbers_out(chances: list[float]) -> list[float]:
    """Return the probability of 0, 1, 2 … meters out, each by itself with its own chance."""
    numbers = [1.0]
    for p in chances:
        stay = [*(number * (1 - p) for number in numbers), 0.0]
        more = [0.0, *(number * p for number in numbers)]
        numbers = [sum(pair) for pair in zip(stay, more, strict=True)]
    return numbers


def _next_visits(meters: pl.DataFrame, ledger: pl.DataFrame, *, since: date) -> pl.DataFrame:
    """Return the ledger's rows of each meter's first visit that the earlier review did not know."""
    known = meters.select("meter_id", seen=pl.col("last_visit_on").fill_null(since))
    later = ledger.join(known, on="meter_id").filter(pl.col("performed_on") > pl.col("seen"))
    first = pl.col("performed_on") == pl.col("performed_on").min().over("meter_id")
    return later.filter(first).unique(["meter_id", "point_pct"], keep="first", maintain_order=True)


def _bands(forecast: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    """Return one row a band whose meter was seen: the mean found and whether it lay inside."""
    predicted = forecast.drop_nulls(["next_mean_low", "next_mean_high"]).select(
        "meter_id", "point_pct", "next_mean_low", "next_mean_high", for_day="on_date"
    )
    mean = pl.col("as_found_bias_pct")
    inside = mean.is_between(pl.col("next_mean_low"), pl.col("next_mean_high"))
    away = (pl.col("performed_on") - pl.col("for_day")).dt.total_days().abs()
    return (
        found.drop_nulls("as_found_bias_pct")
        .join(predicted, on=["meter_id", "point_pct"])
        .select(
            "meter_id",
            "point_pct",
            kind=pl.lit("band"),
            on_date="performed_on",
            now=pl.when(inside).then(pl.lit("inside")).otherwise(pl.lit("outside")),
            low="next_mean_low",
            high="next_mean_high",
            value="as_found_bias_pct",
            why=pl.format("band made for {}", pl.col("for_day").dt.to_string("iso")),
            near=away <= NEAR_DAYS,
        )
    )


def _counted(calls: pl.DataFrame) -> tuple[Call, ...]:
    """Count the meters seen and found out by their standing then."""
    counts = {
        standing: (seen, out)
        for standing, seen, out in calls.group_by("before")
        .agg(pl.len().cast(pl.Int64), pl.col("out").sum().cast(pl.Int64))
        .iter_rows()
    }
    return tuple(Call(name, *counts[name]) for name in STANDINGS if name in counts)


def changed_in_short(rows: pl.DataFrame, *, earlier_as_of: date) -> str:
    """Return the rows of `changes_since.SINCE` counted, in one clause: "3 new signals and …"."""
    counts = dict(rows.group_by("kind").len().iter_rows())
    words = (
        ("standing", "standing changed", "standings changed"),
        ("new_signal", "new signal", "new signals"),
        ("ended_signal", "signal gone", "signals gone"),
        ("response", "response made", "responses made"),
        ("new_meter", "new meter", "new meters"),
        ("gone_meter", "meter gone", "meters gone"),
        ("policy", "choice of the policy changed", "choices of the policy changed"),
        ("program", "other version of the program", "other versions of the program"),
    )
    said = {kind: count(counts[kind], one, many) for kind, one, many in words if kind in counts}
    old = rows.filter((pl.col("kind") == "new_signal") & (pl.col("on_date") <= earlier_as_of))
    if old.height:
        said["new_signal"] += (
            f" ({whole(old.height)} at visits known then, whose baselines were completed since)"
        )
    if not said:
        return "no standing, signal, response or meter has changed"
    return listed(list(said.values()))


def bands_in_words(prediction: Prediction) -> str:
    """Say how many of the next as-found means lay in the bands that were given for them."""
    far = (
        f" {count(prediction.far, 'mean')} came too far from the day of the band to be judged."
        if prediction.far
        else ""
    )
    if not prediction.judged:
        return f"No visit since can be compared with a forecast band.{far}"
    promised = f"{share(prediction.level)} " if prediction.level is not None else ""
    percent = f"{fixed(100 * prediction.inside / prediction.judged, places=0)} %"
    interval = (
        f"{fixed(100 * prediction.low, places=0)} to {fixed(100 * prediction.high, places=0)} %"
    )
    lay = (
        f"{whole(prediction.inside)} of {count(prediction.judged, 'mean')} found since lay in the "
        f"{promised}band forecast for it: {percent}, 95 % interval {interval}"
    )
    return f"{lay}{_judgement(prediction)}.{far}"


def _judgement(prediction: Prediction) -> str:
    """Say whether the share inside bears out what was promised."""
    if prediction.level is None or prediction.judged < _FEWEST_JUDGED:
        return ", too few to say more"
    if prediction.high < prediction.level:
        return "; fewer than promised, so take the bands of this review as too narrow"
    if prediction.low > prediction.level:
        return "; more than promised, so the bands are on the cautious side"
    return "; in line with what was promised"


def calls_in_words(prediction: Prediction) -> str:
    """Say what the next visits found of the meters, by their standing then."""
    if not prediction.calls:
        return "No meter has been seen since."
    found = sum(call.found_out for call in prediction.calls)
    by_standing = [
        f"{whole(call.found_out)} of {whole(call.seen)} {call.standing}"
        for call in prediction.calls
    ]
    expected = fixed(prediction.expected, places=1)
    scatter = fixed(prediction.expected_sd, places=1)
    return (
        f"Found out of tolerance at the next visit, by standing then: {listed(by_standing)}. "
        f"By the chances given then, {expected} ± {scatter} (one standard deviation) were to be "
        f"expected out; {whole(found)} were found out, {_expectation(prediction)}."
    )


def _expectation(prediction: Prediction) -> str:
    """Say whether the number found out bears out the P(out) given."""
    if prediction.as_many < _UNLIKELY:
        chance = probability(prediction.as_many)
        return f"more than expected (chance of as many: {chance})"
    if prediction.as_few < _UNLIKELY:
        chance = probability(prediction.as_few)
        return f"fewer than expected (chance of as few: {chance})"
    return "in line with that"
