"""This module says how sure a meter's biases are and what they conform to.

Verdicts of conformity "pass" and "fail" by a decision rule; that a chart is stable or signals is
the control verdict, which is worded and shown apart.
"""

import re
from dataclasses import dataclass
from datetime import date

import polars as pl

from drift import format as text
from drift.conformity.bias_budget import COMBINED, STEP
from drift.conformity.decision_rules import (
    CONDITIONAL_FAIL,
    CONDITIONAL_PASS,
    FAIL,
    PASS,
    DecisionRule,
)
from drift.frames import Row, of_meter
from drift.reference.repeatability import ASSUMED, DIFFERENCES
from drift.report.pages.parts import dated
from drift.review.policy import Policy
from drift.review.results import Review

VERDICTS = {
    PASS: "passes",
    CONDITIONAL_PASS: "passes conditionally",
    CONDITIONAL_FAIL: "fails conditionally",
    FAIL: "fails",
}
RULE_WORDS = {
    "simple_acceptance": "simple acceptance",
    "guarded_by_u": "guarded by U",
    "guarded_by_083_u": "guarded by 0.83 U",
    "four_way": "four-way",
}
STAGES = {"as_found": "as found", "as_left": "as left"}
_METHODS = {
    "absolute": "by the absolute method of ASTM E29, as it stands",
    "rounding": "by the rounding method of ASTM E29, first rounded to the tolerance's last place",
}
_NOT_CONTROL = (
    "To conform is not to be in control. This part says whether a bias conforms; the charts and "
    "their signals say whether the meter behaves as it always did."
)
# What the basis of a part of a budget says where nothing was measured.
ASSUMED_WORDS = "assumed|the usual share"
# Exceptions named in a sentence.
_MOST_NAMED = 6


def rule_sentences(policy: Policy, rule: DecisionRule) -> tuple[str, ...]:
    """Say what the decision rule in force is, and how values are compared."""
    limit = f"±{text.plain(policy.tolerance_pct)}{text.NO_BREAK}%{text.NO_BREAK}air"
    compared = f"A bias is compared with {limit} {_METHODS[policy.comparison]}."
    if rule.guard_factor and not rule.four_way:
        compared = (
            f"The tolerance is {limit}; what the guard band leaves of it is no round number, and a "
            "bias is compared with it as it stands (the absolute method of ASTM E29)."
        )
    return (
        f"Decision rule in force: {RULE_WORDS[rule.name]}. {rule.meaning} {compared}",
        _NOT_CONTROL,
    )


