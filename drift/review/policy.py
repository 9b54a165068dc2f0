"""This module holds every number a laboratory may choose, and reads them from a TOML file."""

import dataclasses
import difflib
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, TypeVar, get_args

from drift.errors import PolicyError
from drift.review.policy_checks import check_choices
from drift.upkeep.choices import IntervalChoices, RetirementChoices

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


_FILE = "a TOML file of a few lines"
_LARGEST_FILE = 2**20
# A value that stands alone in the file, or a list of such.
_Value = float | int | str | tuple[float | str, ...]
_Choices = TypeVar("_Choices", bound=Policy | IntervalChoices | RetirementChoices)


def choices_of(policy: Policy) -> dict[str, _Value]:
    """Return every choice of a policy by its name, those of a table as ``table.name``."""
    return dict(_flat(dataclasses.asdict(policy)))


def _flat(values: dict[str, object], before: str = "") -> Iterator[tuple[str, _Value]]:
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
        check_choices(path, dict(choices_of(policy)))
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
