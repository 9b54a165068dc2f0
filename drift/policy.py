"""This module holds every number a laboratory may choose, and reads them from a TOML file."""

import dataclasses
import difflib
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, TypeVar, get_args

from drift.decisions.interval_choices import INTERVAL_BOUNDS, IntervalChoices
from drift.decisions.retirement_choices import RETIREMENT_BOUNDS, RetirementChoices
from drift.errors import PolicyError

COMPARISONS = ("absolute", "rounding")
# As `drift.stats.normalised_error` names them; that module is slow to load.
VESSEL_UNCERTAINTIES = ("stated", "larger")

_INTERVALS, _RETIREMENT = IntervalChoices(), RetirementChoices()


@dataclass(frozen=True, slots=True)
class Policy:
    """What a laboratory may choose; each report prints it.

    Attributes
    ----------
    tolerance_pct : float
        Largest bias that passes, % air.  Common practice; ASTM C231 annex A1 and AASHTO T 152,
        from memory, to be checked against the current edition.
    comparison : {"absolute", "rounding"}
        How a bias is compared with the tolerance (ASTM E29, names of its two methods).
    decision_rule : {"simple_acceptance", "guarded_by_u", "guarded_by_083_u", "four_way"}
        How a bias and its uncertainty become a verdict: within the tolerance; the same with U, or
        0.83 of U, added; or with conditional verdicts within U of the tolerance (ILAC-G8).
    vessel_uncertainty : {"stated", "larger"}
        Which uncertainty of a vessel enters a budget where calibrations or meters contradict the
        stated one (E_n above 1, ISO/IEC 17043): the stated one, which is then said to be
        contradicted, or one as much larger as E_n asks.
    points_pct : tuple of float
        Nominal verification points, % air; a reading belongs to the nearest one within
        `point_window_pct`, else to its correct air content rounded to 1 %.
    point_window_pct : float
        How far the correct air content may lie from a nominal point, % air.
    required_points_pct : tuple of float
        Points that a calibration reads, % air; empty for those that each meter is kept at, which
        its last visits show.
    interval_days : int
        Days between visits of a meter whose own interval is not given.  Common practice, three
        months; from memory, to be checked against the current edition.
    resolution_pct : float
        Step a dial is read to where neither the reading nor the meter says so and the readings
        themselves do not show a finer one, % air.
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
    cusum_reference_sigmas, cusum_decision_sigmas : float
        Reference value k and decision interval h of the CUSUM, in standard deviations of one
        plotted point.
    trend_level : float
        Two-sided error probability of intervals on drift and of the trend tests.
    trend_visits : int
        Fewest drift steps and so visits from which a trend is tested, at least 3.
    false_discovery_rate : float
        Share of false findings accepted among meters said to drift.
    negligible_drift_pct_per_year : float
        Drift that does not matter, % air a year: a meter is shown steady when its drift is shown
        to be below this.
    stop_probability : float
        Probability of being out today from which a meter is not to be used.
    drifting_probability : float
        Probability of being out at the next due date from which a meter is called drifting.
    drift_reach_days : int
        A confirmed drift makes a meter drifting when it is expected to cross the tolerance within
        this many days, however likely the next visit is to find it in.
    untaken_readings_share : float
        Share of the rows of readings that could not be read, above which a review says so first.
    signal_days : int
        A signal without a response keeps a meter watched for this many days.
    rules : tuple of str
        Rules that may speak on a chart.
    fleet_meters : int
        Meters of the fleet, for what its charts can and cannot see.
    sound_sigma_pct : float
        Standard deviation of the as-found bias of a sound meter from visit to visit, % air, for
        the same purpose.
    horizon_days : int
        How far ahead a crossing date is looked for.
    band_level : float
        Coverage of the bands of forecasts and crossing dates.
    believable_level : float
        Coverage of the bands in which a fresh reading at the bench is believable.
    intervals : IntervalChoices
        How long meters may go unseen: the table ``[intervals]``.
    retirement : RetirementChoices
        Whether to keep a meter: the table ``[retirement]``.
    """

    tolerance_pct: float = 0.1
    comparison: str = "absolute"
    decision_rule: str = "simple_acceptance"
    vessel_uncertainty: str = "stated"
    points_pct: tuple[float, ...] = (0.0, 5.0, 10.0)
    point_window_pct: float = 1.0
    required_points_pct: tuple[float, ...] = ()
    interval_days: int = 91
    resolution_pct: float = 0.1
    baseline_visits: int = 7
    baseline_dates: tuple[str, ...] = ()
    phase_level: float = 0.1
    charts: tuple[str, ...] = ("individuals", "moving_range", "ewma", "mark")
    limits: str = "kept_rate"
    limit_sigmas: float = 3.0
    ewma_weight: float = 0.2
    cusum_reference_sigmas: float = 0.5
    cusum_decision_sigmas: float = 5.0
    trend_level: float = 0.05
    trend_visits: int = 6
    false_discovery_rate: float = 0.05
    negligible_drift_pct_per_year: float = 0.02
    stop_probability: float = 0.5
    drifting_probability: float = 0.5
    drift_reach_days: int = 365
    untaken_readings_share: float = 0.02
    signal_days: int = 365
    rules: tuple[str, ...] = ("beyond_limits",)
    fleet_meters: int = 24
    sound_sigma_pct: float = 0.03
    horizon_days: int = 1826
    band_level: float = 0.8
    believable_level: float = 0.99
    intervals: IntervalChoices = _INTERVALS
    retirement: RetirementChoices = _RETIREMENT


