"""This module prices what may be done with a meter over the horizon."""

import math

import polars as pl

from drift.format import plain, whole
from drift.frames import DAYS_PER_YEAR
from drift.upkeep.choices import IntervalChoices, RetirementChoices
from drift.upkeep.retirement.frames import CHOICE_COSTS
from drift.upkeep.retirement.ground_table import (
    Finding,
    RetirementEvidence,
    judged_rows,
    two_places,
)
from drift.upkeep.retirement.simulate import (
    Course,
    PlayedOut,
    Prices,
    UpkeepPlan,
    simulate_maintenance,
)

KEEP, MORE_OFTEN, SERVICE, RETIRE = "keep", "check_more_often", "service", "retire"
CHOICES = (KEEP, MORE_OFTEN, SERVICE, RETIRE)
# Ways of keeping a meter, inside a sentence.
_WAYS = {KEEP: "as it is", MORE_OFTEN: "checked more often", SERVICE: "serviced"}


def price_choices(
    evidence: RetirementEvidence,
    rates: pl.DataFrame,
    *,
    tolerance: float,
    choices: RetirementChoices,
    intervals: IntervalChoices,
) -> pl.DataFrame:
    """Return the expected cost of each choice for each meter that was forecast.

    Parameters
    ----------
    evidence : RetirementEvidence
    rates : pl.DataFrame
        Of `drift.upkeep.retirement.grounds.pass_rates`.
    tolerance : float
        % air.
    choices : RetirementChoices
    intervals : IntervalChoices

    Returns
    -------
    pl.DataFrame
        Columns of `CHOICE_COSTS`, by meter, in the order of `CHOICES`.  A choice is
        missing where it is none: checking more often where the interval, the checks so far and
        those expected are good enough.
        Costs are null where the prices that they need are not given.

    Notes
    -----
    Checked more often is: at the interval that the forecast asks for once it is adjusted, between
    the practicable and the present one, and adjusted as soon as it is past a share of the
    tolerance; a meter that is adjusted only when found out fails once in every cycle of its drift,
    however often it is checked.  Each choice is played out on the point that needs the shortest
    interval.  A serviced and a new meter drift like the fleet's meters: about 0, with their root
    mean square.
    """
    rows = _rows(evidence, rates, intervals)
    if rows.is_empty():
        return pl.DataFrame(schema=CHOICE_COSTS)
    renewed = {"renewed_drift_sd": _usual_drift(evidence)}

    def priced(choice: str, part: pl.DataFrame, interval: str, **plan: float) -> pl.DataFrame:
        made = simulate_maintenance(
            _course(part),
            UpkeepPlan(part[interval].to_numpy(), **plan),
            Prices(choices.check_price, choices.adjustment_price, choices.failure_price),
            tolerance=tolerance,
            horizon_years=choices.horizon_years,
            coverage=choices.cost_coverage,
        )
        return _framed(part["meter_id"], choice, part[interval], made, _priced(choice, choices))

    kept = priced(KEEP, rows, "present")
    checks = choices.horizon_years * DAYS_PER_YEAR / pl.col("interval_days")
    failing = kept.filter(pl.col("found_out") > (1 - intervals.target) * checks)["meter_id"]
    closer = rows.filter(pl.col("closer") | pl.col("meter_id").is_in(failing.implode()))
    parts = [
        kept,
        priced(SERVICE, rows, "present", first_price=choices.service_price, **renewed),
        priced(RETIRE, rows, "present", first_price=choices.replacement_price, **renewed),
    ]
    if not closer.is_empty():
        early = choices.adjust_early_share
        parts.append(priced(MORE_OFTEN, closer, "asked", adjust_share=early))
    place = pl.col("choice").replace_strict({name: at for at, name in enumerate(CHOICES)})
    return pl.concat(parts).sort("meter_id", place)


def judge_costs(
    seen: pl.DataFrame, costs: pl.DataFrame, *, choices: RetirementChoices
) -> pl.DataFrame:
    """Return the ground of cost for each meter in `seen`: keeping it against a new meter.

    Parameters
    ----------
    seen : pl.DataFrame
        ``meter_id``.
    costs : pl.DataFrame
        Of `price_choices`.
    choices : RetirementChoices

    Returns
    -------
    pl.DataFrame
        Columns of `GROUNDS`.  Kept is the cheapest way of keeping it.
    """
    known = costs.drop_nulls("expected_cost").select(
        "meter_id", "choice", "expected_cost", "low_cost", "high_cost"
    )
    kept = (
        known.filter(pl.col("choice") != RETIRE)
        .sort("meter_id", "expected_cost", maintain_order=True)
        .group_by("meter_id", maintain_order=True)
        .first()
    )
    bought = known.filter(pl.col("choice") == RETIRE)
    numbers = kept.join(bought, on="meter_id", suffix="_new")

    def dearer(row: dict[str, object]) -> Finding:
        numbers = [row[name] for name in ("expected_cost", "expected_cost_new")]
        if not all(isinstance(number, float) and number > 0 for number in numbers):
            return None, choices.cost_ratio, _missing(choices)
        kept_cost, new_cost = (float(str(number)) for number in numbers)
        value = kept_cost / new_cost
        years, way = plain(choices.horizon_years), _WAYS[str(row["choice"])]
        return (
            value,
            choices.cost_ratio,
            (
                f"Over {years} years keeping it in the cheapest way, {way}, costs "
                f"{money(kept_cost)} ({_range(row, '')}), with a new meter {money(new_cost)} "
                f"({_range(row, '_new')}): {two_places(value)} times."
            ),
        )

    return judged_rows(seen, numbers, {"cost": dearer})


