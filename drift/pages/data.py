"""This module names what each page holds, ready for a template; it computes and formats nothing.

Numbers and dates stay numbers and dates: the templates turn them into text through the filters of
`drift.format`.  None is "cannot say" unless the attribute says otherwise.
"""

from dataclasses import dataclass
from datetime import date

from drift.figures.canvas import Word
from drift.pages.conformity_data import ConformityPart, FleetConformity
from drift.pages.interval_data import IntervalPart, ScopePart
from drift.pages.phases import ComparedRow
from drift.pages.reference_data import BenchPart, ReferencePart
from drift.pages.since_data import SincePart


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture with what it shows and what to conclude.

    Attributes
    ----------
    name : str
        Anchor within the page.
    title : str
        Heading of the figure.
    svg : str
        The marks of the picture, trusted markup.
    words : tuple of Word
        What is written on the picture.
    width, height : int
        Of the picture, in pixels.
    label : str
        What a reader who cannot see it is told.
    shows : str
        What is drawn.
    conclude : str
        What follows from it, computed from the data.
    key : tuple of str
        Names of the marks that the key explains, each with a glyph in the template.
    """

    name: str
    title: str
    svg: str
    words: tuple[Word, ...]
    width: int
    height: int
    label: str
    shows: str
    conclude: str
    key: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sparkline:
    """A small path in a box of 100 by 30: points as SVG reads them, and the tolerance strip.

    Attributes
    ----------
    points : str
        Coordinates of the path.
    strip_top, strip_height : str
        Where ±tolerance lies in the box.
    end_x, end_y : str
        The last point.
    label : str
        The path in words.
    last : float
        Where it ends, % air.
    """

    points: str
    strip_top: str
    strip_height: str
    end_x: str
    end_y: str
    label: str
    last: float


@dataclass(frozen=True, slots=True)
class Bar:
    """Level and forecast of a meter in a box that all meters share the scale of, as SVG reads it.

    Attributes
    ----------
    strip_left, strip_width : str
        Where ±tolerance lies.
    band_left, band_width, tick : str
        Band of the mean that the next visit will find, and true bias then; empty where not known.
    level : str
        The bias now.
    beyond : {"", "left", "right"}
        The end of the scale beyond which the bias lies.
    label : str
        All of it in words.
    """

    strip_left: str
    strip_width: str
    band_left: str
    band_width: str
    tick: str
    level: str
    beyond: str
    label: str


@dataclass(frozen=True, slots=True)
class Crossing:
    """When the tolerance is left, in words; interval is empty where none can be given.

    sort is by what it is sorted: an ISO date, or words that come after every date.
    """

    when: str
    interval: str
    sort: str


@dataclass(frozen=True, slots=True)
class MeterRow:
    """One meter as `data/meters.csv` has it, with where its dossier is.

    Attributes
    ----------
    crossing : Crossing
        When it leaves the tolerance.
    next_due_on : date or None
        None where nothing is due.
    obligations : tuple of str
        Tokens of `drift.decisions.obligations`, strongest first.
    retired : bool
        Whether it is out of use for good.
    sparkline : Sparkline or None
        None where no path is known.
    bar : Bar or None
        None where no level is known.
    """

    meter_id: str
    file: str
    standing: str
    overdue: bool
    retired: bool
    reason: str
    action: str
    obligations: tuple[str, ...]
    last_visit_on: date
    next_due_on: date | None
    visits: int
    point_pct: float | None
    found_pct: float | None
    level_pct: float | None
    drift: float | None
    drift_low: float | None
    drift_high: float | None
    resolution_limited: bool
    p_out: float | None
    crossing: Crossing
    repeatability_pct: float | None
    sparkline: Sparkline | None
    bar: Bar | None


@dataclass(frozen=True, slots=True)
class SignalRow:
    """One signal, its age, and the response to it; answered_on is None where there is none."""

    signal_id: str
    meter_id: str
    file: str
    visit_on: date
    age_days: int
    point_pct: float
    chart: str
    sentence: str
    answered_on: date | None
    response: str


@dataclass(frozen=True, slots=True)
class StrayResponse:
    """One response that answers no signal, and why."""

    signal_id: str
    recorded_on: date
    recorded_by: str
    said: str
    problem: str


@dataclass(frozen=True, slots=True)
class HeldBackRow:
    """One row that was not used; line is None where the file gives none."""

    file: str
    line: int | None
    column: str
    reason: str


@dataclass(frozen=True, slots=True)
class FileRow:
    """One input file and what became of its rows."""

    file: str
    sha256: str
    table_name: str
    rows: int
    taken: int
    held_back: int
    known: int
    amended: int
    note: str


@dataclass(frozen=True, slots=True)
class Choice:
    """One number of the policy: its name in the file, its value and its meaning."""

    name: str
    value: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Stamp:
    """What a page speaks for: program version, date, source and the choices in force."""

    version: str
    as_of: date
    source_name: str
    tolerance_pct: float
    band_level: float
    trend_level: float


@dataclass(frozen=True, slots=True)
class FleetPage:
    """The fleet review; lists that would be long are cut, their totals are not."""

    stamp: Stamp
    lead: tuple[str, ...]
    since: SincePart | None
    reference: ReferencePart
    conformity: FleetConformity
    standings: tuple[tuple[str, int], ...]
    ranks: dict[str, int]
    urgent: tuple[MeterRow, ...]
    urgent_total: int
    watched: tuple[MeterRow, ...]
    watched_total: int
    overdue: tuple[MeterRow, ...]
    meters: tuple[MeterRow, ...]
    fleet: Figure
    intervals: IntervalPart
    survival: Figure | None
    paths: Figure | None
    open_signals: tuple[SignalRow, ...]
    open_signals_total: int
    stray_responses: tuple[StrayResponse, ...]
    stray_responses_total: int
    held_back: tuple[HeldBackRow, ...]
    never_read: tuple[str, ...]
    held_back_rows: int
    held_back_total: int
    policy: tuple[Choice, ...]
    files: tuple[FileRow, ...]


@dataclass(frozen=True, slots=True)
class PointReading:
    """What was read at one point of one visit, % air; None where not read or not known."""

    found_pct: float | None
    left_pct: float | None
    step_pct: float | None
    path_pct: float | None
    out: bool


@dataclass(frozen=True, slots=True)
class VisitRow:
    """One visit: points in the order of the page; adjusted and lost concern any of them."""

    performed_on: date
    points: tuple[PointReading | None, ...]
    adjusted: bool
    evidence_lost: bool
    signals: int
    vessel_id: str
    operator: str
    events: str
    remarks: str


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One sitting as it was read: replicates in their order, each as the dial showed it, % air."""

    performed_on: date
    stage: str
    point_pct: float
    correct_pct: float | None
    read_pct: tuple[float, ...]
    resolution_pct: float | None
    water_temp_c: float | None
    vessel_id: str
    operator: str
    remarks: str


