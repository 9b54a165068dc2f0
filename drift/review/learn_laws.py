"""This module learns what a fleet shares: from meters that stand for it, and from sums over all.

First what an even choice of meters tells is learnt (`begin_laws`); then each part of the fleet
gives what little the others must know of it (`part_sums`); then all is put together
(`finish_laws`).
"""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from drift.arrays import Floats
from drift.conformity.weigh import weigh_conformity
from drift.limits.baseline_change import TOO_FEW
from drift.limits.charting import draw_charts, learn_charts
from drift.reference.check_meters.placing import check_meter_names
from drift.reference.repeatability import learn_repeatability
from drift.reference.weigh import large_segments, learn_reference, most_worth
from drift.review.fleet_laws import FleetLaws, OwnLaws
from drift.review.forecasts import forecast_fleet, jumps_known, learn_forecasts
from drift.review.policy import Policy, check_meter_choices
from drift.review.sourced import ledger_of, reference_of, schedule_of
from drift.review.stand import note_names
from drift.store.tables import Sources
from drift.trend.fleet_drifts import FleetDrifts
from drift.trend.weigh import drift_p_values, learn_drifts, weigh_drift
from drift.upkeep.intervals.methods import often_found_out, times_found_out
from drift.upkeep.reliability.censored_intervals import censored_intervals
from drift.upkeep.weigh import UpkeepLaws, usual_replicates, weigh_record, weigh_upkeep

# Meters that stand for a fleet: so many make shared effects, laws of scatter and hyper-parameters
# known to a third digit.
PANEL_METERS = 640


def panel_of(fleet: pl.DataFrame, equipment: pl.DataFrame) -> tuple[list[str], list[str]]:
    """Return the meters that stand for a fleet, and check meters never read by the table of them.

    Parameters
    ----------
    fleet : pl.DataFrame
        Frame of `drift.store.some_meters.FLEET`.
    equipment : pl.DataFrame
        The input table of that name.

    Notes
    -----
    An even choice, which no name decides, and all check meters, which judge its reference.
    """
    judges = check_meter_names(equipment)
    chosen = fleet.filter((pl.col("place") < PANEL_METERS) | pl.col("meter_id").is_in(judges))
    read = set(fleet["meter_id"])
    return chosen["meter_id"].to_list(), [name for name in judges if name not in read]


@dataclass(frozen=True, slots=True)
class PartSums:
    """What the rest of a fleet must know of some of its meters.

    Attributes
    ----------
    drift_p, jump_p, own_drift_p, own_jump_p : array
        P values of their series, also without what meters share.
    segments : pl.DataFrame
        Of `drift.reference.weigh.large_segments`.
    ends : pl.DataFrame
        Of `drift.upkeep.intervals.methods.times_found_out`.
    steps : tuple of float
        Steps that their dials are read to, % air.
    """

    drift_p: Floats
    jump_p: Floats
    own_drift_p: Floats
    own_jump_p: Floats
    segments: pl.DataFrame
    ends: pl.DataFrame
    steps: tuple[float, ...]


def begin_laws(panel: Sources, *, meters: int, as_of: date, policy: Policy) -> FleetLaws:
    """Learn what meters that stand for a fleet of so many can tell alone.

    Parameters
    ----------
    panel : Sources
        Of these meters.
    meters : int
        Meters of the fleet.
    as_of : date
    policy : Policy
    """
    ledger = ledger_of(panel, source_name="", as_of=as_of, policy=policy)
    reference = learn_reference(
        ledger,
        tables={
            "sessions": panel.sessions,
            "vessels": panel.vessels,
            "checks": panel.checks,
            "marks": panel.marks,
            "service": panel.service,
            "equipment": panel.equipment,
        },
        choices=check_meter_choices(policy),
        worth=large_segments(ledger, np.inf).select("meter_id", "segment", "largest"),
    )
    laws = FleetLaws(
        charts=learn_charts(ledger, marks=panel.marks, service=panel.service, policy=policy),
        drifts=learn_drifts(ledger, policy),
        reference=reference,
        scatter=learn_repeatability(ledger, tested=meters),
    )
    alone = _alone(panel, laws, as_of=as_of, policy=policy)
    if alone is None:
        return laws
    return dataclasses.replace(laws, own=OwnLaws(drifts=learn_drifts(alone[1], policy)))


def part_sums(part: Sources, laws: FleetLaws, *, as_of: date, policy: Policy) -> PartSums:
    """Return what the rest of a fleet must know of some meters; `laws` from `begin_laws`."""
    ledger = ledger_of(part, source_name="", as_of=as_of, policy=policy)
    alone = _alone(part, laws, as_of=as_of, policy=policy)
    drift_p, jump_p = _p_values(ledger, laws.drifts, policy)
    own_drift_p, own_jump_p = _p_values(alone[1] if alone else None, laws.own.drifts, policy)
    held = censored_intervals(ledger, tolerance=policy.tolerance_pct, comparison=policy.comparison)
    return PartSums(
        drift_p=drift_p,
        jump_p=jump_p,
        own_drift_p=own_drift_p,
        own_jump_p=own_jump_p,
        segments=large_segments(ledger, policy.tolerance_pct / 2),
        ends=times_found_out(held),
        steps=tuple(ledger["resolution_pct"].drop_nulls().unique().sort()),
    )