def _rows(
    evidence: RetirementEvidence, rates: pl.DataFrame, intervals: IntervalChoices
) -> pl.DataFrame:
    """Return one row per meter: its worst point's process, its interval and the one asked for."""
    present = pl.col("present")
    practicable = pl.max_horizontal(
        pl.col("days").floor().fill_null(float(intervals.longest_days)),
        pl.lit(float(intervals.shortest_days)),
    )
    seldom = (pl.col("high") < intervals.target).fill_null(value=False)
    return (
        evidence.needed.join(evidence.processes.drop("meter_id"), on="series")
        .join(evidence.present.select("meter_id", present="interval_days"), on="meter_id")
        .join(rates.select("meter_id", "high"), on="meter_id", how="left")
        .with_columns(present.cast(pl.Float64))
        .with_columns(asked=pl.min_horizontal(practicable, present))
        .with_columns(closer=(pl.col("asked") < present) | seldom)
        .drop_nulls(["level", "drift", "noise_sd", "reset_sd"])
        .sort("meter_id")
    )


def _usual_drift(evidence: RetirementEvidence) -> float:
    """Return the root mean square of the fleet's drift rates, % air per year."""
    squares = evidence.processes.select(
        (pl.col("drift") ** 2 + pl.col("drift_sd") ** 2).mean()
    ).item()
    return math.sqrt(float(squares))


def _course(rows: pl.DataFrame) -> Course:
    """Return how the meters move."""
    return Course(
        level=rows["level"].to_numpy(),
        level_sd=rows["level_sd"].to_numpy(),
        drift=rows["drift"].to_numpy(),
        drift_sd=rows["drift_sd"].to_numpy(),
        wander=rows["wander"].to_numpy(),
        noise_sd=rows["noise_sd"].to_numpy(),
        reset_sd=rows["reset_sd"].to_numpy(),
        shock_rate=rows["shock_rate"].to_numpy(),
        shock_size=rows["shock_size"].to_numpy(),
    )


def _priced(choice: str, choices: RetirementChoices) -> bool:
    """Whether the prices that a choice needs are given."""
    first = {SERVICE: choices.service_price, RETIRE: choices.replacement_price}
    return choices.check_price > 0 and first.get(choice, 1.0) > 0


def _missing(choices: RetirementChoices) -> str:
    """Say why there is no cost."""
    absent = [
        name
        for name, price in (
            ("of a check", choices.check_price),
            ("of a new meter", choices.replacement_price),
        )
        if price <= 0
    ]
    if not absent:
        return "It could not be forecast, so its upkeep cannot be priced."
    return f"The price {' and '.join(absent)} is not given."


def _framed(
    meters: pl.Series, choice: str, interval: pl.Series, made: PlayedOut, priced: object
) -> pl.DataFrame:
    """Return the rows of one choice."""
    shown = pl.lit(bool(priced))

    def money(values: pl.Series) -> pl.Expr:
        return pl.when(shown).then(values)

    return (
        meters.to_frame("meter_id")
        .with_columns(
            choice=pl.lit(choice),
            interval_days=interval,
            expected_cost=money(pl.Series(made.expected)),
            low_cost=money(pl.Series(made.low)),
            high_cost=money(pl.Series(made.high)),
            found_out=pl.Series(made.found_out),
            share_out=pl.Series(made.share_out),
        )
        .select(CHOICE_COSTS.keys())
        .cast(CHOICE_COSTS)  # type: ignore[arg-type]  # names to types
    )


def money(value: float) -> str:
    """Return a cost in whole units of the laboratory's currency."""
    return whole(round(value))


def _range(row: dict[str, object], suffix: str) -> str:
    """Return the range of a cost."""
    low, high = (float(str(row[f"{name}_cost{suffix}"])) for name in ("low", "high"))
    return f"{money(low)} to {money(high)}"
