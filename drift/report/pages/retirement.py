"""This module gathers what the retirement memo says."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from drift import format as text
from drift.report.figures.retirement import MOST_MEMOS, ground_rows
from drift.report.figures.rows import figure_rows
from drift.report.pages import rows
from drift.report.pages.parts import Choice, FileRow, Stamp
from drift.review.obligations import PRESSING
from drift.review.policy import Policy
from drift.review.results import Review
from drift.review.retirement import CHOICE_WORDS, Weighed
from drift.upkeep.retirement.frames import CHOICE_COSTS

# Units of grounds of which there is one.
_ONE = {"faults": "fault", "visits": "visit", "moves in a row": "move", "years": "year"}
_VERDICTS = {"met": "met", "not_met": "not met", "cannot_say": text.CANNOT_SAY}


@dataclass(frozen=True, slots=True)
class GroundRow:
    """One ground: what was found against the laboratory's threshold, and whether it is met."""

    title: str
    value: str
    threshold: str
    verdict: str
    carried: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class CostRow:
    """One choice over the horizon; costs are None where prices are missing."""

    choice: str
    how: str
    expected: float | None
    low: float | None
    high: float | None
    found_out: float
    share_out: float


@dataclass(frozen=True, slots=True)
class MeterMemo:
    """The memo on one meter.

    cost_rows are those of its figure, None where its choices cannot all be priced, and
    cost_caption what to conclude from it; first is what the review asks for before anything is
    decided, empty where that is nothing.
    """

    anchor: str
    meter_id: str
    status: str
    facts: tuple[tuple[str, str], ...]
    first: str
    recommendation: str
    reason: str
    would_change: str
    grounds: tuple[GroundRow, ...]
    costs: tuple[CostRow, ...]
    costs_note: str
    cost_rows: str | None
    cost_caption: str


@dataclass(frozen=True, slots=True)
class SummaryRow:
    """One meter weighed; anchor is empty where the page has no memo of its own on it."""

    anchor: str
    meter_id: str
    recommendation: str
    keep: bool
    reason: str


@dataclass(frozen=True, slots=True)
class RetirementPage:
    """The retirement memo: all meters weighed, and each in full that is not simply kept.

    ground_rows are those of the figure of grounds, None where no meter has a memo, and drawn is
    how many of these it shows by name.
    """

    stamp: Stamp
    lead: tuple[str, ...]
    summary: tuple[SummaryRow, ...]
    memos: tuple[MeterMemo, ...]
    ground_rows: str | None
    drawn: int
    horizon_years: float
    cost_coverage: float
    policy: tuple[Choice, ...]
    files: tuple[FileRow, ...]


def retirement_page(review: Review, weighed: Weighed, *, in_full: list[str]) -> RetirementPage:
    """Return everything that the memo says.

    Parameters
    ----------
    review : Review
        What was found.
    weighed : Weighed
        Of the meters asked for.
    in_full : list of str
        Meters that get a memo of their own, in order.
    """
    choices = review.policy.retirement
    anchors = {meter_id: f"memo-{at}" for at, meter_id in enumerate(in_full, start=1)}
    advice = weighed.advice.to_dicts()
    return RetirementPage(
        stamp=rows.stamp(review),
        lead=_lead(advice, review.policy),
        summary=tuple(
            SummaryRow(
                anchor=anchors.get(row["meter_id"], ""),
                meter_id=row["meter_id"],
                recommendation=CHOICE_WORDS[row["recommendation"]],
                keep=row["recommendation"] == "keep",
                reason=row["reason"],
            )
            for row in advice
        ),
        memos=tuple(
            _memo(review, weighed, row, anchor=anchors[row["meter_id"]])
            for row in advice
            if row["meter_id"] in anchors
        ),
        ground_rows=_ground_rows(weighed.grounds, in_full) if in_full else None,
        drawn=min(len(in_full), MOST_MEMOS),
        horizon_years=choices.horizon_years,
        cost_coverage=choices.cost_coverage,
        policy=tuple(
            choice
            for choice in rows.policy_rows(review.policy)
            if choice.name.startswith(("retirement.", "intervals.", "tolerance", "comparison"))
        ),
        files=rows.file_rows(review.sources.files),
    )


