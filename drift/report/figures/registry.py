"""This module lists every figure: its chart, and the named data that the chart is drawn over.

To add one: a function in a module of this folder that returns its chart, and a row in `FIGURES`.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from drift.report.figures import fleet
from drift.report.figures.chain import (
    COMPARED_DATA,
    VESSEL_DATA,
    comparisons_over_time,
    vessel_values_over_time,
)
from drift.report.figures.impact import doubtful_span
from drift.report.figures.meter_cause import CAUSE_DATA, meter_cause
from drift.report.figures.meter_checks import CHECK_DATA, meter_checks
from drift.report.figures.meter_control import (
    CONTROL_DATA,
    LINES_DATA,
    control_heights,
    meter_control,
    meter_lines,
)
from drift.report.figures.meter_history import HISTORY_DATA, history_heights, meter_history
from drift.report.figures.repeatability import scatter_parts, who_differs
from drift.report.figures.retirement import choice_costs, grounds_met
from drift.report.figures.studies import borne_out, noticed_drifts
from drift.report.figures.survival import time_in_tolerance
from drift.report.figures.theme import Chart


@dataclass(frozen=True, slots=True)
class Figure:
    """One kind of figure.

    Attributes
    ----------
    name : str
        By which pages and `import drift` know it.
    shows : str
        What is drawn, in a few words.
    build : callable
        Gives the chart over `altair.NamedData`, without rows: one view, layers, or a column of
        views of one width, so that a page can fit it to its own width.  A view of a column that
        is named ``panel_2`` is drawn only where a data set has a row whose ``panel`` is 2, one
        that is named ``if_tests`` only where the data set ``tests`` has a row.
    data : mapping of str to tuple of str
        Columns of each data set by its name; a chart may use no others.
    per_meter : bool
        Whether its rows are those of one meter.
    heights : callable or None
        Gives the heights of views of a column by their place, from the parameters, where these
        say how high each is; pages work them out by the parameters ``height_1`` and so on.
    """

    name: str
    shows: str
    build: Callable[[], Chart]
    data: Mapping[str, tuple[str, ...]]
    per_meter: bool = False
    heights: Callable[[Mapping[str, float]], dict[int, float]] | None = None


FIGURES: Mapping[str, Figure] = {
    figure.name: figure
    for figure in (
        Figure(
            name="retirement_costs",
            shows="expected cost of each choice, with its range",
            build=choice_costs,
            data={"costs": ("choice", "advised", "expected", "low", "high", "failed", "out")},
            per_meter=True,
        ),
        Figure(
            name="meter_history",
            shows="what was found at each point of a meter, with what happened to it",
            build=meter_history,
            data=HISTORY_DATA,
            per_meter=True,
            heights=history_heights,
        ),
        Figure(
            name="meter_cause",
            shows="what a meter shows at 0, 5 and 10 % against what one fault does there",
            build=meter_cause,
            data=CAUSE_DATA,
            per_meter=True,
        ),
        Figure(
            name="meter_lines",
            shows="every control chart of a meter in a line, between its limits",
            build=meter_lines,
            data=LINES_DATA,
            per_meter=True,
        ),
        Figure(
            name="meter_control",
            shows="one control chart of a meter in full",
            build=meter_control,
            data=CONTROL_DATA,
            per_meter=True,
            heights=control_heights,
        ),
        Figure(
            name="meter_checks",
            shows="checks of one kind between calibrations, with their slow mean and its limits",
            build=meter_checks,
            data=CHECK_DATA,
            per_meter=True,
        ),
        Figure(
            name="retirement_grounds",
            shows="how far each ground for not keeping a meter is towards its limit",
            build=grounds_met,
            data={
                "grounds": (
                    *("meter", "ground", "shown", "beyond", "met"),
                    *("found", "limit", "verdict", "number"),
                ),
                "others": ("meter", "ground", "shown", "found", "limit", "verdict"),
            },
        ),
        Figure(
            name="scatter_parts",
            shows="what the readings of a study scatter by, each part with its interval",
            build=scatter_parts,
            data={
                "parts": (
                    *("part", "sd", "sd_words", "low", "end", "beyond"),
                    *("limits", "share"),
                ),
                "tolerance": ("edge",),
            },
        ),
        Figure(
            name="who_differs",
            shows="how far each operator of a study reads from the others",
            build=who_differs,
            data={
                "levels": ("name", "value", "low", "high", "stands_out", "words", "limits"),
            },
        ),
        Figure(
            name="doubtful_span",
            shows="bias and chance that a meter was out, day by day, with the field tests it made",
            build=doubtful_span,
            data={
                "path": ("panel", "point", "on", "bias", "low", "high", "out", "been_out", "told"),
                "visits": (
                    *("panel", "point", "on", "stage", "bias", "outside"),
                    *("operator", "vessel", "remarks"),
                ),
                "tests": ("on", "test", "air", "verdict", "wrong", "doubtful", "remarks"),
                "drops": ("on",),
                "panels": ("panel", "point", "upper", "lower", "end_at"),
            },
            per_meter=True,
        ),
        Figure(
            name="noticed_drifts",
            shows="how far a steady drift has gone by the time that something notices it",
            build=noticed_drifts,
            data={
                "drifts": ("monitor", "drift", "bias", "years", "within", "first", "label_at"),
                "tolerance": ("edge",),
            },
        ),
        Figure(
            name="borne_out",
            shows="share of past forecasts that came true against what was forecast",
            build=borne_out,
            data={
                "bands": ("forecast", "share", "low", "high", "forecasts", "enough"),
                "ideal": ("forecast", "share"),
            },
        ),
        Figure(
            name="time_in_tolerance",
            shows="share of stretches in tolerance that still last, by their age",
            build=time_in_tolerance,
            data={
                "curve": ("days", "low", "high", "law", "still", "dot"),
                "lines": ("words", "at", "aimed", "label_at"),
                "present": ("days", "words"),
            },
        ),
        Figure(
            name="fleet_bias",
            shows="where each meter of a group is and will be when due",
            build=fleet.group_bias,
            data={
                "meters": (
                    "row",
                    "meter",
                    "tone",
                    "level",
                    "due",
                    "low",
                    "high",
                    "now",
                    "then",
                    "chance",
                )
            },
        ),
        Figure(
            name="fleet_bias_axis",
            shows="the axis over where meters are",
            build=fleet.bias_axis,
            data={"ticks": ("at", "label", "limit")},
        ),
        Figure(
            name="fleet_history",
            shows="what each meter of a group was found at, visit by visit",
            build=fleet.group_history,
            data={"paths": ("row", "meter", "t", "v")},
        ),
        Figure(
            name="fleet_strip",
            shows="where the meters of a group are that have no row of their own",
            build=fleet.group_strip,
            data={"meters": ("meter", "tone", "level", "now", "chance")},
        ),
        Figure(
            name="vessel_values",
            shows="what each vessel stood for at each calibration, and where it was expected",
            build=vessel_values_over_time,
            data=VESSEL_DATA,
        ),
        Figure(
            name="comparisons",
            shows="how far results in use are from what they were compared with",
            build=comparisons_over_time,
            data=COMPARED_DATA,
        ),
        Figure(
            name="shared_effects",
            shows="what vessels and operators do to all meters read with them",
            build=fleet.shared_effects,
            data={"effects": ("name", "what", "effect", "low", "high", "found", "size")},
        ),
        Figure(
            name="visits_due",
            shows="visits that fall due, by week",
            build=fleet.visits_due,
            data={"due": ("week", "rank", "meter", "tone", "on"), "weeks": ("week", "count")},
        ),
    )
}