# Bounds outside which a value cannot be meant: field, lowest, highest (both inclusive); those of a
# table have its name before them.
# As of the column `correct_air_pct`.
_LARGEST_POINT_PCT = 30.0
BOUNDS: tuple[tuple[str, float, float], ...] = (
    ("tolerance_pct", 0.005, 10.0),
    ("point_window_pct", 0.0, 10.0),
    ("interval_days", 1, 3660),
    ("resolution_pct", 1e-6, 1.0),
    ("baseline_visits", 3, 1000),
    ("phase_level", 1e-4, 0.5),
    ("limit_sigmas", 1.0, 6.0),
    ("ewma_weight", 0.01, 1.0),
    ("cusum_reference_sigmas", 0.0, 5.0),
    ("cusum_decision_sigmas", 0.1, 20.0),
    ("fleet_meters", 1, 1_000_000),
    ("sound_sigma_pct", 1e-6, 1.0),
    ("trend_level", 1e-4, 0.5),
    ("trend_visits", 4, 1000),
    ("false_discovery_rate", 1e-4, 0.5),
    ("negligible_drift_pct_per_year", 1e-4, 10.0),
    ("stop_probability", 0.0, 1.0),
    ("drifting_probability", 0.0, 1.0),
    ("drift_reach_days", 0, 36600),
    ("untaken_readings_share", 0.0, 1.0),
    ("signal_days", 0, 36600),
    ("horizon_days", 1, 36600),
    ("band_level", 0.5, 0.999),
    ("believable_level", 0.5, 0.9999),
    *((f"intervals.{name}", low, high) for name, low, high in INTERVAL_BOUNDS),
    *((f"retirement.{name}", low, high) for name, low, high in RETIREMENT_BOUNDS),
)
# Of each pair the first may not exceed the second.
ORDERED = (
    ("intervals.shortest_days", "intervals.ceiling_days"),
    ("intervals.ceiling_days", "intervals.longest_days"),
    ("retirement.left_out_visits", "retirement.recent_adjustments"),
)
_FILE = "a TOML file of a few lines"
_LARGEST_FILE = 2**20
# As many as there are whole percents.
_MOST_POINTS = 31
# A value that stands alone in the file, or a list of such.
Value = float | int | str | tuple[float | str, ...]
_Choices = TypeVar("_Choices", bound=Policy | IntervalChoices | RetirementChoices)


def choices_of(policy: Policy) -> dict[str, Value]:
    """Return every choice of a policy by its name, those of a table as ``table.name``."""
    return dict(_flat(dataclasses.asdict(policy)))


def _flat(values: dict[str, object], before: str = "") -> Iterator[tuple[str, Value]]:
    """Yield what a policy holds, tables taken apart."""
    for name, value in values.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{before}{name}.")
        else:
            yield f"{before}{name}", value  # type: ignore[misc]  # no field of a policy holds else


