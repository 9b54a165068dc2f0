"""This module gives each room what it needs of a review's sources."""

from datetime import date

import polars as pl

from drift.errors import SourceError
from drift.limits.checks.weigh import CheckCharts, weigh_checks
from drift.meter.calibrations import CalibrationRule
from drift.meter.ledger import build_ledger
from drift.reference.reference_laws import ReferenceLaws
from drift.reference.weigh import Reference, weigh_reference
from drift.review.noted_rows import why_held
from drift.review.policy import Policy, check_meter_choices
from drift.review.schedule import build_schedule
from drift.store.tables import Sources


def ledger_of(sources: Sources, *, source_name: str, as_of: date, policy: Policy) -> pl.DataFrame:
    """Build the ledger of a review's sources.

    Raises
    ------
    SourceError
        If there is no reading to speak of.
    """
    if sources.sessions.is_empty():
        raise SourceError(
            what=f"holds no usable reading on or before {as_of}",
            where=source_name,
            expected="at least one row of readings that is not held back",
            hint=why_held(sources.held_back),
        )
    return build_ledger(
        sources.sessions,
        marks=sources.marks,
        service=sources.service,
        meters=sources.meters,
        resolution_pct=policy.resolution_pct,
        tolerance_pct=policy.tolerance_pct,
        vessels=sources.vessels,
        rule=CalibrationRule(
            required_points_pct=policy.required_points_pct,
            tolerance_pct=policy.tolerance_pct,
            comparison=policy.comparison,
        ),
    )


def schedule_of(
    ledger: pl.DataFrame, sources: Sources, *, as_of: date, policy: Policy
) -> pl.DataFrame:
    """Return when each meter is due, see `drift.review.schedule`."""
    return build_schedule(ledger, sources.meters, as_of=as_of, interval_days=policy.interval_days)


def checks_of(sources: Sources, ledger: pl.DataFrame, policy: Policy) -> CheckCharts:
    """Weigh the checks between calibrations of the meters of a ledger."""
    return weigh_checks(
        sources.checks,
        ledger=ledger,
        marks=sources.marks,
        service=sources.service,
        policy=policy,
        tolerance_pct=policy.tolerance_pct,
        comparison=policy.comparison,
    )


def reference_of(
    sources: Sources, ledger: pl.DataFrame, policy: Policy, *, laws: ReferenceLaws | None = None
) -> Reference:
    """Weigh the reference of a review: biases from half the tolerance on are looked into."""
    return weigh_reference(
        ledger,
        sessions=sources.sessions,
        vessels=sources.vessels,
        marks=sources.marks,
        service=sources.service,
        meters=sources.meters,
        bowls=sources.bowls,
        equipment=sources.equipment,
        checks=sources.checks,
        bowl_spread_pct=policy.bowl_spread_pct,
        vessel_uncertainty=policy.vessel_uncertainty,
        choices=check_meter_choices(policy),
        worth_pct=policy.tolerance_pct / 2,
        laws=laws,
    )
