"""This module recommends what to do with each meter: keep, check more often, service or retire.

The grounds that are met decide first, by one rule tried from the top:

================  =========================================================================
retire            as many grounds that call for service as the laboratory set are met although
                  one was tried
service           a ground that calls for service is met
check_more_often  it needs a shorter interval than it has, or is shown to pass too seldom; or
                  it is adjusted often, more and more often or the same way again, and no
                  interval can be forecast
keep              none of these
================  =========================================================================

That choice stands unless its expected cost lies beyond the range of the cheapest choice that is at
least as thorough: then that one is recommended.  A failing meter is never kept for being cheap.
Age only supports.  The recommendation is advice to people, who decide.
"""

from dataclasses import dataclass
from datetime import timedelta

import polars as pl

from drift.format import count, fixed, listed
from drift.frames import Row
from drift.upkeep.choices import IntervalChoices, RetirementChoices
from drift.upkeep.retirement.cheapest import Costs, cheapest_of, cost_words, costs_of, judge_cheaper
from drift.upkeep.retirement.costs import (
    CHOICES,
    KEEP,
    MORE_OFTEN,
    RETIRE,
    SERVICE,
    judge_costs,
    price_choices,
)
from drift.upkeep.retirement.frames import RETIREMENTS
from drift.upkeep.retirement.ground_table import (
    BY_NAME,
    GROUND_TABLE,
    MET,
    NOT_KNOWN,
    NOT_MET,
    RetirementEvidence,
    last_cures,
)
from drift.upkeep.retirement.grounds import measure_grounds, pass_rates, present_life

# A ground that has come this far towards its threshold is named as one that may change the answer.
_NEAR = 0.5
_NEAREST = 2


@dataclass(frozen=True, slots=True)
class Retirement:
    """What is to be said of every meter.

    Attributes
    ----------
    grounds, costs, advice : pl.DataFrame
        Frames of `GROUNDS`, `CHOICE_COSTS` and `RETIREMENTS`.
    """

    grounds: pl.DataFrame
    costs: pl.DataFrame
    advice: pl.DataFrame


@dataclass(frozen=True, slots=True)
class _Case:
    """One meter's grounds by name, whether a service was tried lately, and its priced choices."""

    rows: dict[str, Row]
    serviced: bool
    costs: Costs


def weigh_retirement(
    evidence: RetirementEvidence,
    *,
    tolerance: float,
    comparison: str,
    choices: RetirementChoices,
    intervals: IntervalChoices,
) -> Retirement:
    """Weigh for every meter of the ledger whether to keep it.

    Parameters
    ----------
    evidence : RetirementEvidence
        Narrow ``evidence.ledger`` to the meters asked for; processes speak for the whole fleet.
    tolerance, comparison
        As in `drift.meter.tolerance.within_tolerance`.
    choices : RetirementChoices
    intervals : IntervalChoices

    Returns
    -------
    Retirement
    """
    measured = measure_grounds(
        evidence,
        tolerance=tolerance,
        comparison=comparison,
        choices=choices,
        intervals=intervals,
    )
    seen = measured.select("meter_id").unique().sort("meter_id")
    rates = pass_rates(
        present_life(evidence.ledger),
        tolerance=tolerance,
        comparison=comparison,
        intervals=intervals,
    )
    costs = price_choices(
        evidence, rates, tolerance=tolerance, choices=choices, intervals=intervals
    ).join(seen, on="meter_id", how="semi", maintain_order="left")
    place = {ground.name: at for at, ground in enumerate(GROUND_TABLE)}
    priced = costs_of(costs)
    of_cost = [
        judge_cheaper(seen, priced, choices=choices),
        judge_costs(seen, costs, choices=choices),
    ]
    grounds = pl.concat([measured, *of_cost]).sort(
        "meter_id", pl.col("ground").replace_strict(place)
    )
    cases = _cases(grounds, evidence, choices, priced)
    advice = [{"meter_id": name} | _advise(case, choices) for name, case in cases.items()]
    return Retirement(grounds, costs, pl.DataFrame(advice, schema=RETIREMENTS))


def _cases(
    grounds: pl.DataFrame,
    evidence: RetirementEvidence,
    choices: RetirementChoices,
    priced: dict[str, dict[str, Row]],
) -> dict[str, _Case]:
    """Gather what is known of each meter."""
    since = evidence.as_of - timedelta(days=round(choices.service_tried_years * 365.25))
    serviced = set(last_cures(evidence).filter(pl.col("cured_on") >= since)["meter_id"])
    rows: dict[str, dict[str, Row]] = {}
    for row in grounds.iter_rows(named=True):
        rows.setdefault(row["meter_id"], {})[row["ground"]] = row
    return {name: _Case(of, name in serviced, priced.get(name, {})) for name, of in rows.items()}