def read_policy(path: Path | None) -> Policy:
    """Read a policy file over the defaults.

    Parameters
    ----------
    path : Path or None
        A TOML file whose keys are fields of `Policy`, and whose tables are those of its tables;
        None for the defaults alone.

    Raises
    ------
    PolicyError
        If the file cannot be read, or holds an unknown key, a wrong type or an impossible value.
    """
    if path is None:
        return Policy()
    _check_file(path)
    try:
        # Some editors put a byte order mark before what they save.
        given = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise PolicyError(
            what=f"cannot be read ({error.strerror})", where=str(path), expected="a TOML file"
        ) from error
    except (ValueError, RecursionError) as error:
        raise PolicyError(
            what=f"is not TOML ({error})",
            where=str(path),
            expected="lines such as interval_days = 91",
        ) from error
    try:
        policy = _over(Policy(), given, path=path)
        _check(path, policy)
    except (OverflowError, ValueError) as error:
        raise PolicyError(
            what="holds a number of more digits than can be meant", where=str(path), expected=_FILE
        ) from error
    return policy


def _check_file(path: Path) -> None:
    """Raise where reading could hang or never end."""
    if path.exists() and not path.is_file():
        raise PolicyError(what="cannot be read: it is no file", where=str(path), expected=_FILE)
    if path.exists() and path.stat().st_size > _LARGEST_FILE:
        raise PolicyError(what="is too long for a policy", where=str(path), expected=_FILE)


def _over(choices: _Choices, given: dict[str, object], *, path: Path, before: str = "") -> _Choices:
    """Return `choices`, which are the defaults, with what is given in their place, or raise."""
    fields = dataclasses.fields(choices)
    defaults = {field.name: field.default for field in fields}
    items = {field.name: (*get_args(field.type), str)[0]() for field in fields}
    chosen: dict[str, Any] = {}
    for key, value in given.items():
        default = defaults.get(key)
        if isinstance(default, IntervalChoices | RetirementChoices) and isinstance(value, dict):
            chosen[key] = _over(default, value, path=path, before=f"{before}{key}.")
        else:
            chosen[key] = _typed(path, key, value, defaults, item=items.get(key), before=before)
    return dataclasses.replace(choices, **chosen)


def _typed(
    path: Path,
    key: str,
    value: object,
    defaults: dict[str, object],
    *,
    item: object = None,
    before: str = "",
) -> object:
    """Return `value` in the type of the field `key`, or raise; `item` is like one of a list."""
    if key not in defaults:
        near = difflib.get_close_matches(key, defaults, n=1)
        raise PolicyError(
            what=f"unknown key {before + key!r}",
            where=str(path),
            expected=f"one of {', '.join(sorted(defaults))}",
            hint=_place_of(key) or (f"did you mean {before + near[0]!r}?" if near else ""),
        )
    default = defaults[key]
    if isinstance(default, float) and type(value) in {int, float}:
        return float(value)  # type: ignore[arg-type]  # known to be a number
    if isinstance(default, tuple) and isinstance(value, list):
        return tuple(_typed(path, key, one, {key: item}) for one in value)
    if isinstance(value, date):
        value = value.isoformat()
    if type(value) is type(default):
        return value
    raise PolicyError(
        what=f"{before}{key} = {value!r} has the wrong type",
        where=str(path),
        expected=(
            f"a table [{key}]" if dataclasses.is_dataclass(default) else f"a value like {default!r}"
        ),
    )


def _place_of(key: str) -> str:
    """Say where in the file a key that stands in the wrong place belongs, if anywhere."""
    for name in choices_of(Policy()):
        table, _, last = name.rpartition(".")
        if last == key:
            return f"it belongs in [{table}]" if table else "it belongs before the first table"
    return ""


