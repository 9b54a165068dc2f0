"""This module measures the wear of meters: adjustments, mark, scatter, points."""

import polars as pl

from drift.format import NO_BREAK, count, rare, share, spread
from drift.frames import Row
from drift.meter.tolerance import within_tolerance
from drift.upkeep.choices import RetirementChoices
from drift.upkeep.retirement.ground_table import (
    Finding,
    RetirementEvidence,
    judged_rows,
    last_run,
    one_place,
    rate_interval,
    rise_p,
    run_p,
    spread_limit,
    two_places,
)

_KPA_PER_PSI = 6.894757


def measure_adjustments(
    seen: pl.DataFrame, life: pl.DataFrame, choices: RetirementChoices, *, confidence: float
) -> pl.DataFrame:
    """Measure how often a meter is adjusted, and whether that rises."""
    numbers = _adjustment_numbers(life, choices, confidence=confidence)

    def rate(row: Row) -> Finding:
        if row["visits"] is None:
            return None, choices.adjustments_per_year, _too_few(choices)
        value = row["number"] / row["years"]
        return (
            value,
            choices.adjustments_per_year,
            (
                f"{count(row['number'], 'adjustment')} in {one_place(row['years'])} years: "
                f"{one_place(value)} a year ({one_place(row['low'])} to {one_place(row['high'])} "
                f"with {share(confidence)} confidence)."
            ),
        )

    def rising(row: Row) -> Finding:
        if row["visits"] is None:
            return None, choices.adjustment_rise_level, _too_few(choices)
        if row["number"] == 0:
            return 1.0, choices.adjustment_rise_level, "It was never adjusted."
        return (
            row["p"],
            choices.adjustment_rise_level,
            (
                f"{row['late']} of {count(row['number'], 'adjustment')} fell in the last "
                f"{one_place(row['late_years'])} of {one_place(row['years'])} years (by chance "
                f"alone: {rare(row['p'])})."
            ),
        )

    return judged_rows(seen, numbers, {"adjustment_rate": rate, "adjustment_rise": rising})


def _adjustment_numbers(
    life: pl.DataFrame, choices: RetirementChoices, *, confidence: float
) -> pl.DataFrame:
    """Return each meter's adjustments before and after the middle of its record."""
    visits = (
        life.group_by("meter_id", "t_years")
        .agg(segment=pl.col("segment").first() + pl.col("adjusted").any().cast(pl.Int64))
        .sort("meter_id", "t_years")
    )
    # Changes up to the visit nearest the middle of the record, and after it.
    time = pl.col("t_years")
    middle = (time.first() + time.last()) / 2
    nearest = (time - middle).abs().arg_min()
    numbers = (
        visits.group_by("meter_id")
        .agg(
            visits=pl.len(),
            years=time.last() - time.first(),
            early=pl.col("segment").get(nearest) - pl.col("segment").first(),
            late=pl.col("segment").last() - pl.col("segment").get(nearest),
            late_years=time.last() - time.get(nearest),
        )
        .filter((pl.col("visits") >= choices.fewest_visits) & (pl.col("years") > 0))
        .with_columns(number=pl.col("early") + pl.col("late"))
    )
    low, high = rate_interval(numbers["number"], numbers["years"], confidence=confidence)
    rise = rise_p(
        numbers["early"], numbers["late"], late_share=numbers["late_years"] / numbers["years"]
    )
    return numbers.with_columns(low=pl.Series(low), high=pl.Series(high), p=pl.Series(rise))


def measure_directions(
    seen: pl.DataFrame, life: pl.DataFrame, choices: RetirementChoices
) -> pl.DataFrame:
    """Measure how many of the last adjustments moved the readings the same way."""
    adjusted = life.filter(pl.col("adjusted"))
    numbers = (
        adjusted.group_by("meter_id", "t_years")
        .agg(move=(pl.col("as_left_bias_pct") - pl.col("as_found_bias_pct")).mean())
        .sort("t_years")
        .group_by("meter_id")
        .agg(moves=pl.col("move").drop_nulls().round(9), adjusted=pl.len())
    )

    def run(row: Row) -> Finding:
        threshold = float(choices.same_direction_moves)
        if row["adjusted"] is None:
            return 0.0, threshold, "It was never adjusted."
        if not row["moves"]:
            return None, threshold, "No adjustment was read both before and after."
        length = last_run(row["moves"])
        way = "up" if sum(row["moves"][-length:]) > 0 else "down"
        return (
            float(length),
            threshold,
            (
                f"The last {count(length, 'adjustment')} moved its readings {way} "
                f"(by chance alone: {rare(run_p(length))})."
            ),
        )

    return judged_rows(seen, numbers, {"same_direction": run})


