"""This module asks whether it is the meters or what they are compared with.

It strings together the pure parts: what meters share, what the vessels stand for, what each
segment's pattern of bias points to.
"""

from dataclasses import dataclass, field
from typing import Any

import polars as pl

from drift.meter.cause_readings import segment_readings
from drift.meter.causes import CauseSettings, weigh_causes
from drift.meter.dial import dials_of
from drift.meter.marks import adjustment_balance, mark_moves
from drift.reference.bowls import BowlSpread, bowl_spread, bowl_values
from drift.reference.check_meters.placing import fleet_of
from drift.reference.check_meters.weigh import CheckMeters, weigh_check_meters
from drift.reference.choices import CheckMeterChoices
from drift.reference.content_order import meters_by_content
from drift.reference.crossed_design import sittings
from drift.reference.crossed_effects import REFERENCE
from drift.reference.crossed_fit import CrossedFit, fit_crossed
from drift.reference.normalised_error import agreement, with_agreement
from drift.reference.operators import (
    NOT_COMPARABLE,
    OperatorSpread,
    likely_duplicates,
    operator_spread,
)
from drift.reference.pair_values import pairs_of
from drift.reference.pairs import check_stated_values, half_last_place
from drift.reference.reference_laws import ReferenceLaws
from drift.reference.repeatability import bound_by_differences
from drift.reference.shared_effects import (
    COMMON_EVIDENCE,
    SharedEffects,
    common_evidence,
    find_shared_effects,
    without_common,
)
from drift.reference.vessel_history import vessel_belief, vessel_history
from drift.reference.vessel_record import vessel_values, with_own_volumes

# Weighing a segment takes about 10 ms, so a large fleet's smallest biases are left unweighed.
MOST_SEGMENTS = 400
# Names are compared two by two; a laboratory has far fewer.
MOST_NAMES = 300
# Biases are equal to so many places, % air: beyond lies binary rounding.
_PLACES = 9
# Joins the names of several operators of one sitting.
TOGETHER = " + "


@dataclass(frozen=True, slots=True)
class Reference:
    """What the fleet's own readings say of their reference.

    Attributes
    ----------
    effects : pl.DataFrame
        Frame of `drift.reference.crossed_effects.REFERENCE`.
    vessels, bowls, pairs : pl.DataFrame
        Frames of `drift.reference.vessel_record.VESSEL_VALUES`, of
        `drift.reference.bowls.BOWL_VALUES` and of `drift.reference.pair_values.PAIRS`.
    history, belief : pl.DataFrame
        Frames of `drift.reference.vessel_history.VESSEL_HISTORY` and `VESSEL_BELIEF`.
    spread : BowlSpread
        How far bowls differ that were not measured.
    compared : pl.DataFrame
        Frame of `drift.reference.pairs.REFERENCE_CHECK` with the further column
        ``contradicted_by`` (E_n above 1 of its vessel's calibration, else null).
    agreement : pl.DataFrame
        Frame of `drift.reference.normalised_error.AGREEMENT`.
    causes : pl.DataFrame
        Frame of `drift.meter.causes.CAUSES`.
    weighed : pl.DataFrame
        Frame of `drift.meter.causes.CAUSE_READINGS`: the readings that the causes are weighed by.
    dials : pl.DataFrame
        Frame of `drift.meter.dial.DIALS`.
    repeatability_pct : float
        Pooled standard deviation of replicates that both rest on, % air.
    moves : pl.DataFrame
        Frame of `drift.meter.marks.MARK_MOVES`.
    balance : pl.DataFrame
        Frame of `drift.meter.marks.ADJUSTMENT_BALANCE`.
    operators : OperatorSpread
        How far operators differ.
    alike : tuple of tuple of str
        Names of operators that may be one name spelled differently.
    sessions : pl.DataFrame or None
        The sittings less what meters share, None where nothing was found that could be taken out.
    witnesses : CheckMeters
        What check meters and artefacts say of that.
    """

    effects: pl.DataFrame
    vessels: pl.DataFrame
    bowls: pl.DataFrame
    pairs: pl.DataFrame
    history: pl.DataFrame
    belief: pl.DataFrame
    spread: BowlSpread
    compared: pl.DataFrame
    agreement: pl.DataFrame
    causes: pl.DataFrame
    weighed: pl.DataFrame
    dials: pl.DataFrame
    repeatability_pct: float
    moves: pl.DataFrame
    balance: pl.DataFrame
    operators: OperatorSpread
    alike: tuple[tuple[str, ...], ...]
    sessions: pl.DataFrame | None
    witnesses: CheckMeters = field(default_factory=CheckMeters)

    @property
    def checks(self) -> pl.DataFrame:
        """The rows of `compared` that disagree; made when asked, for there may be a million."""
        return self.compared.filter(pl.col("problem") != "")


