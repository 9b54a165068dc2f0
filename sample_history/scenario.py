"""This module says what is planted in the sample history: meters, vessels, people, slips.

Everything is invented.  The laboratory has two benches, `north` and `south`, twelve meters each,
four technicians and one calibration vessel a bench; it draws the vessel once for the 5 % point and
twice for the 10 % point.  Its bowls hold the same mass of water, so one vessel has one air content.
"""

from dataclasses import dataclass, field
from datetime import date
from typing import Literal

SEED = "air-meter-fleet-1"
AS_OF = date(2026, 10, 1)
PROCEDURE = "C-12, edition 3"
FIRST_SERIAL = 20417
PLATE_LOST = "AM-18"  # nobody can read its serial number
POINTS = (0, 1, 2)  # draws of the vessel: 0 %, about 5 %, about 10 %
BOWL_WATER_G = 7056.4
SETTING_SD = 0.0006  # of the initial pressure from visit to visit, relative: 0.009 % air at 10 %
WANDER_SD = 0.0003  # step of a random walk of the same per visit: 0.0045 % air at 10 %
HAND_SETTING_SD = 0.0003  # of a hand after it was reset: 0.009 % air at 10 %
MARK_STEP_PCT = 0.01  # a mark is set and read to this, dial % air
NOMINAL_PRESSURE_KPA = 100