def measure_mark_travel(
    seen: pl.DataFrame, evidence: RetirementEvidence, choices: RetirementChoices
) -> pl.DataFrame:
    """Measure how far the mark stands from where it was established, in % on the dial.

    A mark recorded as a pressure p is where the dial shows k (pI/p − 1), with k = 100 times the
    ratio of chamber to bowl and pI the nominal initial pressure (isothermal release).
    """
    build = evidence.meters.select(
        "meter_id", k=100 * pl.col("chamber_bowl_ratio"), nominal="initial_pressure_kpa"
    ).unique("meter_id", keep="last")
    unit = pl.col("mark_unit").fill_null("dial_pct")
    pressure = pl.when(unit == "psi").then(pl.col("mark") * _KPA_PER_PSI).otherwise("mark")
    on_dial = (
        pl.when(unit == "dial_pct")
        .then("mark")
        .when(pressure > 0)
        .then(pl.col("k") * (pl.col("nominal") / pressure - 1))
    )
    since = pl.col("performed_on").filter(pl.col("action") == "established").max().over("meter_id")
    numbers = (
        evidence.marks.filter(since.is_null() | (pl.col("performed_on") >= since))
        .join(build, on="meter_id", how="left")
        .with_columns(place=on_dial)
        .sort("meter_id", "performed_on")
        .group_by("meter_id")
        .agg(
            records=pl.len(),
            placed=pl.col("place").count(),
            first=pl.col("place").first(),
            last=pl.col("place").last(),
            moves=(pl.col("action") == "moved").sum(),
        )
    )

    def travel(row: Row) -> Finding:
        if row["records"] is None:
            return None, choices.mark_travel_pct, "No mark is recorded."
        if row["placed"] < row["records"]:
            return None, choices.mark_travel_pct, "A mark given as a pressure needs the ratio."
        value = round(abs(row["last"] - row["first"]), 9)
        if not row["moves"] and not value:
            return value, choices.mark_travel_pct, "The mark stands where it was first recorded."
        return (
            value,
            choices.mark_travel_pct,
            (
                f"The mark stands {two_places(value)}{NO_BREAK}% on the dial from its first "
                f"recorded place after {count(row['moves'], 'move')}."
            ),
        )

    return judged_rows(seen, numbers, {"mark_travel": travel})


def measure_repeatability(
    seen: pl.DataFrame,
    life: pl.DataFrame,
    *,
    cures: pl.DataFrame,
    choices: RetirementChoices,
    compared: int,
) -> pl.DataFrame:
    """Measure the scatter of replicates at the last visits against that at the first.

    What was found before a meter was last put right says nothing of how it repeats now.  The
    chance of calling a sound meter worse is shared out alike over the meters in use, however many
    of them are asked about, so that a large fleet does not send one to service by chance at every
    review (Bonferroni's inequality).

    Parameters
    ----------
    seen, life, cures : pl.DataFrame
        Meters asked about, their rows with the present gauge, and when each was last cured.
    choices : RetirementChoices
    compared : int
        Meters in use.
    """
    spreads = _replicate_spreads(life, cures)
    visits = pl.col("at_visit").max().over("meter_id")
    early = pl.col("at_visit") <= choices.baseline_visits
    late = (pl.col("at_visit") > visits - choices.recent_visits) & ~early & pl.col("still")
    numbers = (
        spreads.group_by("meter_id")
        .agg(pl.len())
        .select("meter_id")
        .join(_pooled(spreads.filter(early), "base"), on="meter_id")
        .join(_pooled(spreads.filter(late), "recent"), on="meter_id")
    )
    limit = spread_limit(
        numbers["recent_freedom"],
        numbers["base_freedom"],
        level=choices.repeatability_level / max(compared, 1),
    )
    numbers = numbers.with_columns(limit=pl.Series(limit))

    def growth(row: Row) -> Finding:
        if row["limit"] is None:
            return None, None, "Too few visits with repeat readings to compare early with late."
        floored = row["base_step"] is not None and row["base_sd"] < row["base_step"] / 12**0.5
        base = row["base_step"] / 12**0.5 if floored else row["base_sd"]
        if base <= 0:
            return None, None, "The repeat readings of its first visits do not differ at all."
        value = row["recent_sd"] / base
        floor = ", the least that its dial can show" if floored else ""
        look = " Look for a leak, a sticking hand or water." if value > row["limit"] else ""
        return (
            value,
            row["limit"],
            (
                f"Repeat readings now differ {two_places(value)} times as much as when first "
                f"seen; chance alone explains up to {two_places(row['limit'])} times.{look} Their "
                f"standard deviation was {spread(base)}{NO_BREAK}% air at the first "
                f"{choices.baseline_visits} visits{floor}, and is {spread(row['recent_sd'])}"
                f"{NO_BREAK}% air at the last {count(row['recent_visits'], 'visit')}."
            ),
        )

    return judged_rows(seen, numbers, {"repeatability": growth})