@dataclass(frozen=True, slots=True)
class VerdictRow:
    """One bias of the last visit, % air, with its limit in force and what is said of it."""

    point_pct: float
    stage: str
    bias: float
    expanded_u: float | None
    limit: float | None
    verdict: str
    p_conform: float | None


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One input quantity of a budget; value is a standard uncertainty or a half-width, % air."""

    component: str
    value: float
    distribution: str
    sensitivity: float
    freedom: float | None
    contribution: float
    share: float
    basis: str


@dataclass(frozen=True, slots=True)
class BudgetPart:
    """The budget of one bias, and the bias with its expanded uncertainty.

    Attributes
    ----------
    rows : tuple of BudgetRow
    combined, factor, expanded : float or None
        Combined standard uncertainty, coverage factor and expanded uncertainty, % air.
    freedom : float or None
        Effective degrees of freedom, None where infinite.
    """

    point_pct: float
    stage: str
    rows: tuple[BudgetRow, ...]
    combined: float | None
    freedom: float | None
    factor: float | None
    expanded: float | None


@dataclass(frozen=True, slots=True)
class Judged:
    """A verdict in words with its conformance probability."""

    verdict: str
    p_conform: float | None


@dataclass(frozen=True, slots=True)
class JudgedVisit:
    """The verdicts of one visit: for each point as found and as left, None where not read."""

    performed_on: date
    points: tuple[tuple[Judged | None, Judged | None], ...]


@dataclass(frozen=True, slots=True)
class ConformityPart:
    """What the dossier of one meter says of uncertainty and conformity.

    Attributes
    ----------
    rule : tuple of str
        Sentences on the rule in force.
    last_on : date
        The last visit.
    steps, successive : str
        Sentences on the steps since the visit before, and on two successive readings as left.
    """

    rule: tuple[str, ...]
    last_on: date
    last: tuple[VerdictRow, ...]
    budgets: tuple[BudgetPart, ...]
    steps: str
    successive: str
    points_pct: tuple[float, ...]
    visits: tuple[JudgedVisit, ...]

    @property
    def not_passed(self) -> tuple[JudgedVisit, ...]:
        """Return the visits at which any bias did not plainly pass."""
        return tuple(
            visit
            for visit in self.visits
            if any(
                said and said.verdict != VERDICTS[PASS] for pair in visit.points for said in pair
            )
        )


def conformity_part(review: Review, meter_id: str) -> ConformityPart:
    """Return what the dossier of one meter says of uncertainty and conformity."""
    verdicts = of_meter(review.conformity.verdicts, meter_id).to_dicts()
    budgets = of_meter(review.conformity.budgets, meter_id).to_dicts()
    last = [row for row in verdicts if row["visit_id"] == verdicts[-1]["visit_id"]]
    points = tuple(sorted({row["point_pct"] for row in verdicts}))
    return ConformityPart(
        rule=rule_sentences(review.policy, review.rule),
        last_on=last[0]["performed_on"],
        last=tuple(_verdict_row(row) for row in last),
        budgets=_budget_parts(budgets),
        steps=_steps(review, budgets, last[0]),
        successive=_successive([row for row in verdicts if row["stage"] == "as_left"]),
        points_pct=points,
        visits=_visits(verdicts, points),
    )


def conformity_verdict(review: Review, meter_id: str) -> str:
    """Say in one sentence what the last visit's biases conform to."""
    verdicts = of_meter(review.conformity.verdicts, meter_id)
    last = gone_with(verdicts).to_dicts()
    failed = [row for row in last if row["verdict"] in {CONDITIONAL_FAIL, FAIL}]
    rule = f"the rule in force ({RULE_WORDS[review.policy.decision_rule]})"
    least = min(last, key=lambda row: -1.0 if row["p_conform"] is None else row["p_conform"])
    sure = (
        f"at {text.point(least['point_pct'])} there is {text.chance(least['p_conform'])} "
        f"that it is really in tolerance{_assumed(review, meter_id)}"
        if least["p_conform"] is not None
        else "how likely it is really in tolerance cannot be said"
    )
    on = text.day(least["performed_on"])
    if not failed:
        near = [row["point_pct"] for row in last if row["verdict"] == CONDITIONAL_PASS]
        how = f", at {text.listed([text.point(pct) for pct in near])} conditionally" if near else ""
        said = f"Conformity: as left on {on} it passes by {rule}{how}; {sure}."
    else:
        at = text.listed([text.point(row["point_pct"]) for row in failed])
        said = f"Conformity: as left on {on} it fails at {at} by {rule}; {sure}."
    return said + rests_on(of_meter(review.conformity.repeatability, meter_id))


def rests_on(repeatability: pl.DataFrame) -> str:
    """Say what a verdict rests on where no replicates tell how readings scatter, else nothing."""
    for basis, size in repeatability.select("basis", "repeatability_pct").iter_rows():
        scatter = f"{text.spread(size)}{text.NO_BREAK}%{text.NO_BREAK}air"
        if basis == ASSUMED:
            return f" Repeatability is assumed to be {scatter}: no replicates are on record."
        if basis == DIFFERENCES:
            return (
                f" Repeatability is assumed to be {scatter}, the most that fits the differences "
                "from visit to visit: no replicates are on record."
            )
    return ""


def _assumed(review: Review, meter_id: str) -> str:
    """Say which parts of the uncertainty behind a chance are assumed; empty where none is."""
    mine = of_meter(review.conformity.budgets, meter_id)
    found = (
        component
        for stage, basis, component in mine.select("stage", "basis", "component").iter_rows()
        if stage != STEP and re.search(ASSUMED_WORDS, basis or "")
    )
    parts = list(dict.fromkeys(found))
    verb = "is" if len(parts) == 1 else "are"
    return f" ({text.listed(parts)} {verb} assumed)" if parts else ""


def gone_with(verdicts: pl.DataFrame) -> pl.DataFrame:
    """Return each meter's last bias at each point of its last visit: as left where it was read."""
    last = pl.col("visit_id") == pl.col("visit_id").last().over("meter_id")
    return verdicts.filter(last).unique(["meter_id", "point_pct"], keep="last", maintain_order=True)


def _verdict_row(row: Row) -> VerdictRow:
    """Return one bias of the last visit."""
    return VerdictRow(
        point_pct=row["point_pct"],
        stage=STAGES[row["stage"]],
        bias=row["bias_pct"],
        expanded_u=row["expanded_u_pct"],
        limit=row["limit_pct"],
        verdict=VERDICTS.get(row["verdict"], text.CANNOT_SAY),
        p_conform=row["p_conform"],
    )