def learn_reference(
    ledger: pl.DataFrame,
    *,
    tables: dict[str, pl.DataFrame],
    choices: CheckMeterChoices,
    worth: pl.DataFrame,
) -> ReferenceLaws:
    """Learn from meters that stand for a fleet; `worth` as of `ReferenceLaws`, others as below.

    `tables` are sessions and the input tables that check meters are judged by, by their names.
    """
    sessions = tables["sessions"]
    fit = fit_crossed(
        fleet_of(ledger, tables["equipment"]), sessions=sessions, vessels=tables["vessels"]
    )
    found, common, own, operators = _shared(fit, sessions, rate=choices.false_discovery_rate)
    return ReferenceLaws(
        fit=fit,
        found=found,
        operators=operators,
        repeatability=_repeatability(ledger),
        half_place=half_last_place(sessions),
        shares=own is not None,
        common=common,
        fitted=frozenset(ledger["meter_id"]),
        worth=worth,
        witnesses=weigh_check_meters(ledger, tables, shared=(fit, found), choices=choices),
    )


def weigh_reference(
    ledger: pl.DataFrame,
    *,
    sessions: pl.DataFrame,
    vessels: pl.DataFrame,
    marks: pl.DataFrame,
    service: pl.DataFrame,
    meters: pl.DataFrame,
    bowls: pl.DataFrame,
    equipment: pl.DataFrame,
    checks: pl.DataFrame,
    bowl_spread_pct: float,
    vessel_uncertainty: str,
    choices: CheckMeterChoices,
    worth_pct: float,
    laws: ReferenceLaws | None = None,
) -> Reference:
    """Find what meters share, check the vessels' values and weigh the causes of each bias.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER` built from the sessions.
    sessions : pl.DataFrame
        Frame of `drift.store.tables.SESSIONS`.
    vessels, marks, service, meters, bowls, equipment, checks : pl.DataFrame
        Rows of the input tables of these names.
    bowl_spread_pct : float
        How far a bowl may differ that was not measured, where too few are, % of its volume.
    vessel_uncertainty : str
        Which uncertainty of a vessel counts, as in the policy.
    choices : CheckMeterChoices
        What is called an effect, and how check meters are charted.
    worth_pct : float
        Smallest bias whose cause is weighed, % air.
    laws : ReferenceLaws or None
        Of the fleet that these are some meters of; None where they are all of it.
    """
    rate = choices.false_discovery_rate
    if laws is None:
        fit = fit_crossed(fleet_of(ledger, equipment), sessions=sessions, vessels=vessels)
        found, common, own, operators = _shared(fit, sessions, rate=rate)
        worth, repeatability = worth_weighing(ledger, worth_pct), _repeatability(ledger)
        beside = {"sessions": sessions, "vessels": vessels, "checks": checks, "marks": marks}
        beside |= {"service": service, "equipment": equipment}
        witnesses = weigh_check_meters(ledger, beside, shared=(fit, found), choices=choices)
    else:
        witnesses = laws.witnesses
        found, operators, repeatability = laws.found, laws.operators, laws.repeatability
        worth, common, own = _by_laws(ledger, laws, (sessions, vessels), rate=rate)
    effects = pl.DataFrame(schema=REFERENCE) if found is None else found.frame
    tables, half_place = (vessels, bowls, equipment), laws.half_place if laws else None
    usual = bowl_spread_pct, vessel_uncertainty
    chain = _chain(sessions, effects, tables=tables, usual=usual, half_place=half_place)
    dials = dials_of(meters, ledger, marks=marks, service=service, repeatability=repeatability)
    moves = mark_moves(marks, dials=dials)
    weighed = _worth_readings(ledger, worth, (marks, service, moves, common))
    return Reference(
        effects=effects,
        **chain,
        causes=_causes(weighed, dials, repeatability),
        weighed=weighed,
        dials=dials,
        repeatability_pct=repeatability,
        moves=moves,
        balance=adjustment_balance(moves, ledger=ledger, service=service, noise_pct=repeatability),
        operators=operators,
        alike=tuple(likely_duplicates(_operators((sessions, marks, service)))),
        sessions=own,
        witnesses=witnesses,
    )