def _lead(advice: list[dict[str, Any]], policy: Policy) -> tuple[str, ...]:
    """Say what was weighed, and how it came out."""
    tolerance = f"±{text.plain(policy.tolerance_pct)}{text.NO_BREAK}%{text.NO_BREAK}air"
    basis = (
        "Each ground compares what the records show with a threshold that the laboratory chose; no "
        f"standard sets one. The tolerance is {tolerance}. This memo recommends; the laboratory "
        "decides."
    )
    if len(advice) == 1:
        return f"{CHOICE_WORDS[advice[0]['recommendation']].capitalize()}", basis
    parts = [
        f"{number} to {name}"
        for key, name in CHOICE_WORDS.items()
        if (number := sum(row["recommendation"] == key for row in advice))
    ]
    return f"{text.count(len(advice), 'meter')} weighed: {text.listed(parts)}", basis


def _memo(review: Review, weighed: Weighed, advice: dict[str, Any], *, anchor: str) -> MeterMemo:
    """Return the memo on one meter."""
    meter_id = advice["meter_id"]
    mine = pl.col("meter_id") == meter_id
    carried = set(advice["carried_by"])
    costs = weighed.costs.filter(mine)
    known = review.sources.meters.filter(mine)
    status = known["status"][-1] if known.height else None
    return MeterMemo(
        anchor=anchor,
        meter_id=meter_id,
        status="" if status in {None, "active"} else str(status),
        facts=_facts(review, meter_id),
        first=_first(review, meter_id),
        recommendation=CHOICE_WORDS[advice["recommendation"]],
        reason=advice["reason"],
        would_change=advice["would_change"],
        grounds=tuple(
            GroundRow(
                title=row["title"],
                value=_said(row["value"], row["unit"]),
                threshold=_threshold(row),
                verdict=_VERDICTS[row["verdict"]],
                carried=row["ground"] in carried,
                sentence=row["sentence"],
            )
            for row in weighed.grounds.filter(mine).iter_rows(named=True)
        ),
        costs=tuple(_cost_row(row, review.policy) for row in costs.iter_rows(named=True)),
        costs_note=_costs_note(costs, review.policy),
        cost_rows=_cost_rows(costs, advice["recommendation"]),
        cost_caption=_cost_caption(costs, review.policy),
    )


def _facts(review: Review, meter_id: str) -> tuple[tuple[str, str], ...]:
    """Return what is on record of a meter: each a label and a value."""
    standing = review.meters.row(by_predicate=pl.col("meter_id") == meter_id, named=True)
    present = review.upkeep.present.filter(pl.col("meter_id") == meter_id)["interval_days"]
    told = review.sources.meters.filter(pl.col("meter_id") == meter_id)
    began = told["in_service_on"][-1] if told.height else None
    found = [
        ("Standing", standing["standing"] + (", overdue" if standing["overdue"] else "")),
        ("In service since", text.day(began)),
        ("Visits on record", text.whole(standing["visits"])),
        ("Last visit", text.day(standing["last_visit_on"])),
        ("Seen every", text.in_days(present[0]) if present.len() else "not in use"),
    ]
    return tuple(found)


def _first(review: Review, meter_id: str) -> str:
    """Say what the review asks for now, whatever is decided on keeping the meter."""
    row = review.meters.row(by_predicate=pl.col("meter_id") == meter_id, named=True)
    if not {*PRESSING} & {*row["obligations"].split()}:
        return ""
    return f"{row['reason']} {row['action']}"


def _said(value: float | None, unit: str) -> str:
    """Return a value of a ground in its unit."""
    if value is None:
        return text.CANNOT_SAY
    if unit == "p value":
        return text.p_value(value)
    if unit == "of checks at most":
        return f"{text.probability(value)} at most"
    if unit == "days":
        return text.in_days(value)
    whole = float(value).is_integer() and not unit.startswith("times")
    number = text.fixed(value, places=0 if whole else 2)
    unit = _ONE.get(unit, unit) if value == 1 else unit
    return f"{number} {unit}".replace(" %", f"{text.NO_BREAK}%")


def _number(value: float | None) -> str:
    """Return a value of a ground without its unit."""
    return "" if value is None else text.fixed(value, places=0 if value.is_integer() else 2)


def _threshold(row: dict[str, Any]) -> str:
    """Return the laboratory's threshold of a ground: from where on it is met."""
    if row["threshold"] is None:
        return text.CANNOT_SAY
    said = _said(row["threshold"], row["unit"]).removesuffix(" at most")
    if row["unit"] == "p value":
        return f"p under {text.plain(row['threshold'])}"
    return f"{said} or more" if row["met_from_above"] else f"under {said}"


