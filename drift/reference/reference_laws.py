"""This module holds what meters that stand for a fleet say of their common reference."""

from dataclasses import dataclass

import polars as pl

from drift.reference.check_meters.weigh import CheckMeters
from drift.reference.crossed_fit import CrossedFit
from drift.reference.operators import OperatorSpread
from drift.reference.shared_effects import SharedEffects


@dataclass(frozen=True, slots=True)
class ReferenceLaws:
    """What meters that stand for a fleet say of what all share.

    Attributes
    ----------
    fit, found : CrossedFit, SharedEffects or None
        None where no effects could be fitted.
    operators : OperatorSpread
        How far operators differ.
    repeatability : float
        Pooled standard deviation of replicates, % air.
    half_place : float
        Of `drift.reference.pairs.half_last_place`.
    shares : bool
        Whether something was found that is taken out of every meter's readings.
    common : pl.DataFrame
        Evidence of shared effects on these meters, frame of
        `drift.reference.shared_effects.COMMON_EVIDENCE`.
    fitted : frozenset of str
        Their names.
    worth : pl.DataFrame
        ``meter_id segment largest``: the segments of the fleet whose causes are weighed.
    witnesses : CheckMeters
        What check meters and artefacts say.
    """

    fit: CrossedFit | None
    found: SharedEffects | None
    operators: OperatorSpread
    repeatability: float
    half_place: float
    shares: bool
    common: pl.DataFrame
    fitted: frozenset[str]
    worth: pl.DataFrame
    witnesses: CheckMeters
