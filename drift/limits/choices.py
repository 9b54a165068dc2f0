"""This module names the charts and forms of limits to choose from, and holds what charts go by."""

from dataclasses import dataclass

FORMS = ("kept_rate", "sigma", "t")

# Names a chart family can be asked for; "cusum" makes two charts.
SINGLE_POINTS = ("individuals", "moving_range", "ewma", "cusum")
REPLICATES = ("mean", "spread", "range", "repeatability")
# Charts of the initial pressure mark, which `drift.limits.charts.mark` draws from its own points.
MARKS = ("mark",)


@dataclass(frozen=True, slots=True)
class ChartSettings:
    """How charts are drawn; the same object serves every chart.

    Attributes
    ----------
    baseline_visits : int
        Visits of a phase that set its limits: its first ones with a reading.  At least 2.
    baseline_window : tuple of float or None
        Where given, the visits of a phase from the first to the last of these two times (t_years,
        inclusive) are its baseline instead; of a phase that begins later, its first ones.
    limits : {"kept_rate", "sigma", "t"}
        How limits are set.  "kept_rate" (the default) places them so that a new plotted point of
        an unchanged process falls outside with at most the nominal probability, allowing for what
        a short baseline does not know and for the dial's steps.  "sigma" is centre ± `sigmas`·σ,
        "t" is centre ± t·s with the degrees of freedom of s (e-Handbook 2.2.3.5.2); these two
        allow for neither.
    sigmas : float
        Half-width of limits in standard deviations; the nominal false-alarm rate is that of a
        normal variable beyond them.
    ewma_weight, ewma_sigmas : float
        Weight of the newest point in the EWMA, over 0 and at most 1, and half-width of its limits.
    cusum_reference, cusum_decision : float
        Reference value k and decision interval h of the CUSUM, in standard deviations of one
        plotted point.
    repeatability_level : float
        Chance that a sound repeatability passes its upper limit.
    pooling_level : float
        Level of the F test by which a meter's spread is found unlike that of similar meters.
    change_level : float
        Level of the t test by which the level of a new phase is found changed.  At 0.1 changes
        that it misses raise no more false alarms than are aimed at (simulated in the tests); at
        0.05 an EWMA raises up to 1.6 times as many.
    autocorrelation_level : float
        Level of the test on the lag-1 autocorrelation.
    given_centre, given_sigma : float or None
        Centre and standard deviation of one plotted point where they are known from elsewhere.
    """

    baseline_visits: int = 7
    baseline_window: tuple[float, float] | None = None
    limits: str = "kept_rate"
    sigmas: float = 3.0
    ewma_weight: float = 0.2
    ewma_sigmas: float = 3.0
    cusum_reference: float = 0.5
    cusum_decision: float = 5.0
    repeatability_level: float = 0.05
    pooling_level: float = 0.01
    change_level: float = 0.1
    autocorrelation_level: float = 0.01
    given_centre: float | None = None
    given_sigma: float | None = None

    def __post_init__(self) -> None:
        """Refuse settings that no chart can be drawn by."""
        if self.limits not in FORMS:
            raise ValueError(f"limits = {self.limits!r} is unknown: choose one of {FORMS}")
        if self.baseline_visits < 2:
            raise ValueError(f"a baseline needs at least 2 visits, not {self.baseline_visits}")
        if (self.given_centre is None) != (self.given_sigma is None):
            raise ValueError("given_centre and given_sigma are given together or not at all")
        if not 0 < self.ewma_weight <= 1:
            raise ValueError(f"ewma_weight = {self.ewma_weight} is not over 0 and at most 1")
        widths = {
            "sigmas": self.sigmas,
            "ewma_sigmas": self.ewma_sigmas,
            "cusum_decision": self.cusum_decision,
        }
        for name, value in widths.items():
            if not value > 0:
                raise ValueError(f"{name} = {value} is not positive")


@dataclass(frozen=True)
class LimitChoices:
    """What a laboratory may choose of charts and their limits.

    Attributes
    ----------
    baseline_visits : int
        Visits that set the control limits of a chart, at least 3.
    baseline_dates : tuple of str
        First and last day (ISO 8601) of the visits that set the control limits instead of the
        first ones; empty to name none.  A phase that begins later has its first visits.
    phase_level : float
        Error probability of the t test by which the level of a new phase, after an adjustment or
        with another vessel, is found changed.
    charts : tuple of str
        Charts drawn of the as-found bias, its replicates and the initial pressure mark.
    limits : {"kept_rate", "sigma", "t"}
        How control limits are set: so that a rounded reading and a short baseline keep the
        false-alarm rate; at `limit_sigmas` standard deviations; or by Student's t.
    limit_sigmas : float
        Half-width of control limits in standard deviations.
    ewma_weight : float
        Weight of the newest point in the EWMA chart, over 0 and at most 1.
    cusum_reference_sigmas : float
        Reference value k of the CUSUM, in standard deviations of one plotted point.
    cusum_decision_sigmas : float
        Decision interval h of the CUSUM, in standard deviations of one plotted point.
    rules : tuple of str
        Rules that may speak on a chart.
    fleet_meters : int
        Meters of the fleet, for what its charts can and cannot see.
    sound_sigma_pct : float
        Standard deviation of the as-found bias of a sound meter from visit to visit, % air, for
        the same purpose.
    leak_limit : float
        Pressure that a leak check may lose in the time of the laboratory's procedure; 0 is none
        set: then only a limit on the record of a check judges it.  There is no default, since the
        one published wording that we know is ambiguous.
    leak_limit_unit : str
        Unit of that, such as ``kpa`` or ``psi``; empty for the unit of the records.
    """

    baseline_visits: int = 7
    baseline_dates: tuple[str, ...] = ()
    phase_level: float = 0.1
    charts: tuple[str, ...] = ("individuals", "moving_range", "ewma", "mark")
    limits: str = "kept_rate"
    limit_sigmas: float = 3.0
    ewma_weight: float = 0.2
    cusum_reference_sigmas: float = 0.5
    cusum_decision_sigmas: float = 5.0
    rules: tuple[str, ...] = ("beyond_limits",)
    fleet_meters: int = 24
    sound_sigma_pct: float = 0.03
    leak_limit: float = 0.0
    leak_limit_unit: str = ""