def _cost_row(row: dict[str, Any], policy: Policy) -> CostRow:
    """Return what one choice comes to."""
    early = text.share(policy.retirement.adjust_early_share)
    how = f"checked every {text.in_days(row['interval_days'])}"
    if row["choice"] == "check_more_often":
        how += f", adjusted past {early} of the tolerance"
    return CostRow(
        choice=CHOICE_WORDS[row["choice"]],
        how=how,
        expected=row["expected_cost"],
        low=row["low_cost"],
        high=row["high_cost"],
        found_out=row["found_out"],
        share_out=row["share_out"],
    )


def _costs_note(costs: pl.DataFrame, policy: Policy) -> str:
    """Say which prices are missing, where any is."""
    if costs.is_empty():
        return "Its costs cannot be said: it could not be forecast."
    prices = policy.retirement
    given = {
        "check": prices.check_price,
        "service": prices.service_price,
        "replacement": prices.replacement_price,
    }
    absent = [f"{name}_price" for name, price in given.items() if price <= 0]
    if not absent:
        return ""
    verb = "is" if len(absent) == 1 else "are"
    return f"Costs that cannot be said: {text.listed(absent)} {verb} not in the policy."


def _ground_rows(grounds: pl.DataFrame, in_full: list[str]) -> str:
    """Return the rows of the figure of grounds: meters with a memo by name, all others as ticks."""
    return figure_rows("retirement_grounds", worded_grounds(grounds, in_full))


def worded_grounds(grounds: pl.DataFrame, in_full: Sequence[str]) -> dict[str, pl.DataFrame]:
    """Return the data sets of `drift.report.figures.retirement.grounds_met`.

    Parameters
    ----------
    grounds : pl.DataFrame
        Of `drift.review.retirement.Weighed`.
    in_full : sequence of str
        Meters to draw by name, the first `MOST_MEMOS` of them.
    """
    rows = grounds.to_dicts()
    said = grounds.with_columns(
        found=pl.Series([_said(row["value"], row["unit"]) for row in rows], dtype=pl.String),
        limit=pl.Series([_threshold(row) for row in rows], dtype=pl.String),
        # Beside a mark there is room for the number alone.
        number=pl.Series([_number(row["value"]) for row in rows], dtype=pl.String),
        verdict=pl.Series([_VERDICTS[row["verdict"]] for row in rows], dtype=pl.String),
    )
    return ground_rows(said, in_full[:MOST_MEMOS])


def _cost_rows(costs: pl.DataFrame, advised: str) -> str | None:
    """Return the rows of the figure of what each choice costs, None where one has no price."""
    if costs.height < 2 or costs["expected_cost"].null_count():
        return None
    return figure_rows("retirement_costs", cost_rows(costs, advised))


def cost_rows(costs: pl.DataFrame, advised: str) -> dict[str, pl.DataFrame]:
    """Return the data sets of `drift.report.figures.retirement.choice_costs` for one meter.

    Parameters
    ----------
    costs : pl.DataFrame
        Its rows of `CHOICE_COSTS`.
    advised : str
        The choice that is recommended.
    """
    drawn = costs.select(
        choice=pl.col("choice").replace(CHOICE_WORDS),
        advised=pl.col("choice") == advised,
        expected="expected_cost",
        low="low_cost",
        high="high_cost",
        failed=pl.Series([text.in_tenths(value) for value in costs["found_out"]]),
        out=pl.Series([text.probability(value) for value in costs["share_out"]]),
    )
    return {"costs": drawn}


def _cost_caption(costs: pl.DataFrame, policy: Policy) -> str:
    """Say which choice is expected to cost least, and what the figure shows of it."""
    drawn = costs.select(CHOICE_COSTS.keys())
    if drawn.height < 2 or drawn["expected_cost"].null_count():
        return ""
    cheapest = drawn.sort("expected_cost").row(0, named=True)
    cost = text.whole(round(cheapest["expected_cost"]))
    years = text.plain(policy.retirement.horizon_years)
    least = CHOICE_WORDS[cheapest["choice"]]
    conclude = f"Over {years} years “{least}” is expected to cost least: {cost}."
    near = drawn.filter(
        (pl.col("expected_cost") <= cheapest["high_cost"])
        & (pl.col("choice") != cheapest["choice"])
    )
    if near.height:
        names = [f"“{CHOICE_WORDS[name]}”" for name in near["choice"]]
        verb = "lies" if near.height == 1 else "lie"
        conclude += f" Within its range {verb} {text.listed(names)}: luck may reverse them."
    return (
        f"{conclude} Dot: mean cost in the laboratory's currency under the policy's prices; line: "
        f"the range that holds {text.share(policy.retirement.cost_coverage)} of the outcomes."
    )
