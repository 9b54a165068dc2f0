"""This module holds every number a laboratory may choose, and reads them from a TOML file."""

import dataclasses
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from os import PathLike
from pathlib import Path
from typing import Any, TypeVar, get_args

from drift.errors import PolicyError
from drift.ids import did_you_mean, nearest_file
from drift.limits.choices import LimitChoices
from drift.meter.choices import ReadingChoices
from drift.places import check_place
from drift.reference.choices import CheckMeterChoices
from drift.review.policy_checks import check_choices
from drift.upkeep.choices import IntervalChoices, RetirementChoices, UpkeepChoices


@dataclass(frozen=True)
class Policy(ReadingChoices, LimitChoices, UpkeepChoices):
    """What a laboratory may choose; each report prints it.

    It is composed of what may be chosen in each domain, and adds what a review decides by.

    Attributes
    ----------
    laboratory : str
        Name of the laboratory, as its reports print it; empty for none.
    required_points_pct : tuple of float
        Points that a calibration reads, % air; empty for those that each meter is kept at, which
        its last visits show.
    stop_probability : float
        Probability of being out today from which a meter is not to be used.
    drifting_probability : float
        Probability of being out at the next due date from which a meter is called drifting.
    drift_reach_days : int
        A confirmed drift makes a meter drifting when it is expected to cross the tolerance within
        this many days, however likely the next visit is to find it in.
    untaken_readings_share : float
        Where a larger share of the rows of readings than this could not be read, a review says so
        first.
    signal_days : int
        A signal without a response keeps a meter watched for this many days.
    adjust_after : {"every_point", "zero"}
        What must be read as found before the bench page gives its advice on the mark: every point,
        or zero alone. With zero alone, what the meter did at the other points is lost.
    """

    laboratory: str = ""
    required_points_pct: tuple[float, ...] = ()
    stop_probability: float = 0.5
    drifting_probability: float = 0.5
    drift_reach_days: int = 365
    untaken_readings_share: float = 0.02
    signal_days: int = 365
    adjust_after: str = "every_point"

    @classmethod
    def from_file(cls, path: str | PathLike[str]) -> "Policy":
        """Read a policy file over the defaults, as ``--policy`` does.

        Parameters
        ----------
        path : str or path
            TOML file whose keys are choices.

        Raises
        ------
        PolicyError
            If it cannot be read, or holds an unknown key, a wrong type or an impossible value.

        Examples
        --------
        >>> import pathlib, tempfile, drift
        >>> path = pathlib.Path(tempfile.mkdtemp()) / "policy.toml"
        >>> _ = path.write_text("interval_days = 120")
        >>> drift.Policy.from_file(path).interval_days
        120
        """
        return read_policy(Path(path))

    def changed(self, **choices: object) -> "Policy":
        """Return a policy with some choices changed, checked as those of a file are.

        Parameters
        ----------
        **choices
            New values by name, in the units of the class's attributes; those of a table as a dict.

        Raises
        ------
        PolicyError
            If one is unknown, of a wrong type, or cannot be meant.

        Examples
        --------
        >>> import drift
        >>> strict = drift.Policy().changed(tolerance_pct=0.05, intervals={"target": 0.9})
        >>> strict.tolerance_pct, strict.intervals.target, strict.intervals.confidence
        (0.05, 0.9, 0.95)
        """
        held = tables_of(self)
        for name, value in choices.items():
            is_table = isinstance(value, dict) and isinstance(held.get(name), dict)
            held[name] = held[name] | value if is_table else value
        return _checked(_as_in_a_file(held), path=_IN_A_SCRIPT)