def _budget_parts(budgets: list[Row]) -> tuple[BudgetPart, ...]:
    """Return the budget of the last bias at each point, as left where it was read."""
    by_point: dict[float, list[Row]] = {}
    for row in budgets:
        if row["stage"] != STEP:
            by_point.setdefault(row["point_pct"], []).append(row)
    latest = {point: max(row["stage"] for row in rows) for point, rows in by_point.items()}
    return tuple(
        _budget_part([row for row in rows if row["stage"] == latest[point]])
        for point, rows in by_point.items()
    )


def _budget_part(rows: list[Row]) -> BudgetPart:
    """Return one budget from its rows."""
    whole = next(row for row in rows if row["component"] == COMBINED)
    return BudgetPart(
        point_pct=whole["point_pct"],
        stage=STAGES[whole["stage"]],
        rows=tuple(
            BudgetRow(
                component=row["component"],
                value=row["value"],
                distribution=row["distribution"],
                sensitivity=row["sensitivity"],
                freedom=row["degrees_of_freedom"],
                contribution=row["contribution_pct"],
                share=row["share"],
                basis=dated(row["basis"] or ""),
            )
            for row in rows
            if row["component"] != COMBINED
        ),
        combined=whole["standard_u_pct"],
        freedom=whole["degrees_of_freedom"],
        factor=whole["coverage_factor"],
        expanded=whole["expanded_u_pct"],
    )


def _steps(review: Review, budgets: list[Row], last: Row) -> str:
    """Say by how much the meter moved since the visit before, each step with its uncertainty."""
    here = review.ledger.filter(
        pl.col("meter_id") == last["meter_id"], pl.col("visit_id") == last["visit_id"]
    )
    steps = dict(zip(here["point_pct"], here["drift_step_pct"], strict=True))
    known = [
        (row["point_pct"], steps[row["point_pct"]], row["expanded_u_pct"])
        for row in budgets
        if row["stage"] == STEP
        and row["component"] == COMBINED
        and steps.get(row["point_pct"]) is not None
    ]
    if not known:
        return ""
    told = [
        f"{text.bias(step)} ± {text.spread(expanded)} at {text.point(point)}"
        for point, step, expanded in sorted(known)
    ]
    return (
        f"Since the visit before it moved by {text.listed(told)} (as found less what that visit "
        "left, % air, with expanded uncertainty); a vessel or an operator that served both visits "
        "cancels."
    )


def _successive(left: list[Row]) -> str:
    """Say whether the last two readings as left agreed, as the trade asks."""
    if not left:
        return "Two successive readings as left: nothing was read as left."
    asked = [row for row in left if row["two_successive"] is not None]
    failed = [row for row in asked if not row["two_successive"]]
    failed.sort(key=lambda row: row["performed_on"].toordinal(), reverse=True)
    unknown = len(left) - len(asked)
    gap = (
        f" {text.count(unknown, 'sitting')} with one reading cannot be checked." if unknown else ""
    )
    if not asked:
        return f"Two successive readings as left: none to compare.{gap}"
    start = (
        f"Two successive readings as left: at {len(asked) - len(failed)} of "
        f"{text.count(len(asked), 'sitting')} the last two are within tolerance and agree"
    )
    if not failed:
        return f"{start}.{gap}"
    named = [
        f"{text.day(row['performed_on'])} at {text.point(row['point_pct'])}"
        for row in failed[:_MOST_NAMED]
    ]
    more = len(failed) - len(named)
    return f"{start}; not on {text.listed([*named, *([f'{more} more'] if more else [])])}.{gap}"


def _visits(verdicts: list[Row], points: tuple[float, ...]) -> tuple[JudgedVisit, ...]:
    """Return the verdicts of every visit, newest first."""
    said: dict[tuple[date, str], dict[tuple[float, str], Judged]] = {}
    for row in verdicts:
        judged = Judged(VERDICTS.get(row["verdict"], text.CANNOT_SAY), row["p_conform"])
        here = said.setdefault((row["performed_on"], row["visit_id"]), {})
        here[row["point_pct"], row["stage"]] = judged
    return tuple(_visit(on, at, points) for (on, _), at in reversed(said.items()))


def _visit(
    on: date, said: dict[tuple[float, str], Judged], points: tuple[float, ...]
) -> JudgedVisit:
    """Return the verdicts of one visit."""
    return JudgedVisit(
        performed_on=on,
        points=tuple((said.get((pct, "as_found")), said.get((pct, "as_left"))) for pct in points),
    )
