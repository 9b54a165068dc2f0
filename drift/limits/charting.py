"""This module draws and judges all charts of a fleet at once, sharing estimates."""

import dataclasses
from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.beside import Threads
from drift.frames import DAYS_PER_YEAR, EPOCH, empty
from drift.limits.baseline_change import find_changes
from drift.limits.charts.cusum import ONSETS, draw_cusum, onsets_of
from drift.limits.charts.ewma import draw_ewma
from drift.limits.charts.individuals import draw_individuals, draw_moving_range
from drift.limits.charts.mark import (
    MARK_CHARTS,
    MoveSizes,
    mark,
    mark_charts,
    move_sizes,
    place_marks,
)
from drift.limits.charts.mean_and_spread import (
    draw_mean,
    draw_range,
    draw_repeatability,
    draw_spread,
)
from drift.limits.charts.prepare import prepare
from drift.limits.charts.replicates import prepare_replicates
from drift.limits.charts.shape import CHARTED, LIMITS, Charted
from drift.limits.choices import MARKS, REPLICATES, SINGLE_POINTS, ChartSettings, LimitChoices
from drift.limits.phase_tests import compare_phases
from drift.limits.rounding.borrowing import Lenders
from drift.limits.rules import apply_rules

# The rule that a mark may break: a mark stays where it is put, so that runs of it mean nothing.
_OF_MARKS = "beyond_limits"


@dataclass(frozen=True, slots=True)
class Charts:
    """The charts of a review.

    Attributes
    ----------
    charted, limits, findings : pl.DataFrame
        Frames of `drift.frames` for the as-found bias of every series.
    phases : pl.DataFrame
        Frame of `drift.limits.phase_tests.PHASES`.
    since : pl.DataFrame
        Frame of `drift.limits.baseline_change.BASELINE_CHANGES`: visits since each baseline against
        it.
    onsets : pl.DataFrame
        Frame of `drift.limits.charts.cusum.ONSETS`; empty where no CUSUM was asked for.
    marks, mark_findings : pl.DataFrame
        Frames of `MARK_CHARTS` and `drift.limits.rules.FINDINGS`, whose series count meters here.
    """

    charted: pl.DataFrame
    limits: pl.DataFrame
    findings: pl.DataFrame
    phases: pl.DataFrame
    since: pl.DataFrame
    onsets: pl.DataFrame
    marks: pl.DataFrame
    mark_findings: pl.DataFrame


@dataclass(frozen=True, slots=True)
class ChartLaws:
    """What meters that stand for a fleet lend to the charts of the others.

    Attributes
    ----------
    level, scatter : Lenders
        To charts of the level, which restart with a phase, and of the scatter, with a gauge.
    moves : MoveSizes
        Of `drift.limits.charts.mark.move_sizes`.
    meters : frozenset of str
        Names of these meters.
    """

    level: Lenders
    scatter: Lenders
    moves: MoveSizes
    meters: frozenset[str]


def learn_charts(
    ledger: pl.DataFrame, *, marks: pl.DataFrame, service: pl.DataFrame, policy: LimitChoices
) -> ChartLaws:
    """Learn from meters that stand for a fleet; arguments as for `draw_charts`."""
    points = _points(ledger)
    return ChartLaws(
        level=Lenders(points),
        scatter=Lenders(points.with_columns(phase=pl.col("gauge"))),
        moves=move_sizes(
            place_marks(marks, service=service, ledger=ledger), settings=chart_settings(policy)
        ),
        meters=frozenset(ledger["meter_id"]),
    )


def draw_charts(
    ledger: pl.DataFrame,
    *,
    marks: pl.DataFrame,
    service: pl.DataFrame,
    policy: LimitChoices,
    laws: ChartLaws | None = None,
) -> Charts:
    """Chart the as-found bias of every series and the mark of every meter.

    Parameters
    ----------
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    marks, service : pl.DataFrame
        Rows in force of those input tables.
    policy : LimitChoices
    laws : ChartLaws or None
        From `learn_charts`, where the ledger is of some meters of a fleet; None where of all.
    """
    settings = chart_settings(policy)
    wanted = tuple(name for name in policy.charts if name not in MARKS)
    lenders = (None, None) if laws is None else _at_hand(laws, ledger)
    family = draw_family(_points(ledger), settings=settings, charts=wanted, lenders=lenders)
    charted = _by_series(family.points)
    # Of a large fleet, twice the points is half a gigabyte: let go of them as they came.
    family = dataclasses.replace(family, points=charted)
    placed = place_marks(marks, service=service, ledger=ledger)
    drawn = None
    if set(MARKS) & set(policy.charts):
        drawn = mark(placed, settings=settings, sizes=None if laws is None else laws.moves)
    return Charts(
        charted=charted,
        limits=family.limits.sort("series", "chart", "phase"),
        findings=_findings(charted, ledger, rules=policy.rules),
        phases=family.phases,
        since=find_changes(
            family.charted,
            visits=policy.baseline_visits,
            level=settings.pooling_level,
            window=settings.baseline_window,
        ),
        onsets=family.onsets,
        marks=mark_charts(placed, drawn.points, drawn.limits)
        if drawn
        else pl.DataFrame(schema=MARK_CHARTS),
        mark_findings=apply_rules(
            drawn.points if drawn else charted.clear(),
            rules=tuple(name for name in policy.rules if name == _OF_MARKS),
        ),
    )