# Choices in the order in which they are printed and recorded.
_ORDER = (
    "laboratory",
    "tolerance_pct",
    "comparison",
    "decision_rule",
    "vessel_uncertainty",
    "scatter_study",
    "bowl_spread_pct",
    "unknown_bowl",
    "air_left_pct",
    "field_u_pct",
    "comparison_sd_pct",
    "points_pct",
    "point_window_pct",
    "required_points_pct",
    "interval_days",
    "resolution_pct",
    "baseline_visits",
    "baseline_dates",
    "phase_level",
    "charts",
    "limits",
    "limit_sigmas",
    "ewma_weight",
    "cusum_reference_sigmas",
    "cusum_decision_sigmas",
    "trend_level",
    "trend_visits",
    "false_discovery_rate",
    "negligible_drift_pct_per_year",
    "stop_probability",
    "drifting_probability",
    "drift_reach_days",
    "untaken_readings_share",
    "signal_days",
    "adjust_after",
    "rules",
    "fleet_meters",
    "sound_sigma_pct",
    "leak_limit",
    "leak_limit_unit",
    "horizon_days",
    "band_level",
    "believable_level",
    "intervals",
    "retirement",
)

# The table of a records folder's file that says where things are.
FOLDER_TABLE = "places"
_FILE = "a TOML file of a few lines"
# Where choices stand that no file holds.
_IN_A_SCRIPT = Path("policy")
_LARGEST_FILE = 2**20
# A value that stands alone in the file, or a list of such.
_Value = float | int | str | tuple[float | str, ...]
_Choices = TypeVar("_Choices", bound=Policy | IntervalChoices | RetirementChoices)


def tables_of(policy: Policy) -> dict[str, Any]:
    """Return every choice of a policy by its name, each table as a dict of its own."""
    held = dataclasses.asdict(policy)
    return {name: held[name] for name in _ORDER}


def choices_of(policy: Policy) -> dict[str, _Value]:
    """Return every choice of a policy by its name, those of a table as ``table.name``."""
    return dict(_flat(tables_of(policy)))


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
    if isinstance(given.get(FOLDER_TABLE), dict):
        # Where things are, in the file of a records folder; no choice of a policy.
        del given[FOLDER_TABLE]
    return _checked(given, path=path)


def check_policy(policy: Policy) -> Policy:
    """Return a policy that was made in a script, held to what a file is held to.

    Raises
    ------
    PolicyError
        If a choice is of a wrong type or cannot be meant.
    """
    return policy.changed()


def _checked(given: dict[str, Any], *, path: Path) -> Policy:
    """Return the defaults with what is given in their place, or raise."""
    try:
        policy = _over(Policy(), given, path=path)
        check_choices(path, dict(choices_of(policy)))
    except (OverflowError, ValueError) as error:
        raise PolicyError(
            what="holds a number of more digits than can be meant", where=str(path), expected=_FILE
        ) from error
    return policy


def _as_in_a_file(value: Any) -> Any:  # noqa: ANN401 (whatever a caller gave)
    """Return choices with tuples as lists, as TOML has them."""
    if isinstance(value, dict):
        return {name: _as_in_a_file(one) for name, one in value.items()}
    if isinstance(value, tuple | list):
        return [_as_in_a_file(one) for one in value]
    return value


def _check_file(path: Path) -> None:
    """Raise where reading could hang or never end, or what is read may be another file tomorrow."""
    check_place(path, raised=PolicyError, expected=_FILE)
    if not path.exists():
        hint = nearest_file(path)
        raise PolicyError(what="does not exist", where=str(path), expected=_FILE, hint=hint)
    if path.is_dir():
        raise PolicyError(what="is a folder", where=str(path), expected=_FILE)
    if path.is_file() and path.stat().st_size > _LARGEST_FILE:
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
        raise PolicyError(
            what=f"unknown key {before + key!r}",
            where=str(path),
            expected=f"one of {', '.join(sorted(defaults))}",
            hint=_place_of(key) or did_you_mean(key, defaults, before=before),
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


def check_meter_choices(policy: Policy) -> CheckMeterChoices:
    """Return what a policy chooses that bears on verdicts by check meters."""
    return CheckMeterChoices(
        false_discovery_rate=policy.false_discovery_rate,
        tolerance_pct=policy.tolerance_pct,
        negligible_drift_pct_per_year=policy.negligible_drift_pct_per_year,
        ewma_weight=policy.ewma_weight,
        limit_sigmas=policy.limit_sigmas,
        baseline_visits=policy.baseline_visits,
    )