def _worth_readings(
    ledger: pl.DataFrame, worth: pl.DataFrame, beside: tuple[pl.DataFrame, ...]
) -> pl.DataFrame:
    """Return the readings causes are weighed by; `beside` are marks, service, moves, common."""
    marks, service, moves, common = beside
    return segment_readings(
        # All segments of their meters: what closed one opens the next.
        ledger.join(worth, on="meter_id", how="semi", maintain_order="left"),
        marks=marks,
        service=service,
        moves=moves,
        common=common,
    ).join(worth, on=["meter_id", "segment"], how="semi", maintain_order="left")


def _causes(weighed: pl.DataFrame, dials: pl.DataFrame, repeatability: float) -> pl.DataFrame:
    """Weigh the causes of the biases of the segments that are worth it."""
    return weigh_causes(
        weighed,
        dials=dials.select("meter_id", "k", "k_sd"),
        settings=CauseSettings(repeatability=repeatability),
    )


def _chain(
    sessions: pl.DataFrame,
    effects: pl.DataFrame,
    *,
    tables: tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame],
    usual: tuple[float, str],
    half_place: float | None,
) -> dict[str, Any]:
    """Return what is known of vessels and bowls, by its name in `Reference`.

    `tables` are the input tables `vessels`, `bowls` and `equipment`; `usual`, how far bowls are
    taken to differ, % air, and which uncertainty of a vessel counts.
    """
    vessels, bowls, equipment = tables
    bowl_spread_pct, choice = usual
    measured = bowl_values(bowls, equipment)
    spread = bowl_spread(measured, usual_pct=bowl_spread_pct)
    values = with_own_volumes(vessel_values(vessels, equipment), measured)
    agreed = agreement(values, effects)
    checked = check_stated_values(
        sessions, values, bowls=measured, spread=spread, half_place=half_place
    )
    history = vessel_history(values, vessels, effects)
    return {
        "vessels": values,
        "bowls": measured,
        "spread": spread,
        "pairs": pairs_of(checked),
        "history": history,
        "belief": vessel_belief(history, vessels, equipment),
        "agreement": agreed,
        "compared": with_agreement(checked, agreed, choice=choice),
    }


def _shared(
    fit: CrossedFit | None, sessions: pl.DataFrame, *, rate: float
) -> tuple[SharedEffects | None, pl.DataFrame, pl.DataFrame | None, OperatorSpread]:
    """Return shared effects, their evidence, sessions without them, and how operators differ."""
    if fit is None:
        return None, pl.DataFrame(schema=COMMON_EVIDENCE), None, NOT_COMPARABLE
    found = find_shared_effects(fit, rate=rate)
    common = common_evidence(fit, found, rate=rate)
    cleaned = without_common(sessions, found, rate=rate)
    shares = (cleaned["common_pct"].abs() > 0).any()
    own = cleaned.drop("common_pct") if shares else None
    return found, common, own, operator_spread(fit, found, rate=rate)