def _check(path: Path, policy: Policy) -> None:
    """Raise if a value of `policy` cannot be meant."""
    values: dict[str, Any] = choices_of(policy)
    for key, low, high in BOUNDS:
        if not low <= values[key] <= high:
            raise PolicyError(
                what=f"{key} = {values[key]!r} is out of range",
                where=str(path),
                expected=f"a value from {low:g} to {high:g}",
            )
    if policy.comparison not in COMPARISONS:
        raise PolicyError(
            what=f"comparison = {policy.comparison!r} is unknown",
            where=str(path),
            expected=f"one of {', '.join(COMPARISONS)}",
        )
    if policy.vessel_uncertainty not in VESSEL_UNCERTAINTIES:
        raise PolicyError(
            what=f"vessel_uncertainty = {policy.vessel_uncertainty!r} is unknown",
            where=str(path),
            expected=f"one of {', '.join(VESSEL_UNCERTAINTIES)}",
        )
    _check_charts(path, policy)
    _check_dates(path, policy.baseline_dates)
    for less, more in ORDERED:
        if values[less] > values[more]:
            raise PolicyError(
                what=f"{less} exceeds {more}", where=str(path), expected=f"{less} at most {more}"
            )
    _check_points(path, "points_pct", policy.points_pct, fewest=1)
    _check_points(path, "required_points_pct", policy.required_points_pct, fewest=0)


def _check_points(path: Path, key: str, points: tuple[float, ...], *, fewest: int) -> None:
    """Raise unless `points` are different ones in order that a bowl can be filled to."""
    if len(points) < fewest or list(points) != sorted(set(points)):
        raise PolicyError(
            what=f"{key} = {list(points)} is not in ascending order",
            where=str(path),
            expected="different points in ascending order, such as [0, 5, 10]",
        )
    if len(points) > _MOST_POINTS:
        raise PolicyError(
            what=f"{key} has {len(points)} points",
            where=str(path),
            expected=f"at most {_MOST_POINTS}",
        )
    if not all(0 <= point <= _LARGEST_POINT_PCT for point in points):
        raise PolicyError(
            what=f"{key} = {list(points)} is out of range",
            where=str(path),
            expected=f"points from 0 to {_LARGEST_POINT_PCT:g} % air",
        )


def _check_dates(path: Path, dates: tuple[str, ...]) -> None:
    """Raise unless `dates` are none, or a first and a last day."""
    try:
        days = [date.fromisoformat(day) for day in dates]
    except ValueError:
        days = []
    if dates and (len(days) != 2 or days[0] >= days[1]):
        raise PolicyError(
            what=f"baseline_dates = {list(dates)} are not a first and a last day",
            where=str(path),
            expected='two dates in order, such as ["2022-01-01", "2023-06-30"], or none',
        )


def _check_charts(path: Path, policy: Policy) -> None:
    """Raise if a rule, a chart or a form of limits is unknown, naming the nearest."""
    # These bring the numeric libraries with them; the defaults need no check.
    from drift.stats.charts import MARKS, REPLICATES, SINGLE_POINTS  # noqa: PLC0415
    from drift.stats.charts.settings import FORMS  # noqa: PLC0415
    from drift.stats.conformity import DECISION_RULES  # noqa: PLC0415
    from drift.stats.rules import rules_named  # noqa: PLC0415

    for key, given, known in (
        ("charts", policy.charts, SINGLE_POINTS + REPLICATES + MARKS),
        ("limits", (policy.limits,), FORMS),
        ("decision_rule", (policy.decision_rule,), tuple(rule.name for rule in DECISION_RULES)),
    ):
        for name in given:
            if name not in known:
                near = difflib.get_close_matches(name, known, n=1)
                raise PolicyError(
                    what=f"{key}: {name!r} is unknown"
                    + (f": did you mean {near[0]!r}?" if near else ""),
                    where=str(path),
                    expected=f"among {', '.join(known)}",
                )
    for key, given in (("charts", policy.charts), ("rules", policy.rules)):
        if len(set(given)) < len(given):
            raise PolicyError(
                what=f"{key} names one twice", where=str(path), expected="each of them once"
            )
    if not policy.charts:
        raise PolicyError(what="charts is empty", where=str(path), expected="at least one chart")
    try:
        rules_named(policy.rules)
    except ValueError as error:
        raise PolicyError(
            what=f"rules: {error}", where=str(path), expected="names of rules that the charts know"
        ) from error