@dataclass(frozen=True, slots=True)
class LimitRow:
    """Where the limits of one chart, point and phase come from."""

    chart: str
    point_pct: float
    phase: int
    centre: float | None
    sigma: float | None
    points: int
    first_on: date | None
    last_on: date | None
    alarms: str
    estimator: str
    note: str


@dataclass(frozen=True, slots=True)
class TrendRow:
    """Trend and forecast at one point; verdict is that of `drift.frames.PATH_TRENDS`.

    at_due and its band are of the true bias, next_mean_low and next_mean_high of what the next
    visit's mean will show.
    """

    point_pct: float
    visits: int
    drift: float | None
    low: float | None
    high: float | None
    p: float | None
    q: float | None
    verdict: str | None
    slope: float | None
    slope_low: float | None
    slope_high: float | None
    sen_slope: float | None
    sen_low: float | None
    sen_high: float | None
    kendall_p: float | None
    level: float | None
    at_due: float | None
    at_due_low: float | None
    at_due_high: float | None
    next_mean_low: float | None
    next_mean_high: float | None
    p_out: float | None
    crossing: Crossing


@dataclass(frozen=True, slots=True)
class EventRow:
    """One service event or mark record."""

    performed_on: date
    what: str
    operator: str
    remarks: str


@dataclass(frozen=True, slots=True)
class DossierPage:
    """The dossier of one meter; earlier and later are its neighbours in the order of the review."""

    stamp: Stamp
    meter: MeterRow
    facts: tuple[tuple[str, str], ...]
    brief: tuple[str, ...]
    bench: BenchPart
    interval: ScopePart | None
    conformity: ConformityPart
    story: Figure
    figures: tuple[Figure, ...]
    not_drawn: str
    points_pct: tuple[float, ...]
    trends: tuple[TrendRow, ...]
    visits: tuple[VisitRow, ...]
    readings: tuple[ReadingRow, ...]
    signals: tuple[SignalRow, ...]
    limits: tuple[LimitRow, ...]
    compared: tuple[ComparedRow, ...]
    events: tuple[EventRow, ...]
    noted: tuple[str, ...]
    earlier: MeterRow | None
    later: MeterRow | None
