"""This module sets what meters read in use against something else, and against the bench.

A second meter, a gravimetric or volumetric air content and an assigned value of a round see what
the bench does not: sampling, consolidation, the aggregate.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import stdtrit

from drift.conformity.choices import ConformityChoices
from drift.conformity.scores import (
    en_score,
    robust_mean_sd,
    z_score,
    zeta_score,
)
from drift.frames import Row, Schema

SECOND_METER = "second_meter"
# What the other side says of the aggregate correction: nothing is to be taken off, it was taken
# off, or nothing is said.
_NONE_NEEDED, _TAKEN_OFF, _NOT_SAID = "none needed", "taken off", "not said"
AGREES_WITH, DISAGREES, BENCH_ALONE = "agrees", "disagrees", "bench_alone"
NOT_COMPARED, CANNOT = "not_compared", "cannot_say"
_NOT_SAID_OFF = "no field test of that day and content says that the aggregate correction is off"
_ONE_SAYS = "one side says that the aggregate correction is off, the other does not"
_NO_U = "the uncertainty of the other is not stated"
_NO_BENCH = "the meter was not calibrated before"
_FIELD_U = "the uncertainty of a field result is not stated: field_u_pct of the policy"
STATED_SD, OWN_SD = "policy", "own comparisons"
# From so many comparisons of one kind on their own spread counts.  ISO 13528 asks for enough
# results for a robust spread and names no number here (judgement).
_FEWEST_OWN = 8
_SAME = 1e-9
_LEVEL = 0.95

# One row per comparison: difference_pct is the meter less the other; u_bench_pct the standard
# uncertainty of its bias at the bench, u_meter_pct that of its result: with that of one field
# result, where the policy states it; bench_bias_pct what the bench last left the meter with at
# that air content, bench_on when; after_bench_pct the difference less that.  en, zeta and z as in
# `drift.conformity.scores`; sd_pct behind z, and where it comes from.  result: agrees; disagrees;
# bench_alone (|E_n| above 1 with the bench's uncertainty alone, which proves nothing); cannot_say;
# or not_compared, with the reason in why.
COMPARISON_SCORES: Schema = {
    "comparison_id": pl.String,
    "compared_on": pl.Date,
    "meter_id": pl.String,
    "other": pl.String,
    "air_pct": pl.Float64,
    "other_air_pct": pl.Float64,
    "difference_pct": pl.Float64,
    "correction": pl.String,
    "other_correction": pl.String,
    "u_bench_pct": pl.Float64,
    "u_meter_pct": pl.Float64,
    "u_other_pct": pl.Float64,
    "en": pl.Float64,
    "zeta": pl.Float64,
    "z": pl.Float64,
    "sd_pct": pl.Float64,
    "sd_basis": pl.String,
    "bench_on": pl.Date,
    "bench_bias_pct": pl.Float64,
    "after_bench_pct": pl.Float64,
    "result": pl.String,
    "why": pl.String,
}

# One row per kind of comparison.  mean_pct of the differences with its 95 % interval, sd_pct their
# spread, sd_after_pct that of the differences less the bench bias; slope of the difference on the
# bench bias with its 95 % interval, made up for the bench bias's own uncertainty (reliability: the
# share of its spread that is not that).  A slope of 1: what the bench finds is found in the field;
# 0: it is not.
FIELD_BENCH: Schema = {
    "other": pl.String,
    "comparisons": pl.Int64,
    "meters": pl.Int64,
    "mean_pct": pl.Float64,
    "mean_low": pl.Float64,
    "mean_high": pl.Float64,
    "sd_pct": pl.Float64,
    "sd_after_pct": pl.Float64,
    "slope": pl.Float64,
    "slope_low": pl.Float64,
    "slope_high": pl.Float64,
    "reliability": pl.Float64,
    "says": pl.String,
}
FOLLOWS, APART, UNTOLD_SLOPE = "follows_the_bench", "apart_from_the_bench", "cannot_say"
# Less of the bench biases' spread than this is no leverage.
_LEAST_RELIABILITY = 0.3


@dataclass(frozen=True, slots=True)
class Comparisons:
    """Results in use against something else.

    Attributes
    ----------
    scores : pl.DataFrame
        Frame of `COMPARISON_SCORES`, in the order of days and ids.
    field_bench : pl.DataFrame
        Frame of `FIELD_BENCH`, by kind.
    """

    scores: pl.DataFrame
    field_bench: pl.DataFrame


def no_comparisons() -> Comparisons:
    """Return what there is where nothing was compared."""
    return Comparisons(
        scores=pl.DataFrame(schema=COMPARISON_SCORES), field_bench=pl.DataFrame(schema=FIELD_BENCH)
    )


def weigh_comparisons(
    comparisons: pl.DataFrame,
    field_tests: pl.DataFrame,
    *,
    ledger: pl.DataFrame,
    verdicts: pl.DataFrame,
    policy: ConformityChoices,
) -> Comparisons:
    """Score every comparison, and set the differences against what the bench found.

    Parameters
    ----------
    comparisons, field_tests : pl.DataFrame
        Input tables of these names.  A field test of the meter, of that day and with that air
        content says whether the aggregate correction was taken off.
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    verdicts : pl.DataFrame
        Frame of `drift.conformity.weigh.CONFORMITY`.
    policy : ConformityChoices
        Uncertainty of a field result and spread of rounds, where stated.

    Notes
    -----
    Gravimetric and volumetric contents and assigned values hold no aggregate correction; the
    meter's must then have been taken off.  Two meters are compared where both took it off or
    neither says so.  Where one side says and the other does not, no score is given.
    """
    if comparisons.is_empty():
        return no_comparisons()
    bench = _bench(ledger, verdicts)
    said = _corrections(field_tests)
    rows = [
        _row(row, bench.get(row["meter_id"], []), said, policy)
        for row in comparisons.sort("compared_on", "comparison_id").iter_rows(named=True)
    ]
    scores = _with_z(pl.DataFrame(rows, schema=COMPARISON_SCORES), policy)
    kinds = [
        _field_bench(str(kind), mine)
        for (kind,), mine in scores.filter(pl.col("result") != NOT_COMPARED)
        .sort("other", maintain_order=True)
        .group_by("other", maintain_order=True)
    ]
    return Comparisons(scores=scores, field_bench=pl.DataFrame(kinds, schema=FIELD_BENCH))


def _bench(ledger: pl.DataFrame, verdicts: pl.DataFrame) -> dict[str, list[Row]]:
    """Return by meter what each visit left it with: days in order, points, biases and their u."""
    u = verdicts.sort("stage").unique(
        ["meter_id", "visit_id", "point_pct"], keep="last", maintain_order=True
    )
    left = (
        ledger.filter(pl.col("left_bias_pct").is_not_null())
        .join(
            u.select("meter_id", "visit_id", "point_pct", "u_pct"),
            on=["meter_id", "visit_id", "point_pct"],
            how="left",
        )
        .sort("performed_on", "visit_id", "correct_air_pct")
        .group_by("meter_id", "performed_on", "visit_id", maintain_order=True)
        .agg("correct_air_pct", "left_bias_pct", "u_pct")
    )
    by_meter: dict[str, list[Row]] = {}
    for row in left.iter_rows(named=True):
        by_meter.setdefault(row["meter_id"], []).append(row)
    return by_meter


def _corrections(
    field_tests: pl.DataFrame,
) -> dict[tuple[object, object], list[tuple[float, bool]]]:
    """Return by meter and day the air contents of field tests, and whether each was corrected."""
    said: dict[tuple[object, object], list[tuple[float, bool]]] = {}
    for row in field_tests.iter_rows(named=True):
        corrected = row["correction_pct"] is not None
        said.setdefault((row["meter_id"], row["tested_on"]), []).append((row["air_pct"], corrected))
    return said


def _row(
    row: Row,
    visits: list[Row],
    said: dict[tuple[object, object], list[tuple[float, bool]]],
    policy: ConformityChoices,
) -> Row:
    """Return one comparison with its scores but z."""
    day, difference = row["compared_on"], row["air_pct"] - row["other_air_pct"]
    mine = _said_of(said.get((row["meter_id"], day), []), row["air_pct"])
    other = _NONE_NEEDED
    if row["other"] == SECOND_METER:
        # The other meter is not named: any test of that day with its air content speaks for it.
        tests = [one for (_, on), day_tests in said.items() if on == day for one in day_tests]
        other = _said_of(tests, row["other_air_pct"])
    made: Row = {name: row.get(name) for name in COMPARISON_SCORES} | {
        "difference_pct": difference,
        "correction": mine,
        "other_correction": other,
    }
    last = next((one for one in reversed(visits) if one["performed_on"] <= day), None)
    if last is not None:
        bias, u_bench = _at(last, row["air_pct"])
        u = None if u_bench is None else float(np.hypot(u_bench, policy.field_u_pct))
        made |= {"bench_on": last["performed_on"], "bench_bias_pct": bias}
        made |= {"u_bench_pct": u_bench, "u_meter_pct": u}
        made["after_bench_pct"] = difference - bias
    return made | _result(made, policy)


def _said_of(tests: list[tuple[float, bool]], air: float) -> str:
    """Return what field tests of one air content say of the aggregate correction."""
    corrected = [taken for content, taken in tests if abs(content - air) <= _SAME]
    return _TAKEN_OFF if corrected and all(corrected) else _NOT_SAID


def _at(visit: Row, air: float) -> tuple[float, float | None]:
    """Return bias and uncertainty at an air content: between points by the line, beyond the last.

    A dial's faults grow by a line with air content (`drift.meter.dial`).
    """
    points, biases = visit["correct_air_pct"], visit["left_bias_pct"]
    bias = float(np.interp(air, points, biases))
    nearest = int(np.argmin(np.abs(np.array(points) - air)))
    return bias, visit["u_pct"][nearest]


def _result(made: Row, policy: ConformityChoices) -> Row:
    """Return E_n, ζ and what they say, or why nothing can be said."""
    mine, other = made["correction"], made["other_correction"]
    u, u_other = made["u_meter_pct"], made["u_other_pct"]
    if other == _NONE_NEEDED and mine != _TAKEN_OFF:
        return {"result": NOT_COMPARED, "why": _NOT_SAID_OFF}
    if other not in (_NONE_NEEDED, mine):
        return {"result": NOT_COMPARED, "why": _ONE_SAYS}
    if u is None or u_other is None:
        return {"result": CANNOT, "why": _NO_U if u is not None else _NO_BENCH}
    en = float(en_score(made["difference_pct"], u=u, u_other=u_other))
    scored = {"en": en, "zeta": float(zeta_score(made["difference_pct"], u=u, u_other=u_other))}
    if abs(en) <= 1:
        return scored | {"result": AGREES_WITH, "why": ""}
    if policy.field_u_pct > 0:
        return scored | {"result": DISAGREES, "why": ""}
    return scored | {"result": BENCH_ALONE, "why": _FIELD_U}


def _with_z(scores: pl.DataFrame, policy: ConformityChoices) -> pl.DataFrame:
    """Add z by the policy's standard deviation, else by the robust one of enough of its kind."""
    known = {}
    for (kind,), mine in scores.filter(pl.col("result") != NOT_COMPARED).group_by("other"):
        if policy.comparison_sd_pct > 0:
            known[kind] = (policy.comparison_sd_pct, STATED_SD)
        elif mine.height >= _FEWEST_OWN:
            known[kind] = (robust_mean_sd(mine["difference_pct"].to_list())[1], OWN_SD)
    spreads = [known.get(kind, (None, None)) for kind in scores["other"]]
    told = scores.with_columns(
        sd_pct=pl.Series([sd for sd, _ in spreads], dtype=pl.Float64),
        sd_basis=pl.Series([basis for _, basis in spreads], dtype=pl.String),
    ).with_columns(
        pl.when(pl.col("result") != NOT_COMPARED).then(name).alias(name)
        for name in ("sd_pct", "sd_basis")
    )
    z = z_score(
        told["difference_pct"].to_numpy(), sd=told["sd_pct"].fill_null(float("nan")).to_numpy()
    )
    return told.with_columns(z=pl.Series(z, dtype=pl.Float64).fill_nan(None))