def _advise(case: _Case, choices: RetirementChoices) -> Row:
    """Return the recommendation for one meter, its reason and what would change it."""
    grounded, carried = _by_grounds(case, choices)
    open_to = CHOICES[CHOICES.index(grounded) :]
    best = cheapest_of(case.costs, open_to, cost_ratio=choices.cost_ratio)
    answer = grounded
    # Where the choice that grounds ask for has no price, costs cannot speak against it.
    if best and grounded in case.costs and grounded not in {best.choice, *best.near}:
        answer = best.choice
        of_cost = ("cheaper_choice", "cost") if answer == RETIRE else ("cheaper_choice",)
        carried += tuple(name for name in of_cost if case.rows[name]["verdict"] == MET)
    told = cost_words(case.costs, answer, best, choices=choices)
    if answer == SERVICE != grounded:
        told += " That a service makes it drift like the fleet's meters is assumed, not shown."
    reason = told if answer != grounded else f"{_reason(case, answer, carried)} {told}"
    return {
        "recommendation": answer,
        "carried_by": list(carried),
        "reason": reason.strip(),
        "would_change": _would_change(case, answer, carried, choices),
    }


def _by_grounds(case: _Case, choices: RetirementChoices) -> tuple[str, tuple[str, ...]]:
    """Return what the grounds other than cost ask for, and which of them do."""
    curable, watched = _met(case, SERVICE), _met(case, MORE_OFTEN)
    unforecast = case.rows["interval_in_force"]["verdict"] == NOT_KNOWN
    sooner = unforecast or bool({"interval_in_force", "pass_rate"} & set(watched))
    if case.serviced and len(curable) >= choices.grounds_to_retire:
        return RETIRE, curable
    if curable:
        return SERVICE, curable
    if watched and sooner:
        return MORE_OFTEN, watched
    return KEEP, ()


def _met(case: _Case, call: str) -> tuple[str, ...]:
    """Return the names of the met grounds that call for `call`."""
    return tuple(
        ground.name
        for ground in GROUND_TABLE
        if ground.calls_for == call and case.rows[ground.name]["verdict"] == MET
    )


def _reason(case: _Case, answer: str, carried: tuple[str, ...]) -> str:
    """Say what the recommendation rests on."""
    if answer == KEEP:
        watched = [BY_NAME[name].title for name in _met(case, MORE_OFTEN)]
        if watched:
            return (
                f"{listed(watched).capitalize()}, but checked as often as it needs. "
                f"{case.rows['interval_in_force']['sentence']}"
            )
        measured = count(len(_with(case, NOT_MET)), "ground")
        return f"{measured} could be measured, and none is met."
    parts = [str(case.rows[name]["sentence"]) for name in carried]
    if answer == MORE_OFTEN and "interval_in_force" not in carried:
        parts.append("Adjust it as soon as it is well off centre, not only when it is out.")
    if answer == RETIRE:
        parts.append("A service was tried and has not cured it.")
    if answer in {SERVICE, RETIRE} and case.rows["age"]["verdict"] == MET:
        parts.append(str(case.rows["age"]["sentence"]))
    return " ".join(parts)


def _would_change(
    case: _Case, answer: str, carried: tuple[str, ...], choices: RetirementChoices
) -> str:
    """Say what would change the recommendation."""
    parts = []
    if carried:
        against = [_against(case.rows[name]) for name in carried]
        parts.append(f"It rests on {listed(against)}. Without that it would change.")
    if answer == SERVICE:
        parts.append(
            f"If {count(choices.grounds_to_retire, 'such ground')} were met after a service, "
            "the recommendation would be to retire it."
        )
    if answer in {KEEP, MORE_OFTEN}:
        near = sorted(_with(case, NOT_MET), key=lambda row: -_closeness(row))
        close = [_against(row) for row in near if _closeness(row) >= _NEAR][:_NEAREST]
        parts.append(
            f"Nearest to changing it: {listed(close)}."
            if close
            else "No ground that can be measured is near its threshold."
        )
    unknown = [f"“{BY_NAME[row['ground']].title}”" for row in _with(case, NOT_KNOWN)]
    if unknown:
        parts.append(f"Not known, and might change it: {listed(unknown)}.")
    return " ".join(parts)


def _with(case: _Case, verdict: str) -> list[Row]:
    """Return the grounds with a verdict that call for something."""
    return [
        row
        for name, row in case.rows.items()
        if row["verdict"] == verdict and BY_NAME[name].calls_for
    ]


def _closeness(row: Row) -> float:
    """Return how far a ground that is not met has come: 1 at its threshold."""
    value, threshold = float(row["value"]), float(row["threshold"])
    if row["ground"] == "pass_rate":
        ratio = (1 - value) / (1 - threshold)
    elif BY_NAME[row["ground"]].met_from_above:
        ratio = value / threshold
    else:
        ratio = threshold / value
    return min(ratio, 1.0)


def _against(row: Row) -> str:
    """Say a ground's value against its threshold."""
    ground = BY_NAME[row["ground"]]
    numbers = [float(row[key]) for key in ("value", "threshold")]
    whole = all(number.is_integer() for number in numbers)
    places = 0 if whole or numbers[1] >= 5 else 2
    value, threshold = (fixed(number, places=places) for number in numbers)
    return f"“{ground.title}” ({value} against {threshold} {ground.unit})"