def _replicate_spreads(life: pl.DataFrame, cures: pl.DataFrame) -> pl.DataFrame:
    """Return the squares and the freedom of each visit's replicates, and if they still count."""
    dated = life.join(cures, on="meter_id", how="left")
    on, cured_on = pl.col("performed_on"), pl.col("cured_on")
    return pl.concat(
        [
            dated.select(
                *("meter_id", "at_visit", "resolution_pct"),
                still=cured_on.is_null() | still,
                freedom=pl.col(f"{stage}_replicates") - 1,
                squares=(pl.col(f"{stage}_replicates") - 1) * pl.col(f"{stage}_spread_pct") ** 2,
            )
            for stage, still in (("as_found", on > cured_on), ("as_left", on >= cured_on))
        ]
    ).drop_nulls(["freedom", "squares"])


def _pooled(spreads: pl.DataFrame, name: str) -> pl.DataFrame:
    """Return the pooled standard deviation of each meter, its freedom and the dial's step."""
    return (
        spreads.group_by("meter_id")
        .agg(
            (pl.col("squares").sum() / pl.col("freedom").sum()).sqrt().alias(f"{name}_sd"),
            pl.col("freedom").sum().alias(f"{name}_freedom"),
            pl.col("resolution_pct").max().alias(f"{name}_step"),
            pl.col("at_visit").n_unique().alias(f"{name}_visits"),
        )
        .filter(pl.col(f"{name}_freedom") >= 1)
    )


def measure_points_together(
    seen: pl.DataFrame,
    life: pl.DataFrame,
    *,
    tolerance: float,
    comparison: str,
    choices: RetirementChoices,
) -> pl.DataFrame:
    """Count the last adjustments that left some point outside the tolerance."""
    inside = within_tolerance(
        pl.col("as_left_bias_pct"), tolerance=tolerance, comparison=comparison
    )
    numbers = (
        life.filter(pl.col("adjusted"))
        .drop_nulls("as_left_bias_pct")
        .with_columns(inside=inside)
        .group_by("meter_id", "t_years")
        .agg(points=pl.len(), all_in=pl.col("inside").all())
        .filter(pl.col("points") >= 2)
        .sort("t_years")
        .group_by("meter_id")
        .agg(all_in=pl.col("all_in").tail(choices.recent_adjustments))
        .with_columns(looked=pl.col("all_in").list.len(), good=pl.col("all_in").list.sum())
    )

    def together(row: Row) -> Finding:
        threshold = float(choices.left_out_visits)
        if row["looked"] is None:
            return None, threshold, "No adjustment was read as left at two or more points."
        value = row["looked"] - row["good"]
        after = count(row["looked"], "adjustment")
        return float(value), threshold, f"A point stayed out after {value} of its last {after}."

    return judged_rows(seen, numbers, {"points_together": together})


def _too_few(choices: RetirementChoices) -> str:
    """Say that there are too few visits."""
    return f"Fewer than {count(choices.fewest_visits, 'visit')} with this gauge."
