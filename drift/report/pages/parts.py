"""This module names what several pages hold, ready for a template.

Numbers and dates stay numbers and dates: the templates turn them into text through the filters of
`drift.format`.  None is "cannot say" unless the attribute says otherwise.
"""

import hashlib
import re
import unicodedata
from dataclasses import dataclass
from datetime import date

from drift import format as text
from drift.review.clauses.clause import Clause

_LONGEST = 48
# Names that Windows keeps for devices, with or without an extension (Microsoft, "Naming Files,
# Paths, and Namespaces"; list from memory).
_DEVICES = {"CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"} | {
    f"{device}{number}" for device in ("COM", "LPT") for number in range(10)
}
# No lower-case letter: on a disk that ignores case, names that are kept as they are must differ.
_KEPT = re.compile(r"[A-Z0-9](?:[A-Z0-9._-]*[A-Z0-9_])?")
_MARK = "~"


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
        Tokens of `drift.review.obligations`, strongest first.
    retired : bool
        Whether it is out of use for good.
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
class SignalVisit:
    """The open signals of one meter and visit.

    Attributes
    ----------
    seen : tuple of (str, str)
        Where, and what was seen.
    ids : tuple of str
        Of the signals.
    command : str
        What records a response to each, its words left to be filled in.
    """

    meter_id: str
    file: str
    visit_on: date
    age_days: int
    seen: tuple[tuple[str, str], ...]
    ids: tuple[str, ...]
    command: str


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
    """What a page speaks for: version, laboratory (may be empty), date, source and choices."""

    version: str
    laboratory: str
    as_of: date
    source_name: str
    tolerance_pct: float
    band_level: float
    trend_level: float


@dataclass(frozen=True, slots=True)
class TrendRow:
    """Trend and forecast at one point; verdict is that of `drift.trend.path_trend.PATH_TRENDS`.

    slope is the least-squares line's, robust_slope Huber's, known_slope that under the noise and
    wander found; residuals says in words what is left of the path about the least-squares line.
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
    slope_p: float | None
    robust_slope: float | None
    robust_low: float | None
    robust_high: float | None
    known_slope: float | None
    known_low: float | None
    known_high: float | None
    sen_slope: float | None
    sen_low: float | None
    sen_high: float | None
    kendall_p: float | None
    residuals: str
    level: float | None
    at_due: float | None
    at_due_low: float | None
    at_due_high: float | None
    next_mean_low: float | None
    next_mean_high: float | None
    p_out: float | None
    crossing: Crossing


def dated(name: str) -> str:
    """Return a name with the dates of calibrations and of bowls written as pages write dates."""
    return re.sub(
        r"( calibrated | measured )(\d{4}-\d\d-\d\d)(?=$| to |; )",
        lambda found: f"{found[1]}{text.day(date.fromisoformat(found[2]))}",
        name,
    )


@dataclass(frozen=True, slots=True)
class Part:
    """Requirements of one document on one subject.

    Attributes
    ----------
    anchor, title : str
        Name in the page and heading.
    clauses : tuple of Clause
        What the records show of each.
    dossiers : tuple of tuple of (str, str)
        For each clause, link and name of the meters that it rests on.
    """

    anchor: str
    title: str
    clauses: tuple[Clause, ...]
    dossiers: tuple[tuple[tuple[str, str], ...], ...]


def file_name(meter_id: str) -> str:
    """Return a file name for a meter's page: readable, safe anywhere, different for every id.

    Parameters
    ----------
    meter_id : str
        Any text.

    Notes
    -----
    An id of capital letters, digits and ``._-`` keeps its name.  Any other becomes what can be
    read of it, a tilde and ten hexadecimal digits of the SHA-256 of the id; no kept name holds a
    tilde, so the two kinds never meet.
    """
    kept = (
        _KEPT.fullmatch(meter_id) is not None
        and len(meter_id) <= _LONGEST
        and meter_id.split(".", maxsplit=1)[0] not in _DEVICES
    )
    if kept:
        return f"{meter_id}.html"
    ascii_only = unicodedata.normalize("NFKD", meter_id).encode("ascii", "ignore").decode()
    readable = re.sub(r"[^a-z0-9_]+", "-", ascii_only.lower()).strip("-")[:_LONGEST].strip("-")
    digest = hashlib.sha256(meter_id.encode("utf-8", "surrogatepass")).hexdigest()[:10]
    return f"{readable or 'meter'}{_MARK}{digest}.html"