Remedy = Literal["mark", "hand", "dry", "none"]
Happening = Literal[
    "dropped",
    "mark_slipped",
    "hand_knocked",
    "water",
    "leak",
    "no_as_found",
    "new_gauge",
    "seal",
    "other",
]


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happens to one meter before its visit number `visit` (the first is 1).

    `bias_pct` is the change of bias at 10 % air that it causes; for `water` and `leak` it is the
    mean from then on until the remedy, around which every single reading scatters.
    """

    visit: int
    what: Happening
    bias_pct: float = 0.0
    remarks: str = ""


@dataclass(frozen=True, slots=True)
class Meter:
    """One meter and what is planted in it; biases are those at 10 % air, % air.

    Attributes
    ----------
    first_on : date
        Around which the first visit lies; the later ones follow every `interval_days`.
    visits : int
        How many there are.
    start_pct, drift_pct_per_year : float
        Bias at the first visit and its drift, through the initial pressure mark.
    hand_drift_pct_per_year : float
        Drift through the hand, which a zero check does not see.
    noise_pct : float
        Standard deviation of a single reading before it is rounded to the dial.
    acts_beyond_pct : float
        The technician adjusts when two readings of a point are farther off than this on one side.
    remedy : {"mark", "hand", "dry", "none"}
        What is then adjusted.
    maker, model : str
        Who made it, and its kind; invented.
    routine_as_left : bool
        As-left readings are taken at every visit, adjusted or not.
    zero_with_mark : bool
        The zero check is written with the mark, not among the readings.
    draw : int
        Which stream of chance the meter gets: where a case must show plainly, the first that does.
    """

    meter_id: str
    site: Literal["north", "south"]
    first_on: date
    visits: int = 24
    interval_days: int = 91
    start_pct: float = 0.0
    drift_pct_per_year: float = 0.0
    hand_drift_pct_per_year: float = 0.0
    noise_pct: float = 0.02
    replicates: int = 3
    resolution_pct: float = 0.05
    acts_beyond_pct: float = 0.1
    remedy: Remedy = "mark"
    mark_pct: float = -0.2
    chamber_bowl_ratio: float = 0.05
    maker: str = "first maker"
    model: str = "dial S"
    status: Literal["active", "on_loan", "withdrawn", "retired"] = "active"
    routine_as_left: bool = False
    zero_with_mark: bool = False
    in_service_on: date = date(2019, 6, 3)
    draw: int = 0
    events: tuple[Event, ...] = ()
    remarks: str = ""


@dataclass(frozen=True, slots=True)
class Vessel:
    """One calibration of one vessel, in force at `site` from `used_from`.

    `excess` is the share by which the vessel truly holds more than the weighing says.
    """

    vessel_id: str
    calibrated_on: date
    used_from: date
    sites: tuple[str, ...]
    water_mass_g: float
    u_air_pct: float = 0.006
    excess: float = 0.0
    remarks: str = ""

    @property
    def air_pct(self) -> float:
        """Air content of one draw as recorded, 100 w/W (no factor 0.98: Type B), % air."""
        return 100 * self.water_mass_g / BOWL_WATER_G


@dataclass(frozen=True, slots=True)
class Slip:
    """One row spoilt on purpose: cell `column` of a row becomes `value`.

    A row is the `nth` (from 1) of `meter_id` in its table, or for readings the one at visit number
    `visit`, point and replicate, as found.  `column` empty: the row is written twice.
    """

    table: str
    column: str
    value: str = ""
    meter_id: str = field(kw_only=True)
    visit: int = 0
    draws: int = 1
    replicate: int = 1
    nth: int = 1


@dataclass(frozen=True, slots=True)
class Response:
    """What the laboratory found and did about one signal, `days_after` the visit that gave it."""

    meter_id: str
    visit: int
    point_pct: float
    chart: str
    rule: str
    days_after: int
    finding: str
    action: str


@dataclass(frozen=True, slots=True)
class Operator:
    """One technician: what share of the visits of a bench is theirs, and how they read."""

    name: str
    shares: dict[str, float]
    reads_high_pct: float = 0.0
    authorised_on: date = date(2020, 9, 1)


# tech-3 calibrated for three months before the authorisation.
OPERATORS = (
    Operator("tech-1", {"north": 0.4, "south": 0.25}),
    Operator("tech-2", {"north": 0.35, "south": 0.2}),
    Operator(
        "tech-3", {"north": 0.0, "south": 0.3}, reads_high_pct=0.03, authorised_on=date(2021, 1, 11)
    ),
    Operator("tech-4", {"north": 0.25, "south": 0.25}),
)
MANAGER = "quality-manager"


@dataclass(frozen=True, slots=True)
class Equipment:
    """One calibration of a vessel, a balance or a thermometer, and until when it counts."""

    equipment_id: str
    kind: str
    calibrated_on: date
    due_on: date


BALANCE = "BA-1"
# The certificate of CV-A ended in September 2026, while it was in use.
EQUIPMENT = (
    Equipment("CV-A", "vessel", date(2020, 9, 7), date(2023, 9, 7)),
    Equipment("CV-A", "vessel", date(2023, 9, 4), date(2026, 9, 4)),
    Equipment("CV-B", "vessel", date(2025, 9, 15), date(2028, 9, 15)),
    Equipment(BALANCE, "balance", date(2020, 8, 24), date(2022, 8, 24)),
    Equipment(BALANCE, "balance", date(2022, 8, 22), date(2024, 8, 22)),
    Equipment(BALANCE, "balance", date(2024, 8, 19), date(2026, 11, 19)),
    Equipment("TH-1", "thermometer", date(2024, 9, 9), date(2026, 9, 9)),
)
BOWLS_MEASURED_ON = date(2020, 9, 14)

VESSELS = (
    Vessel("CV-A", date(2020, 9, 7), date(2020, 9, 7), ("north", "south"), 353.82),
    Vessel("CV-A", date(2023, 9, 4), date(2023, 9, 4), ("north", "south"), 353.79),
    Vessel(
        "CV-B",
        date(2025, 9, 15),
        date(2025, 10, 1),
        ("south",),
        352.40,
        excess=0.006,
        remarks="new vessel for the south bench",
    ),
)


def _north(number: int, month: int, day: int, **more: object) -> Meter:
    return Meter(f"AM-{number:02d}", "north", date(2020, month, day), **more)  # type: ignore[arg-type]  # fields of Meter


def _south(number: int, month: int, day: int, **more: object) -> Meter:
    return Meter(f"AM-{number:02d}", "south", date(2020, month, day), **more)  # type: ignore[arg-type]  # fields of Meter


METERS = (
    _north(1, 10, 19, start_pct=0.01),
    _north(
        2, 10, 26, start_pct=-0.02, events=(Event(12, "seal", 0.0, "seal replaced at its age"),)
    ),
    _north(3, 11, 2, start_pct=0.02, replicates=2),
    _north(4, 11, 9, start_pct=-0.07, drift_pct_per_year=0.028, draw=1),
    _north(
        5,
        11,
        16,
        start_pct=0.075,
        draw=1,
        drift_pct_per_year=-0.02,
        events=(Event(9, "other", 0.0, "petcock greased"),),
    ),
    _north(
        6,
        11,
        23,
        hand_drift_pct_per_year=0.15,
        draw=8,
        acts_beyond_pct=0.05,
        remedy="hand",
        remarks="technicians trim this meter",
    ),
    _north(7, 11, 30, drift_pct_per_year=0.13, mark_pct=-0.15),
    _north(
        8,
        12,
        7,
        start_pct=0.05,
        draw=10,
        events=(Event(14, "dropped", -0.12, "fell off the tailgate"),),
    ),
    _north(9, 12, 14, start_pct=-0.01, events=(Event(24, "mark_slipped", 0.19),)),
    _north(10, 12, 21, draw=8, events=(Event(15, "water", 0.08),), remedy="dry"),
    _north(11, 12, 22, start_pct=0.01, events=(Event(11, "hand_knocked", -0.16),), remedy="hand"),
    _north(
        12,
        12,
        16,
        draw=7,
        events=(Event(20, "leak", 0.09, "hisses at the petcock, seal on order"),),
        remedy="none",
        status="withdrawn",
        remarks="withdrawn after its last visit, air leak",
    ),
    _south(13, 10, 20, start_pct=-0.02),
    _south(14, 10, 27, start_pct=-0.03),
    _south(15, 11, 3, start_pct=0.0, replicates=2),
    _south(
        16, 11, 10, start_pct=-0.02, chamber_bowl_ratio=0.048, maker="second maker", model="dial 8"
    ),
    _south(17, 11, 17, start_pct=-0.01, resolution_pct=0.1, noise_pct=0.03, remarks="old dial"),
    _south(18, 11, 24, visits=22, start_pct=-0.02),
    Meter(
        "AM-19",
        "south",
        date(2025, 11, 25),
        visits=4,
        start_pct=-0.03,
        in_service_on=date(2025, 11, 20),
        maker="second maker",
        model="dial 9",
        remarks="new",
    ),
    _south(
        20,
        12,
        8,
        visits=15,
        noise_pct=0.05,
        drift_pct_per_year=-0.05,
        status="retired",
        remarks="retired in 2024, no longer repeats",
    ),
    _south(
        21, 12, 15, start_pct=-0.02, drift_pct_per_year=0.01, events=(Event(19, "no_as_found"),)
    ),
    _south(
        22,
        12,
        22,
        noise_pct=0.035,
        events=(Event(9, "new_gauge", 0.0, "hand sticks"),),
        status="on_loan",
        remarks="lent to the precast plant, comes back for each calibration",
    ),
    _south(23, 11, 18, visits=12, interval_days=182, start_pct=-0.02, zero_with_mark=True),
    _south(24, 12, 1, start_pct=-0.03, routine_as_left=True),
)

# Noise of a new gauge, % air.
NEW_GAUGE_NOISE_PCT = 0.02

SLIPS = (
    Slip("readings", "reading_air_pct", "47", meter_id="AM-01", visit=9, replicate=2),
    Slip("readings", "reading_air_pct", "5.O5", meter_id="AM-14", visit=5, replicate=1),
    Slip("readings", "performed_on", "2023-02-30", meter_id="AM-15", visit=10, replicate=2),
    Slip("readings", "stage", "after repair", meter_id="AM-03", visit=15, draws=2, replicate=2),
    Slip("readings", "", meter_id="AM-13", visit=12, replicate=3),
    Slip("readings", "meter_id", "", meter_id="AM-16", visit=7, draws=0, replicate=3),
    Slip("marks", "action", "checked", meter_id="AM-02", nth=4),
    Slip("service", "performed_on", "11/07/22", meter_id="AM-05"),
    Slip("field_tests", "air_pct", "n/a", meter_id="AM-14", nth=5),
)

RESPONSES = (
    Response(
        "AM-08",
        14,
        10,
        "individuals",
        "beyond_limits",
        2,
        "meter fell a week before; bowl, clamps and dial glass sound",
        "kept in use, next visit brought forward",
    ),
    Response(
        "AM-11",
        11,
        10,
        "individuals",
        "beyond_limits",
        5,
        "hand loose on its shaft, cause not known",
        "hand reset and secured",
    ),
    Response(
        "AM-10",
        23,
        10,
        "individuals",
        "beyond_limits",
        9,
        "readings scatter, water suspected in the chamber",
        "chamber dried",
    ),
    Response("", 0, 0, "", "", -20, "entered for the wrong signal", "none"),
)
UNKNOWN_SIGNAL_ID = "S-0000000000"


@dataclass(frozen=True, slots=True)
class Decision:
    """What became of results since the last good visit before number `visit`, found outside."""

    meter_id: str
    visit: int
    decided_on: date
    decision: str
    told_on: date | None = None


DECISIONS = (
    Decision(
        "AM-11",
        11,
        date(2023, 6, 29),
        "results since 23 March 2023 told to the customer",
        date(2023, 6, 30),
    ),
    Decision("AM-10", 23, date(2026, 6, 26), "no result was near a limit; results stand"),
)


@dataclass(frozen=True, slots=True)
class Noted:
    """One entry of the journal: when (UTC), of what kind, why, what, and about which meter."""

    at: str
    kind: str
    meter_id: str
    why: str = ""
    what: str = ""


# Readings of this meter and visit (5 % point, as found) were typed once more, for a meter that is
# none, at the end of the file, and withdrawn.
STRAY = ("AM-24", 20)
STRAY_NOTED = Noted(
    "2025-09-08T09:12:00+00:00",
    "withdrawal",
    "AM-42",
    "typed twice, once for a meter that does not exist",
)
NOTED = (
    Noted(
        "2026-06-25T14:05:00+00:00",
        "response",
        "AM-10",
        what="S-d755f0140d: readings scatter, water suspected in the chamber; chamber dried",
    ),
    Noted(
        "2026-06-26T08:40:00+00:00",
        "decision",
        "AM-10",
        what="D-0002 about AM-10 on 2026-06-16: no result was near a limit; results stand",
    ),
)
NOTED_BY_VERSION = "0.3.0"

# Job-site tests.  The specification 4.5 to 7.5 % is invented, of a usual kind.
SPEC_PCT = ("4.5", "7.5")
FIELD_METERS = ("AM-01", "AM-04", "AM-08", "AM-14", "AM-22")
FAILED_METER = "AM-09"
# Between its last two visits (2026-06-05 and 2026-09-03); it then read about 0.13 % high.
SUSPECT_TESTS = (
    (date(2026, 6, 4), "5.9", "footing F-11"),  # the day before the last good visit
    (date(2026, 6, 9), "5.8", "footing F-12"),
    (date(2026, 6, 11), "6.1", "footing F-13"),
    (date(2026, 6, 18), "5.3", "wall W-4"),
    (date(2026, 6, 25), "4.6", "wall W-5"),
    (date(2026, 7, 2), "6.6", "deck pour D-1"),
    (date(2026, 7, 3), "6.0", "deck pour D-1"),
    (date(2026, 7, 14), "7.5", "deck pour D-2"),
    (date(2026, 7, 16), "5.5", "deck pour D-2"),
    (date(2026, 7, 23), "4.5", "deck pour D-3"),
    (date(2026, 7, 30), "6.2", "barrier B-7"),
    (date(2026, 8, 6), "7.6", "barrier B-8"),
    (date(2026, 8, 13), "5.7", "barrier B-9"),
    (date(2026, 8, 20), "5.1", "approach slab A-1"),
    (date(2026, 8, 27), "6.4", "approach slab A-2"),
    (date(2026, 9, 8), "5.6", "approach slab A-3"),  # after it was put right
)
