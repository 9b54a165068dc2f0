"""This module says how sure each bias is and whether it conforms.

It strings together the pure parts: repeatability, uncertainty, the decision rule in force, the
fleet's risks.  Whether a meter is stable is another question, answered by the charts.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import polars as pl

from drift.conformity.bias_budget import COUNTED, budget_rows, step_rows, with_uncertainty
from drift.conformity.choices import ConformityChoices
from drift.conformity.decision_rules import (
    acceptance_limit,
    conformance_probability,
    decision_rule,
    verdict,
)
from drift.conformity.global_risk import fleet_risks
from drift.conformity.tolerance import successive_readings
from drift.frames import Schema
from drift.reference.bowls import BowlSpread
from drift.reference.normalised_error import LARGER
from drift.reference.pairs import MEASURED, STATED_FOR_IT
from drift.reference.repeatability import (
    ASSUMED,
    DIFFERENCES,
    OWN,
    PooledScatter,
    pool_repeatability,
)
from drift.reference.studies.weigh import WeighedStudy
from drift.reference.vessel import USUAL_RELATIVE_U
from drift.reference.weigh import Reference

# One row per meter, visit, stage and point.  u_pct is the standard uncertainty of the bias,
# expanded_u_pct the expanded one (k = 2 where nothing is estimated from few data); limit_pct the
# largest bias that passes by the rule in force, 0 or less where its guard band leaves none;
# p_conform the probability that the true bias is within the tolerance.  two_successive says whether
# the last two readings as left passed and agreed; null as found, and where fewer were recorded.
CONFORMITY: Schema = {
    "meter_id": pl.String,
    "visit_id": pl.String,
    "performed_on": pl.Date,
    "point_pct": pl.Float64,
    "stage": pl.String,
    "bias_pct": pl.Float64,
    "u_pct": pl.Float64,
    "expanded_u_pct": pl.Float64,
    "limit_pct": pl.Float64,
    "verdict": pl.String,
    "p_conform": pl.Float64,
    "two_successive": pl.Boolean,
}

_SITTING = ["meter_id", "visit_id", "stage", "point_pct"]
_INPUTS = (
    "reference_u_pct",
    "bowl_u_pct",
    "air_left_pct",
    "resolution_pct",
    "repeatability_pct",
    "replicates",
    "operator_u_pct",
)
_BASES = {
    ASSUMED: "no replicates on record: assumed",
    DIFFERENCES: "no replicates on record: at most this, by how much successive visits differ",
    "study": "replicates of the study that the policy names",
    OWN: "its own replicates, which scatter more than the fleet's",
}
# Basis of the repeatability of a meter that the policy's study gives.
OF_STUDY = "study"
_METERS_AT_ONCE = 1000
_OF_FLEET = "replicates of similar meters of the fleet"


@dataclass(frozen=True, slots=True)
class Conformity:
    """How sure every bias is and what it conforms to.

    Attributes
    ----------
    verdicts : pl.DataFrame
        Frame of `CONFORMITY`, sorted by meter, date, visit, point and stage.
    budgets : pl.DataFrame
        Frame of `drift.conformity.bias_budget.UNCERTAINTY`: the last visit of each meter.
    risks : pl.DataFrame
        Frame of `drift.conformity.global_risk.FLEET_RISKS`.
    repeatability : pl.DataFrame
        Frame of `drift.reference.repeatability.REPEATABILITY`.
    """

    verdicts: pl.DataFrame
    budgets: pl.DataFrame
    risks: pl.DataFrame
    repeatability: pl.DataFrame


def weigh_conformity(
    sessions: pl.DataFrame,
    ledger: pl.DataFrame,
    reference: Reference,
    *,
    policy: ConformityChoices,
    study: WeighedStudy | None = None,
    scatter: PooledScatter | None = None,
) -> Conformity:
    """Work out the uncertainty of every bias, judge it, and say what the judging risks.

    Parameters
    ----------
    sessions : pl.DataFrame
        Frame of `drift.store.tables.SESSIONS`.
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER` built from them.
    reference : Reference
        What the vessels stand for and how far operators differ.
    policy : ConformityChoices
        Tolerance, comparison and decision rule.
    study : WeighedStudy or None
        Whose scatter of a reading takes the place of the fleet's; a meter that scatters more than
        the fleet keeps its own.
    scatter : PooledScatter or None
        Of the fleet that these are some meters of, whose risks are then left to the fleet; None
        where they are all of it.
    """
    repeatability = _of_study(pool_repeatability(ledger, of=scatter), study)
    judged, budgets = [], []
    for some, of_ledger, compared in _by_meters(sessions, ledger, reference.compared):
        sittings = _sittings(
            some, of_ledger, compared, reference=reference, policy=policy, scatter=repeatability
        )
        judged.append(_judged(sittings, policy).select(*CONFORMITY, "reference_u_pct"))
        budgets.append(_last_budgets(sittings, of_ledger, policy, spread=reference.spread))
    verdicts = pl.concat(judged)
    checks = verdicts.filter(pl.col("stage") == "as_found")
    return Conformity(
        verdicts=verdicts.select(CONFORMITY.keys()),
        budgets=pl.concat(budgets),
        risks=fleet_risks(
            checks if scatter is None else checks.clear(),
            tolerance=policy.tolerance_pct,
            comparison=policy.comparison,
        ),
        repeatability=repeatability,
    )


def _of_study(repeatability: pl.DataFrame, study: WeighedStudy | None) -> pl.DataFrame:
    """Return the repeatability of meters with a study's in place of the fleet's."""
    if study is None or study.repeatability_pct is None:
        return repeatability
    fleets = pl.col("basis") != OWN
    taken = {
        "repeatability_pct": study.repeatability_pct,
        "degrees_of_freedom": study.repeatability_df,
        "basis": OF_STUDY,
    }
    return repeatability.with_columns(
        pl.when(fleets).then(pl.lit(value)).otherwise(name).alias(name)
        for name, value in taken.items()
    )


def judge_sittings(
    sessions: pl.DataFrame,
    ledger: pl.DataFrame,
    reference: Reference,
    *,
    policy: ConformityChoices,
    repeatability: pl.DataFrame,
) -> pl.DataFrame:
    """Return the verdicts alone, frame of `CONFORMITY`, as `weigh_conformity` does.

    Parameters
    ----------
    repeatability : pl.DataFrame
        Frame of `drift.reference.repeatability.REPEATABILITY`.
    """
    sittings = _sittings(
        sessions,
        ledger,
        reference.compared,
        reference=reference,
        policy=policy,
        scatter=repeatability,
    )
    return _judged(sittings, policy).select(CONFORMITY.keys())


def _by_meters(*frames: pl.DataFrame) -> Iterator[tuple[pl.DataFrame, ...]]:
    """Yield the rows of some meters of each frame, meters in order.

    A sitting carries forty columns while it is judged, too many to hold for all of a large fleet.
    """
    ids = frames[0]["meter_id"].unique().sort()
    if len(ids) <= _METERS_AT_ONCE:
        yield frames
        return
    for first in range(0, len(ids), _METERS_AT_ONCE):
        some = ids[first : first + _METERS_AT_ONCE]
        theirs = pl.col("meter_id").is_between(pl.lit(some[0]), pl.lit(some[-1]))
        yield tuple(frame.filter(theirs) for frame in frames)


def _sittings(
    sessions: pl.DataFrame,
    ledger: pl.DataFrame,
    compared: pl.DataFrame,
    *,
    reference: Reference,
    policy: ConformityChoices,
    scatter: pl.DataFrame,
) -> pl.DataFrame:
    """Return every sitting with the uncertainties that its bias is made of, and their sum."""
    operators = reference.operators
    dial = ledger.select("meter_id", "visit_id", "point_pct", read_to="resolution_pct")
    vessel = compared.select(
        *_SITTING,
        "calibrated_on",
        "contradicted_by",
        "bowl",
        "measured_on",
        "bowl_u_pct",
        vessel_u="u_pct",
    )
    own = scatter.rename({"degrees_of_freedom": "repeatability_freedom", "basis": "scatter"})
    usual = USUAL_RELATIVE_U * pl.col("correct_air_pct")
    rows = (
        sessions.join(dial, on=["meter_id", "visit_id", "point_pct"], how="left")
        .join(vessel, on=_SITTING, how="left")
        .join(own, on="meter_id", how="left")
        .with_columns(
            reference_u_pct=pl.coalesce("vessel_u", usual),
            bowl_u_pct=pl.coalesce("bowl_u_pct", _unknown_bowl(reference.spread, policy)),
            air_left_pct=pl.lit(policy.air_left_pct),
            resolution_pct=pl.coalesce("resolution_pct", "read_to"),
            operator_u_pct=pl.lit(operators.sd),
            operator_freedom=pl.lit(operators.freedom, dtype=pl.Float64),
            operator_basis=pl.lit(operators.basis),
        )
    )
    return with_uncertainty(rows)


def _unknown_bowl(spread: BowlSpread, policy: ConformityChoices) -> pl.Expr:
    """Return what a bowl that was not measured adds to the uncertainty of a bias, % air."""
    if policy.unknown_bowl != COUNTED:
        return pl.lit(0.0)
    known = pl.col("bowl") == STATED_FOR_IT
    return pl.when(known).then(0.0).otherwise(pl.col("correct_air_pct") * spread.standard_share)


def _judged(sittings: pl.DataFrame, policy: ConformityChoices) -> pl.DataFrame:
    """Add the verdict of the rule in force and what goes with it."""
    rule = decision_rule(policy.decision_rule)
    tolerance, comparison = policy.tolerance_pct, policy.comparison
    # The rule's own U is twice the standard uncertainty; with few degrees of freedom it is more.
    half_u = pl.col("expanded_u_pct") / 2
    p = conformance_probability(
        sittings["bias_pct"].to_numpy(),
        u=sittings["u_pct"].fill_null(float("nan")).to_numpy(),
        lower=-tolerance,
        upper=tolerance,
    )
    return sittings.with_columns(
        limit_pct=acceptance_limit(half_u, tolerance=tolerance, rule=rule),
        verdict=verdict(
            pl.col("bias_pct"), u=half_u, tolerance=tolerance, comparison=comparison, rule=rule
        ),
        p_conform=pl.Series(p, dtype=pl.Float64).fill_nan(None),
        two_successive=pl.when(pl.col("stage") == "as_left").then(
            successive_readings(pl.col("biases_pct"), tolerance=tolerance, comparison=comparison)
        ),
    ).sort("meter_id", "performed_on", "visit_id", "point_pct", "stage")


def _last_budgets(
    sittings: pl.DataFrame,
    ledger: pl.DataFrame,
    policy: ConformityChoices,
    *,
    spread: BowlSpread,
) -> pl.DataFrame:
    """Return the budgets of each meter's last visit, its steps from the visit before included."""
    visit = ["meter_id", "visit_id"]
    last = (
        sittings.select(*visit, "performed_on")
        .unique()
        .sort("performed_on", "visit_id")
        .unique("meter_id", keep="last")
    )
    told = _with_bases(sittings.join(last, on=visit, how="semi"), policy, spread)
    stepped = ledger.filter(pl.col("drift_step_pct").is_not_null())
    found = told.filter(pl.col("stage") == "as_found").join(
        stepped, on=[*visit, "point_pct"], how="semi"
    )
    steps = step_rows(_steps(sittings, found))
    return pl.concat([budget_rows(told), steps]).sort(
        "meter_id", "point_pct", "stage", maintain_order=True
    )


def _with_bases(rows: pl.DataFrame, policy: ConformityChoices, spread: BowlSpread) -> pl.DataFrame:
    """Add where each component comes from, in words."""
    vessel = pl.format(
        "vessel {}, calibrated {}", "vessel_id", pl.col("calibrated_on").dt.to_string("%Y-%m-%d")
    )
    enlarged = policy.vessel_uncertainty == LARGER
    doubt = pl.format(
        f"{{}}; its stated uncertainty is contradicted (E_n "
        f"{{}}){', enlarged' if enlarged else ''}",
        vessel,
        pl.col("contradicted_by").round(1).cast(pl.String),
    )
    vessel = pl.when(pl.col("contradicted_by").is_not_null()).then(doubt).otherwise(vessel)
    return rows.with_columns(
        reference_basis=pl.when(pl.col("vessel_u").is_not_null())
        .then(vessel)
        .when(pl.col("correct_air_pct") > 0)
        .then(pl.lit("no usable calibration of a vessel: the usual share"))
        .otherwise(pl.lit("bowl full of water: no vessel")),
        bowl_basis=_bowl_basis(policy, spread),
        repeatability_basis=pl.col("scatter").replace_strict(_BASES, default=_OF_FLEET),
    )


def _bowl_basis(policy: ConformityChoices, spread: BowlSpread) -> pl.Expr:
    """Return where the bowl's component comes from, or what it leaves open, in words."""
    measured = pl.format("its bowl, measured {}", pl.col("measured_on").dt.to_string("%Y-%m-%d"))
    open_pct = (pl.col("correct_air_pct") * spread.half_share).round(3).cast(pl.String)
    counted = "counted" if policy.unknown_bowl == COUNTED else "not counted"
    unknown = pl.format(
        f"its bowl is not measured: ±{{}} % air open ({spread.basis}), {counted}", open_pct
    )
    return (
        pl.when(pl.col("correct_air_pct") <= 0)
        .then(pl.lit("bowl full of water: its volume does not matter"))
        .when(pl.col("bowl") == MEASURED)
        .then(measured)
        .when(pl.col("bowl") == STATED_FOR_IT)
        .then(pl.lit("in the vessel's value for this bowl"))
        .otherwise(unknown)
    )


def _steps(sittings: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    """Pair what each last visit found with what the visit before it left, point by point."""
    key = ["meter_id", "point_pct"]
    before = (
        sittings.join(found.select(*key, this_on="performed_on", this_id="visit_id"), on=key)
        .filter(
            (pl.col("performed_on") < pl.col("this_on"))
            | (
                (pl.col("performed_on") == pl.col("this_on"))
                & (pl.col("visit_id") < pl.col("this_id"))
            )
        )
        # As left comes after as found in the alphabet, as it does at the bench.
        .sort("performed_on", "visit_id", "stage")
        .group_by(key)
        .agg(
            pl.col(*_INPUTS, "vessel_id", "calibrated_on", "measured_on", "operator")
            .last()
            .name.suffix("_before")
        )
    )
    one_vessel = (pl.col("vessel_id") == pl.col("vessel_id_before")) & pl.col(
        "calibrated_on"
    ).eq_missing(pl.col("calibrated_on_before"))
    return found.join(before, on=key).with_columns(
        one_reference=one_vessel.fill_null(value=False),
        # A bowl that nobody measured is as it was, too.
        one_bowl=pl.col("measured_on").eq_missing(pl.col("measured_on_before")),
        one_operator=(pl.col("operator") == pl.col("operator_before")).fill_null(value=False),
    )