def _field_bench(kind: str, mine: pl.DataFrame) -> Row:
    """Say what differences of one kind have to do with what the bench found."""
    row: Row = dict.fromkeys(FIELD_BENCH) | {
        "other": kind,
        "comparisons": mine.height,
        "meters": mine["meter_id"].n_unique(),
        "says": UNTOLD_SLOPE,
    }
    differences = mine["difference_pct"].to_numpy()
    if mine.height < 2:
        return row
    half = float(stdtrit(mine.height - 1, 0.5 + _LEVEL / 2)) * differences.std(ddof=1)
    half /= float(np.sqrt(mine.height))
    mean = float(differences.mean())
    row |= {
        "mean_pct": mean,
        "mean_low": mean - half,
        "mean_high": mean + half,
        "sd_pct": float(differences.std(ddof=1)),
    }
    known = mine.drop_nulls(["bench_bias_pct", "u_meter_pct"])
    if known.height < _FEWEST_OWN:
        return row
    return row | _slope(known)


def _slope(known: pl.DataFrame) -> Row:
    """Return the slope of differences on bench biases, made up for the bench biases' own error.

    References
    ----------
    Fuller (1987), Measurement Error Models, section 1.2: least squares over the reliability.  Its
    interval is that of the plain slope over the same, the reliability taken as known.
    """
    x, y = known["bench_bias_pct"].to_numpy(), known["difference_pct"].to_numpy()
    after = {"sd_after_pct": float((y - x).std(ddof=1))}
    spread = float(x.var(ddof=1))
    if spread <= 0:
        return after
    reliability = 1 - float((known["u_bench_pct"].to_numpy() ** 2).mean()) / spread
    if reliability < _LEAST_RELIABILITY:
        return after | {"reliability": max(reliability, 0.0)}
    squares = spread * (len(x) - 1)
    slope = float((x - x.mean()) @ y) / squares
    residual = y - y.mean() - slope * (x - x.mean())
    error = float(np.sqrt(residual @ residual / (len(x) - 2) / squares))
    half = float(stdtrit(len(x) - 2, 0.5 + _LEVEL / 2)) * error / reliability
    slope /= reliability
    low, high = slope - half, slope + half
    says = UNTOLD_SLOPE
    if low <= 1 <= high and low > 0:
        says = FOLLOWS
    elif low <= 0 <= high < 1:
        says = APART
    return after | {
        "slope": slope,
        "slope_low": low,
        "slope_high": high,
        "reliability": reliability,
        "says": says,
    }
