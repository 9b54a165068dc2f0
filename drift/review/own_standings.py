"""This module says where meters would stand without what they share.

Its forecast is handed to another process where there is one, before the other steps of a review.
"""

import dataclasses
from concurrent.futures import Future
from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.beside import Aside
from drift.conformity.weigh import Conformity, judge_sittings
from drift.forecast.fit import Fit
from drift.forecast.forecasts import Forecasts
from drift.limits.baseline_change import COMPARED
from drift.reference.weigh import Reference
from drift.review.fleet_laws import FleetLaws
from drift.review.forecasts import forecast_fleet, jumps_known
from drift.review.meters import METERS
from drift.review.policy import Policy
from drift.review.sourced import ledger_of, schedule_of
from drift.review.stand import OnFile, Seen, stand
from drift.store.tables import Sources
from drift.trend.weigh import weigh_drift
from drift.upkeep.weigh import meter_falls


@dataclass(frozen=True, slots=True)
class Own:
    """What readings say of each meter with what meters share taken out.

    Attributes
    ----------
    sources : Sources
        With such readings.
    ledger, schedule, verdicts : pl.DataFrame
        As of `drift.review.stand.Seen`.
    drift : tuple of pl.DataFrame
        Of `drift.trend.weigh.weigh_drift`.
    ahead : Future
        The forecasts, which are being worked out.
    """

    sources: Sources
    ledger: pl.DataFrame
    schedule: pl.DataFrame
    verdicts: pl.DataFrame
    drift: tuple[pl.DataFrame, pl.DataFrame]
    ahead: Future[Forecasts]


def begin_own(
    sources: Sources,
    weighed: tuple[Reference, Conformity],
    fit: Fit,
    *,
    aside: Aside,
    as_of: date,
    policy: Policy,
    laws: FleetLaws,
) -> Own | None:
    """Weigh readings without what meters share, and begin their forecast.

    Parameters
    ----------
    sources : Sources
        The readings as they stand.
    weighed : tuple
        Their reference and conformity.
    fit : Fit
        Of their forecast.
    aside : callable
        Hands the forecast over.
    as_of, policy, laws
        As of `drift.review.analyse.analyse`.

    Returns
    -------
    Own or None
        None where meters share nothing that was found.
    """
    reference, conformity = weighed
    if reference.sessions is None:
        return None
    alone = dataclasses.replace(sources, sessions=reference.sessions)
    ledger = ledger_of(alone, source_name="", as_of=as_of, policy=policy)
    schedule = schedule_of(ledger, alone, as_of=as_of, policy=policy)
    begun = aside(
        forecast_fleet,
        jumps_known(ledger, alone),
        schedule,
        as_of=as_of,
        policy=policy,
        fit=fit,
        learnt=laws.own.forecasts,
    )
    verdicts = judge_sittings(
        alone.sessions,
        ledger,
        reference,
        policy=policy,
        repeatability=conformity.repeatability,
    )
    drift = weigh_drift(ledger, policy, fleet=laws.own.drifts)
    return Own(alone, ledger, schedule, verdicts, drift, begun)


def stand_alone(own: Own | None, filed: OnFile, *, as_of: date, policy: Policy) -> pl.DataFrame:
    """Return where meters stand with what they share taken out; empty where nothing was found."""
    if own is None:
        return pl.DataFrame(schema=METERS)
    path_trends, changes = own.drift
    ahead = own.ahead.result()
    seen = Seen(
        ledger=own.ledger,
        schedule=own.schedule,
        ahead=ahead,
        path_trends=path_trends,
        changes=changes,
        verdicts=own.verdicts,
        falls=meter_falls(own.ledger, ahead, as_of=as_of, policy=policy),
        # Limits are those of the readings as they stand.
        phases=pl.DataFrame(schema=COMPARED),
    )
    return stand(own.sources, seen, filed, as_of=as_of, policy=policy).meters