def finish_laws(
    begun: FleetLaws,
    sums: Sequence[PartSums],
    *,
    panel: Sources,
    rest: Sources,
    fleet: pl.DataFrame,
    as_of: date,
    policy: Policy,
) -> FleetLaws:
    """Put together what a fleet shares.

    Parameters
    ----------
    begun : FleetLaws
        From `begin_laws`.
    sums : sequence of PartSums
        Of all parts.
    panel : Sources
        As for `begin_laws`.
    rest : Sources
        What there is of the fleet beside sittings.
    fleet : pl.DataFrame
        Frame of `drift.store.some_meters.FLEET`.
    as_of : date
    policy : Policy
    """
    steps = tuple(sorted({step for one in sums for step in one.steps}))
    ledger = ledger_of(panel, source_name="", as_of=as_of, policy=policy)
    forecasts = learn_forecasts(jumps_known(ledger, panel), policy=policy, steps=steps)
    alone = _alone(panel, begun, as_of=as_of, policy=policy)
    own = begun.own
    if alone is not None and own.drifts is not None:
        own = OwnLaws(
            drifts=_with_p(own.drifts, [(one.own_drift_p, one.own_jump_p) for one in sums]),
            forecasts=learn_forecasts(
                jumps_known(alone[1], alone[0]), policy=policy, steps=steps, fit=forecasts.fit
            ),
        )
    segments = pl.concat([one.segments for one in sums]).join(
        fleet.select("meter_id", meter_place="place"), on="meter_id"
    )
    return dataclasses.replace(
        begun,
        drifts=begun.drifts and _with_p(begun.drifts, [(one.drift_p, one.jump_p) for one in sums]),
        reference=begun.reference
        and dataclasses.replace(begun.reference, worth=most_worth(segments)),
        upkeep=UpkeepLaws(
            replicates=usual_replicates(ledger),
            of_own_law=often_found_out(pl.concat([one.ends for one in sums])),
        ),
        forecasts=forecasts,
        names=note_names(rest, fleet["meter_id"]),
        level_p=_level_p(panel, ledger, begun, policy),
        own=own,
    )


def _level_p(panel: Sources, ledger: pl.DataFrame, laws: FleetLaws, policy: Policy) -> Floats:
    """Return the p values of comparisons of visits with their baselines."""
    charts = draw_charts(
        ledger, marks=panel.marks, service=panel.service, policy=policy, laws=laws.charts
    )
    told = charts.since.filter(pl.col("verdict") != TOO_FEW)
    return told["t_p"].drop_nulls().to_numpy()


def said_of_the_fleet(
    panel: Sources, laws: FleetLaws, *, as_of: date, policy: Policy
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return intervals of a fleet and of its similar meters, and its risks, by an even choice.

    Returns
    -------
    intervals : pl.DataFrame
        Frame of `drift.upkeep.intervals.recommend.INTERVALS`.
    risks : pl.DataFrame
        Frame of `drift.conformity.global_risk.FLEET_RISKS`.
    """
    ledger = ledger_of(panel, source_name="", as_of=as_of, policy=policy)
    reference = reference_of(panel, ledger, policy, laws=laws.reference)
    conformity = weigh_conformity(panel.sessions, ledger, reference, policy=policy)
    schedule = schedule_of(ledger, panel, as_of=as_of, policy=policy)
    path_trends, _ = weigh_drift(ledger, policy, fleet=laws.drifts)
    recorded = weigh_record(ledger, path_trends, panel.meters, as_of=as_of, policy=policy)
    ahead = forecast_fleet(
        *(jumps_known(ledger, panel), schedule),
        as_of=as_of,
        policy=policy,
        learnt=laws.forecasts,
    )
    upkeep = weigh_upkeep(recorded, ahead, as_of=as_of, policy=policy)
    return upkeep.intervals.filter(pl.col("scope") != "meter"), conformity.risks


def _alone(
    part: Sources, laws: FleetLaws, *, as_of: date, policy: Policy
) -> tuple[Sources, pl.DataFrame] | None:
    """Return sources and ledger without what meters share; None where nothing was found."""
    if laws.reference is None or not laws.reference.shares:
        return None
    ledger = ledger_of(part, source_name="", as_of=as_of, policy=policy)
    sessions = reference_of(part, ledger, policy, laws=laws.reference).sessions
    if sessions is None:
        return None
    alone = dataclasses.replace(part, sessions=sessions)
    return alone, ledger_of(alone, source_name="", as_of=as_of, policy=policy)


def _p_values(
    ledger: pl.DataFrame | None, drifts: FleetDrifts | None, policy: Policy
) -> tuple[Floats, Floats]:
    """Return p values of drift and jumps; none where there is nothing to take them from."""
    if ledger is None or drifts is None:
        return np.empty(0), np.empty(0)
    return drift_p_values(ledger, policy, fleet=drifts)


def _with_p(drifts: FleetDrifts, p: Sequence[tuple[Floats, Floats]]) -> FleetDrifts:
    """Return what is known of drifts with the p values of all parts, in an order of their own."""
    drift_p, jump_p = (np.sort(np.concatenate(one)) for one in zip(*p, strict=True))
    return dataclasses.replace(drifts, drift_p=drift_p, jump_p=jump_p)
