"""This module measures the grounds for not keeping a meter as it is.

No standard sets a number for any of them.  Each threshold is the laboratory's choice, and each
ground is met, not met, or cannot be said.
"""

import polars as pl

from drift.format import count, in_days, in_so_many, plain, share
from drift.frames import DAYS_PER_YEAR, Row
from drift.upkeep.choices import IntervalChoices, RetirementChoices
from drift.upkeep.reliability.censored_intervals import judged_visits, periods_of
from drift.upkeep.reliability.reliability import end_of_period_reliability
from drift.upkeep.retirement.ground_table import (
    GROUND_TABLE,
    Finding,
    RetirementEvidence,
    judged_rows,
    last_cures,
    one_place,
)
from drift.upkeep.retirement.wear import (
    measure_adjustments,
    measure_directions,
    measure_mark_travel,
    measure_points_together,
    measure_repeatability,
)

_FAULTS = {"seal_replaced": "leak", "chamber_dried": "chamber_water"}


def measure_grounds(
    evidence: RetirementEvidence,
    *,
    tolerance: float,
    comparison: str,
    choices: RetirementChoices,
    intervals: IntervalChoices,
) -> pl.DataFrame:
    """Measure every ground but the cost for every meter of the ledger.

    Parameters
    ----------
    evidence : RetirementEvidence
    tolerance, comparison
        As in `drift.meter.tolerance.within_tolerance`.
    choices : RetirementChoices
    intervals : IntervalChoices
        The target, the confidence and the practicable interval.

    Returns
    -------
    pl.DataFrame
        Columns of `GROUNDS`, by meter, grounds in the order of `GROUND_TABLE`.
    """
    life = present_life(evidence.ledger)
    seen = life.select("meter_id").unique().sort("meter_id")
    rates = pass_rates(life, tolerance=tolerance, comparison=comparison, intervals=intervals)
    parts = [
        measure_adjustments(seen, life, choices, confidence=intervals.confidence),
        measure_directions(seen, life, choices),
        _pass_rate(seen, rates, intervals),
        measure_mark_travel(seen, evidence, choices),
        measure_repeatability(
            seen,
            life,
            cures=last_cures(evidence),
            choices=choices,
            compared=evidence.present.height,
        ),
        measure_points_together(
            seen, life, tolerance=tolerance, comparison=comparison, choices=choices
        ),
        _intervals(seen, evidence, intervals),
        _faults(seen, evidence, choices),
        _age(seen, evidence, choices),
    ]
    place = {ground.name: at for at, ground in enumerate(GROUND_TABLE)}
    return pl.concat(parts).sort("meter_id", pl.col("ground").replace_strict(place))


