"""This module says which choices of a laboratory can be meant."""

from datetime import date
from pathlib import Path
from typing import Any

from drift.errors import PolicyError
from drift.format import typed
from drift.ids import did_you_mean
from drift.upkeep.choices import INTERVAL_BOUNDS, RETIREMENT_BOUNDS

_COMPARISONS = ("absolute", "rounding")
# As `drift.reference.normalised_error` names them; that module is slow to load.
VESSEL_UNCERTAINTIES = ("stated", "larger")
# As `drift.conformity.bias_budget` names them.
UNKNOWN_BOWLS = ("told", "counted")
ADJUST_AFTER = ("every_point", "zero")
# As of the column `correct_air_pct`.
_LARGEST_POINT_PCT = 30.0
_LONGEST_NAME = 200
# As many as there are whole percents.
_MOST_POINTS = 31
# Bounds outside which a value cannot be meant: field, lowest, highest (both inclusive); those of a
# table have its name before them.
BOUNDS: tuple[tuple[str, float, float], ...] = (
    ("tolerance_pct", 0.005, 10.0),
    ("bowl_spread_pct", 0.0, 20.0),
    ("air_left_pct", 0.0, 1.0),
    ("field_u_pct", 0.0, 5.0),
    ("comparison_sd_pct", 0.0, 5.0),
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
    ("leak_limit", 0.0, 1e6),
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


def check_choices(path: Path, values: dict[str, Any]) -> None:
    """Raise if a choice cannot be meant.

    Parameters
    ----------
    path : Path
        The policy file, for what is said of it.
    values : dict of str to value
        Every choice by its name, those of a table as ``table.name``, in the type of its default.

    Raises
    ------
    PolicyError
        If one is out of its bounds, unknown, or contradicts another.
    """
    for key in ("laboratory", "leak_limit_unit"):
        name = values[key]
        if len(name) > _LONGEST_NAME or not name.isprintable():
            raise PolicyError(
                what=f"{key} is no name of one line",
                where=str(path),
                expected=f"at most {_LONGEST_NAME} letters that can be printed",
            )
    for key, low, high in BOUNDS:
        if not low <= values[key] <= high:
            raise PolicyError(
                what=f"{key} = {values[key]!r} is out of range",
                where=str(path),
                expected=f"a value from {typed(low)} to {typed(high)}",
            )
    for key, known in (
        ("comparison", _COMPARISONS),
        ("vessel_uncertainty", VESSEL_UNCERTAINTIES),
        ("unknown_bowl", UNKNOWN_BOWLS),
        ("adjust_after", ADJUST_AFTER),
    ):
        if values[key] not in known:
            raise PolicyError(
                what=f"{key} = {values[key]!r} is unknown",
                where=str(path),
                expected=f"one of {', '.join(known)}",
            )
    _check_charts(path, values)
    _check_dates(path, values["baseline_dates"])
    for less, more in ORDERED:
        if values[less] > values[more]:
            raise PolicyError(
                what=f"{less} exceeds {more}", where=str(path), expected=f"{less} at most {more}"
            )
    _check_points(path, "points_pct", values["points_pct"], fewest=1)
    _check_points(path, "required_points_pct", values["required_points_pct"], fewest=0)


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
            expected=f"points from 0 to {typed(_LARGEST_POINT_PCT)} % air",
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


def _check_charts(path: Path, values: dict[str, Any]) -> None:
    """Raise if a rule, a chart or a form of limits is unknown, naming the nearest."""
    # These bring the numeric libraries with them; the defaults need no check.
    from drift.conformity.decision_rules import DECISION_RULES  # noqa: PLC0415
    from drift.limits.choices import (  # noqa: PLC0415
        FORMS,
        MARKS,
        REPLICATES,
        SINGLE_POINTS,
    )
    from drift.limits.rules import rules_named  # noqa: PLC0415

    for key, given, known in (
        ("charts", values["charts"], SINGLE_POINTS + REPLICATES + MARKS),
        ("limits", (values["limits"],), FORMS),
        ("decision_rule", (values["decision_rule"],), tuple(rule.name for rule in DECISION_RULES)),
    ):
        for name in given:
            if name not in known:
                raise PolicyError(
                    what=f"{key}: {name!r} is unknown",
                    where=str(path),
                    expected=f"among {', '.join(known)}",
                    hint=did_you_mean(name, known),
                )
    for key, given in (("charts", values["charts"]), ("rules", values["rules"])):
        if len(set(given)) < len(given):
            raise PolicyError(
                what=f"{key} names one twice", where=str(path), expected="each of them once"
            )
    if not values["charts"]:
        raise PolicyError(what="charts is empty", where=str(path), expected="at least one chart")
    try:
        rules_named(values["rules"])
    except ValueError as error:
        raise PolicyError(
            what=f"rules: {error}", where=str(path), expected="names of rules that the charts know"
        ) from error
