"""This module holds what the meters of a fleet share, for those that are worked out in parts."""

from dataclasses import dataclass, field

from drift.arrays import Floats
from drift.forecast.learn import Learnt
from drift.limits.charting import ChartLaws
from drift.reference.reference_laws import ReferenceLaws
from drift.reference.repeatability import PooledScatter
from drift.review.stand import NotedNames
from drift.trend.fleet_drifts import FleetDrifts
from drift.upkeep.weigh import UpkeepLaws


@dataclass(frozen=True, slots=True)
class OwnLaws:
    """What is shared once what moved every meter alike is taken out of the readings.

    Attributes
    ----------
    drifts, forecasts
        As of `FleetLaws`.
    """

    drifts: FleetDrifts | None = None
    forecasts: Learnt | None = None


@dataclass(frozen=True, slots=True)
class FleetLaws:
    """All that working out some meters needs of the others.

    With it any meters can be worked out alone, in any parts and any order, and come out the same
    to the last digit that is written.  All is None where the meters at hand are all of the fleet.

    Attributes
    ----------
    charts : ChartLaws
        Whose scatter is borrowed.
    drifts : FleetDrifts
        How common wander is, and all p values.
    reference : ReferenceLaws
        What vessels, operators and the seasons do.
    scatter : PooledScatter
        How far replicates scatter.
    upkeep : UpkeepLaws
        What intervals need.
    forecasts : Learnt
        The forecaster's.
    names : NotedNames
        Rows and names that may belong to a meter.
    level_p : array
        P values of comparisons of visits with their baselines, of meters that stand for the fleet.
    own : OwnLaws
        Empty where nothing that meters share was found.
    """

    charts: ChartLaws | None = None
    drifts: FleetDrifts | None = None
    reference: ReferenceLaws | None = None
    scatter: PooledScatter | None = None
    upkeep: UpkeepLaws | None = None
    forecasts: Learnt | None = None
    names: NotedNames | None = None
    level_p: Floats | None = None
    own: OwnLaws = field(default_factory=OwnLaws)

    @property
    def known(self) -> bool:
        """Whether there are laws, so that what they are applied to is some meters of a fleet."""
        return self.charts is not None