def present_life(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return the rows since a meter's gauge was last replaced, its visits numbered."""
    return ledger.filter(pl.col("gauge") == pl.col("gauge").max().over("meter_id")).with_columns(
        at_visit=pl.col("t_years").rank("dense").over("meter_id").cast(pl.Int64)
    )


def pass_rates(
    life: pl.DataFrame, *, tolerance: float, comparison: str, intervals: IntervalChoices
) -> pl.DataFrame:
    """Return for each meter its checks and passes and the highest pass rate they leave possible.

    Returns
    -------
    pl.DataFrame
        ``meter_id passes checks high``.
    """
    visits = judged_visits(life, tolerance=tolerance, comparison=comparison, by="meter")
    checked = periods_of(visits)
    nobody = pl.DataFrame(schema={"meter_id": pl.String, "name": pl.String})
    rates = end_of_period_reliability(checked, nobody, confidence=intervals.confidence)
    return rates.filter(pl.col("scope") == "meter").select(
        "passes", "checks", "high", meter_id="name"
    )


def _pass_rate(seen: pl.DataFrame, rates: pl.DataFrame, intervals: IntervalChoices) -> pl.DataFrame:
    """Compare the highest pass rate that the checks so far leave possible with the target."""

    def passing(row: Row) -> Finding:
        if row["checks"] is None:
            return (
                None,
                intervals.target,
                "It has not been checked yet after it was left in tolerance.",
            )
        told = f"{row['passes']} of {count(row['checks'], 'check')} passed"
        target = f"the target of {share(intervals.target)}"
        if row["passes"] == row["checks"]:
            said = f"{told}; the target is {share(intervals.target)}."
        elif row["high"] < intervals.target:
            said = (
                f"{told}. Even with the benefit of the doubt ({share(intervals.confidence)} "
                f"confidence) it passes {in_so_many(row['high'])}; the target is "
                f"{in_so_many(intervals.target)}."
            )
        else:
            said = (
                f"{told}: it may still reach {target} ({share(intervals.confidence)} confidence)."
            )
        return row["high"], intervals.target, said

    return judged_rows(seen, rates, {"pass_rate": passing})


def _intervals(
    seen: pl.DataFrame, evidence: RetirementEvidence, intervals: IntervalChoices
) -> pl.DataFrame:
    """Compare the interval it needs, once adjusted, with its own and the shortest practicable."""
    numbers = seen.join(
        evidence.needed.select("meter_id", "days", known=True), on="meter_id", how="left"
    ).join(evidence.present, on="meter_id", how="left")

    def against(row: Row, threshold: float | None) -> Finding:
        if not row["known"]:
            return None, threshold, "No interval can be forecast for it."
        longest = float(intervals.longest_days)
        days = longest if row["days"] is None else row["days"]
        more = "more than " if row["days"] is None else ""
        return (
            days,
            threshold,
            f"Once adjusted it stays within the target for {more}{in_days(days)}.",
        )

    def practicable(row: Row) -> Finding:
        return against(row, float(intervals.shortest_days))

    def in_force(row: Row) -> Finding:
        present = row["interval_days"]
        value, threshold, said = against(row, None if present is None else float(present))
        if value is None or threshold is None:
            return value, threshold, said
        return value, threshold, f"{said[:-1]}; its interval is {in_days(threshold)}."

    return judged_rows(
        seen, numbers, {"interval_in_force": in_force, "needed_interval": practicable}
    )


def _faults(
    seen: pl.DataFrame, evidence: RetirementEvidence, choices: RetirementChoices
) -> pl.DataFrame:
    """Count leaks and water put right lately, and one more where the readings suggest it now."""
    since = pl.lit(evidence.as_of) - pl.col("performed_on")
    recent = (since.dt.total_days() <= choices.fault_years * DAYS_PER_YEAR) & (
        pl.col("performed_on") <= evidence.as_of
    )
    repaired = (
        evidence.service.filter(recent & pl.col("action").is_in(list(_FAULTS)))
        .group_by("meter_id")
        .agg(repaired=pl.len())
    )
    suspected = (
        evidence.causes.join(_present_segments(evidence.ledger), on=["meter_id", "segment"])
        .filter(pl.col("cause").is_in(list(_FAULTS.values())))
        .group_by("meter_id")
        .agg(suspected=pl.col("probability").sum() >= choices.cause_probability)
    )
    numbers = seen.join(repaired, on="meter_id", how="left").join(
        suspected, on="meter_id", how="left"
    )
    nothing = evidence.service.is_empty()

    def recurring(row: Row) -> Finding:
        threshold = float(choices.recurring_faults)
        again = bool(row["suspected"])
        value = (row["repaired"] or 0) + again
        if nothing and not again:
            return None, threshold, "No service is recorded for any meter."
        hint = "; the readings suggest one now" if again else ""
        return (
            float(value),
            threshold,
            (
                f"{count(row['repaired'] or 0, 'leak or wet chamber', 'leaks or wet chambers')} "
                f"put right in the last {plain(choices.fault_years)} years{hint}."
            ),
        )

    return judged_rows(seen, numbers, {"recurring_fault": recurring})


def _present_segments(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return the segment that each meter is in now: what its last visit put right is past."""
    last = pl.col("t_years") == pl.col("t_years").max().over("meter_id")
    return (
        ledger.filter(last)
        .group_by("meter_id")
        .agg(segment=pl.col("segment").max() + pl.col("adjusted").any().cast(pl.Int64))
    )


def _age(
    seen: pl.DataFrame, evidence: RetirementEvidence, choices: RetirementChoices
) -> pl.DataFrame:
    """Measure the years in service."""
    numbers = (
        evidence.meters.drop_nulls("in_service_on")
        .unique("meter_id", keep="last")
        .select(
            "meter_id",
            years=(pl.lit(evidence.as_of) - pl.col("in_service_on")).dt.total_days()
            / DAYS_PER_YEAR,
        )
    )

    def age(row: Row) -> Finding:
        if row["years"] is None:
            return None, choices.age_years, "Its first day of use is not recorded."
        return row["years"], choices.age_years, f"In service for {one_place(row['years'])} years."

    return judged_rows(seen, numbers, {"age": age})