def _by_series(points: pl.DataFrame) -> pl.DataFrame:
    """Sort points by series, chart and visit, that come chart after chart in order of the others.

    With the charts in their order, one number is sorted by instead of three columns.
    """
    runs = points["chart"].rle().struct.unnest()
    runs = runs.with_columns(first=pl.col("len").cum_sum() - pl.col("len"))
    charts = [
        points.slice(first, length)
        for length, _, first in runs.sort("value", maintain_order=True).iter_rows()
    ]
    return pl.concat([points.clear(), *charts]).sort("series", maintain_order=True)


def _points(ledger: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of a ledger as points of charts of the as-found bias."""
    return ledger.select(
        "series",
        "visit",
        "phase",
        "gauge",
        "t_years",
        value="as_found_bias_pct",
        replicates="as_found_replicates",
        spread="as_found_spread_pct",
        resolution="resolution_pct",
        values="as_found_biases_pct",
    )


def _at_hand(laws: ChartLaws, ledger: pl.DataFrame) -> tuple[Lenders, Lenders]:
    """Return who lends, with the numbers that their series have in a ledger."""
    theirs = ledger.filter(pl.col("meter_id").is_in(list(laws.meters)))["series"].unique()
    level, scatter = (
        dataclasses.replace(one, series=theirs.to_numpy()) for one in (laws.level, laws.scatter)
    )
    return level, scatter


def _findings(
    charted: pl.DataFrame, ledger: pl.DataFrame, *, rules: tuple[str, ...]
) -> pl.DataFrame:
    """Return what the rules see, with the dial's step beside each point.

    With it a rounded reading counts as past a zone only if every value that rounds to it is.
    """
    dial = ledger.select("series", "visit", "resolution_pct")
    seen = charted.select("series", "visit", "chart", "phase", "value", "centre", "lower", "upper")
    return apply_rules(seen.join(dial, on=["series", "visit"], how="left"), rules=rules)


def chart_settings(policy: LimitChoices) -> ChartSettings:
    """Return what the policy says of charts."""
    return ChartSettings(
        baseline_visits=policy.baseline_visits,
        baseline_window=_window(policy),
        limits=policy.limits,
        sigmas=policy.limit_sigmas,
        ewma_weight=policy.ewma_weight,
        ewma_sigmas=policy.limit_sigmas,
        cusum_reference=policy.cusum_reference_sigmas,
        cusum_decision=policy.cusum_decision_sigmas,
        change_level=policy.phase_level,
    )


def _window(policy: LimitChoices) -> tuple[float, float] | None:
    """Return the named dates of the baseline as times, None where the policy names none."""
    if not policy.baseline_dates:
        return None
    days = [(date.fromisoformat(day) - EPOCH).days / DAYS_PER_YEAR for day in policy.baseline_dates]
    return days[0], days[1]


def full_baseline(policy: LimitChoices, *, now: float) -> pl.Expr:
    """Return whether limits, rows of `drift.limits.charts.shape.LIMITS`, no longer change.

    Parameters
    ----------
    policy : LimitChoices
        Says how many visits make a baseline, or between which dates those of one lie; of a phase
        that begins later it is the first visits.
    now : float
        The date that a review speaks for, years since the epoch.
    """
    enough = pl.col("points") >= policy.baseline_visits
    window = _window(policy)
    if window is None or now <= window[1]:
        return enough
    return enough | (pl.col("first_t_years") <= window[1])


@dataclass(frozen=True, slots=True)
class Family:
    """Several charts of a fleet.

    Attributes
    ----------
    points, limits : pl.DataFrame
        Frames of `drift.limits.charts.shape.CHARTED` and `drift.limits.charts.shape.LIMITS`, chart
        after chart, each sorted by series and visit or phase.
    onsets : pl.DataFrame
        Frame of `drift.limits.charts.cusum.ONSETS`; empty where no CUSUM was asked for.
    phases : pl.DataFrame
        Frame of `drift.limits.phase_tests.PHASES`: each phase of the level against what came
        before.  Charts of scatter know no phases but the gauge's.
    charted : pl.DataFrame
        The points, ``phase`` being the one whose limits they are charted by.
    """

    points: pl.DataFrame
    limits: pl.DataFrame
    onsets: pl.DataFrame
    phases: pl.DataFrame
    charted: pl.DataFrame


def draw_family(
    points: pl.DataFrame,
    *,
    settings: ChartSettings,
    charts: tuple[str, ...] = SINGLE_POINTS + REPLICATES,
    lenders: tuple[Lenders | None, Lenders | None] = (None, None),
) -> Family:
    """Draw charts of a fleet.

    Parameters
    ----------
    points : pl.DataFrame
        One row per series and visit, any number of series: ``series``, ``visit``, ``phase``,
        ``t_years``, ``value`` (null where there is no reading), ``resolution``; optionally
        ``replicates`` and ``values`` (the readings that ``value`` is the mean of), ``like`` (names
        meters whose spread may be pooled; without it all are), ``excluded`` (why a visit must
        not set limits, null for most) and ``gauge`` (the number of the gauge that was on, which
        alone restarts the charts of scatter).
    settings : ChartSettings
        How limits are set.
    charts : tuple of str
        Names out of `SINGLE_POINTS` and `REPLICATES`.
    lenders : tuple of Lenders or None
        Who lends to charts of the level and of the scatter, where these are some of a fleet.

    Raises
    ------
    ValueError
        If a name is unknown, a column is missing or holds a number that cannot be.
    """
    unknown = [name for name in charts if name not in SINGLE_POINTS + REPLICATES]
    if unknown:
        known = ", ".join(SINGLE_POINTS + REPLICATES)
        raise ValueError(f"unknown chart(s) {', '.join(unknown)}: the charts are {known}")
    tested = compare_phases(
        points,
        visits=settings.baseline_visits,
        spread_level=settings.pooling_level,
        level=settings.change_level,
        window=settings.baseline_window,
        lenders=lenders[0],
    )
    scattered = points
    if "gauge" in points.columns:
        scattered = points.with_columns(phase=pl.col("gauge"))
    with Threads(2) as both:
        single = both.submit(_single_points, tested.points, settings, charts, lenders[0])
        many = both.submit(
            _replicates, (tested.points, scattered), settings=settings, charts=charts, of=lenders
        )
    drawn, onsets = single.result()
    drawn += many.result()
    return Family(
        points=pl.concat([empty(CHARTED), *(one.points for one in drawn)], rechunk=False),
        limits=pl.concat([empty(LIMITS), *(one.limits for one in drawn)], rechunk=False),
        onsets=onsets,
        phases=tested.tests,
        charted=tested.points,
    )


def _single_points(
    points: pl.DataFrame,
    settings: ChartSettings,
    charts: tuple[str, ...],
    lenders: Lenders | None,
) -> tuple[list[Charted], pl.DataFrame]:
    """Draw the charts of single points and date the shifts of the CUSUM."""
    wanted = {
        "individuals": draw_individuals,
        "moving_range": draw_moving_range,
        "ewma": draw_ewma,
        "cusum": draw_cusum,
    }
    drawing = [draw for name, draw in wanted.items() if name in charts]
    if not drawing:
        return [], empty(ONSETS)
    prepared = prepare(points, settings=settings, lenders=lenders)
    onsets = onsets_of(prepared) if "cusum" in charts else empty(ONSETS)
    return [draw(prepared) for draw in drawing], onsets


def _replicates(
    points: tuple[pl.DataFrame, pl.DataFrame],
    *,
    settings: ChartSettings,
    charts: tuple[str, ...],
    of: tuple[Lenders | None, Lenders | None],
) -> list[Charted]:
    """Draw the charts of replicates: their means by the phases of the level, their scatter not.

    `points` and `of` (who lends) are those of the level, then of the scatter.
    """
    drawn = []
    if "mean" in charts:
        drawn.append(draw_mean(prepare_replicates(points[0], settings=settings, lenders=of[0])))
    wanted = {"spread": draw_spread, "range": draw_range, "repeatability": draw_repeatability}
    drawing = [draw for name, draw in wanted.items() if name in charts]
    if drawing:
        replicated = prepare_replicates(points[1], settings=settings, lenders=of[1])
        drawn += [draw(replicated) for draw in drawing]
    return drawn