def _by_laws(
    ledger: pl.DataFrame,
    laws: ReferenceLaws,
    tables: tuple[pl.DataFrame, pl.DataFrame],
    *,
    rate: float,
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame | None]:
    """Return segments worth weighing, evidence of shared effects on them, sessions without these.

    `tables` are sessions and vessels.
    """
    sessions, vessels = tables
    worth = laws.worth.join(ledger.select("meter_id").unique(), on="meter_id", how="semi")
    common = pl.DataFrame(schema=COMMON_EVIDENCE)
    if laws.fit is None or laws.found is None:
        return worth, common, None
    common = laws.common.join(worth, on="meter_id", how="semi", maintain_order="left")
    others = worth.filter(~pl.col("meter_id").is_in(list(laws.fitted)))
    rows = sittings(
        ledger.join(others, on="meter_id", how="semi", maintain_order="left"),
        sessions=sessions,
        vessels=vessels,
    )
    # What was seen once between two adjustments tells nothing.  Blocks, which end where a meter
    # steps unlike those beside it, would be others in another part of the fleet.
    rows = rows.filter(pl.len().over("meter_id", "segment", "points") > 1)
    if not rows.is_empty():
        more = common_evidence(laws.fit, laws.found, rate=rate, sittings=rows)
        common = pl.concat([common, more])
    if not laws.shares:
        return worth, common, None
    return worth, common, without_common(sessions, laws.found, rate=rate).drop("common_pct")


def _operators(frames: tuple[pl.DataFrame, ...]) -> list[str]:
    """Return the names that work was signed with, the most used where there are very many."""
    signed = pl.concat([frame.select("operator").drop_nulls() for frame in frames])
    # Several who shared a sitting are recorded as one text.
    names = signed.group_by("operator").len().with_columns(pl.col("operator").str.split(TOGETHER))
    used = names.explode("operator").group_by("operator").agg(pl.col("len").sum())
    return (
        used.sort("len", "operator", descending=[True, False])["operator"]
        .head(MOST_NAMES)
        .to_list()
    )


def worth_weighing(ledger: pl.DataFrame, worth_pct: float) -> pl.DataFrame:
    """Return the segments in which some visit found `worth_pct` or more, largest first.

    On coarse dials many are as large: then those of most readings, then by an order of meters
    that their names do not decide.
    """
    places = meters_by_content(ledger, value="as_found_bias_pct")
    return most_worth(large_segments(ledger, worth_pct).join(places, on="meter_id"))


def large_segments(ledger: pl.DataFrame, worth_pct: float) -> pl.DataFrame:
    """Return ``meter_id segment largest readings`` where a visit found `worth_pct` or more."""
    return (
        ledger.group_by("meter_id", "segment")
        .agg(
            largest=pl.col("as_found_bias_pct").abs().max().round(_PLACES),
            readings=pl.col("as_found_bias_pct").count(),
        )
        .filter(pl.col("largest") >= worth_pct)
    )


def most_worth(segments: pl.DataFrame) -> pl.DataFrame:
    """Return the `MOST_SEGMENTS` to weigh of `large_segments`, ties by ``meter_place``."""
    return (
        segments.sort(
            *("largest", "readings", "meter_place", "segment"),
            descending=[True, True, False, False],
        )
        .head(MOST_SEGMENTS)
        .select("meter_id", "segment", "largest")
    )


def _repeatability(ledger: pl.DataFrame) -> float:
    """Return the fleet's pooled standard deviation of replicates, % air; what differences bound."""
    degrees = (pl.col("as_found_replicates") - 1).cast(pl.Float64)
    squares, freedom = (
        ledger.drop_nulls("as_found_spread_pct")
        .select((degrees * pl.col("as_found_spread_pct") ** 2).sum(), freedom=degrees.sum())
        .row(0)
    )
    return float((squares / freedom) ** 0.5) if squares else bound_by_differences(ledger)[0]
