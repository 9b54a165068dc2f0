"""This module finds centre and spread of every block, and says in words where they come from."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import ndtr, stdtrit

from drift.arrays import Floats
from drift.limits.baseline import Baseline, set_baseline
from drift.limits.charts.autocorrelation import Lag1, find_lag1
from drift.limits.charts.constants import d2
from drift.limits.charts.shape import Origin
from drift.limits.choices import ChartSettings
from drift.limits.rounding.borrowing import Lenders, set_pool
from drift.limits.rounding.prediction_limits import NewPoints, prediction_limits


@dataclass(frozen=True, slots=True)
class Prepared:
    """Points of a fleet with what their baselines say of centre and spread.

    Attributes
    ----------
    settings : ChartSettings
    baseline : Baseline
    new : NewPoints or None
        Where the next points will fall; None for the forms that do not ask.
    lag1 : Lag1
        Autocorrelation between visits.
    centre, sigma, df : array, shape (blocks,)
        Centre, standard deviation of one plotted point, and degrees of freedom of the latter; NaN
        where the block cannot be charted.
    centre_se : array, shape (blocks,)
        Standard error of the centre; 0 where the form takes it as known.
    nominal : float
        False-alarm rate of single points that is aimed at.
    estimators, notes : list of str
        Per block, how its spread was estimated and where its limits come from, in words.
    """

    settings: ChartSettings
    baseline: Baseline
    new: NewPoints | None
    lag1: Lag1
    centre: Floats
    sigma: Floats
    df: Floats
    centre_se: Floats
    nominal: float
    estimators: list[str]
    notes: list[str]


def prepare(
    points: pl.DataFrame, *, settings: ChartSettings, lenders: Lenders | None = None
) -> Prepared:
    """Set the baselines of a fleet and estimate what its charts need.

    Parameters
    ----------
    points : pl.DataFrame
        As for `drift.limits.charting.draw_family`.
    settings : ChartSettings
    lenders : Lenders or None
        Meters that stand for the fleet where these are some of it.

    Raises
    ------
    ValueError
        If a column is missing or holds a number that cannot be.
    """
    baseline = set_baseline(
        points, visits=settings.baseline_visits, window=settings.baseline_window
    )
    nominal = float(2 * ndtr(-settings.sigmas))
    pool = set_pool(
        baseline,
        points,
        visits=settings.baseline_visits,
        window=settings.baseline_window,
        lenders=lenders,
    )
    lag1 = find_lag1(baseline, pool=pool, level=settings.autocorrelation_level)
    new = None
    if settings.limits == "kept_rate" and settings.given_sigma is None:
        new = prediction_limits(
            baseline,
            pool=pool,
            needed=fewest_visits(settings),
            nominal=nominal,
            pooling_level=settings.pooling_level,
        )
        centre, sigma, df, error = new.centre, new.sigma, new.df, new.centre_se
    else:
        centre, sigma, df = _plain(baseline, settings)
        error = np.zeros_like(centre)
    blocks = len(baseline.starts)
    if settings.given_centre is not None:
        centre, error = np.full(blocks, settings.given_centre), np.zeros(blocks)
    if settings.given_sigma is not None:
        sigma, df = np.full(blocks, settings.given_sigma), np.full(blocks, np.inf)
    known = np.isfinite(sigma) & np.isfinite(centre)
    return Prepared(
        settings=settings,
        baseline=baseline,
        new=new,
        lag1=lag1,
        centre=np.where(known, centre, np.nan),
        sigma=np.where(known, sigma, np.nan),
        df=df,
        centre_se=error,
        nominal=nominal,
        estimators=_estimators(settings, new, blocks),
        notes=_notes(settings, baseline, new, known, lag1),
    )


def fewest_visits(settings: ChartSettings) -> int:
    """Return how many visits a baseline must have; one that is named by its dates, only two."""
    return 2 if settings.baseline_window is not None else settings.baseline_visits


def half_widths(prepared: Prepared, *, nominal: float, sigmas: float) -> Floats:
    """Return how many standard deviations of a known process limits are wide, per block."""
    if prepared.settings.limits == "sigma" or prepared.settings.given_sigma is not None:
        return np.full_like(prepared.sigma, sigmas)
    return np.asarray(stdtrit(np.maximum(prepared.df, 1.0), 1 - nominal / 2))


def origin_of(
    prepared: Prepared, *, attained: Floats, nominal: float, sigma: Floats | None = None
) -> Origin:
    """Return where the limits of charts of single points come from."""
    known = np.isfinite(prepared.sigma)
    phi = prepared.lag1.allowed_for
    return Origin(
        centre=prepared.centre,
        sigma=prepared.sigma if sigma is None else np.where(known, sigma, np.nan),
        df=np.where(known, prepared.df, np.nan),
        attained=np.where(known, attained, np.nan),
        lag1=np.where(phi > 0, phi, np.nan),
        form="given" if prepared.settings.given_sigma is not None else prepared.settings.limits,
        nominal=nominal,
        estimator=prepared.estimators,
        note=prepared.notes,
    )


def _estimators(settings: ChartSettings, new: NewPoints | None, blocks: int) -> list[str]:
    """Name the estimator of each block's spread."""
    if settings.given_sigma is not None:
        return ["given"] * blocks
    if new is None:
        of_moves = settings.limits == "sigma"
        return ["mean moving range / d2" if of_moves else "standard deviation"] * blocks
    likelihood = ("rounding likelihood, this series alone", "rounding likelihood, pooled")
    return [likelihood[pooled] for pooled in (new.meters > 1).tolist()]


def _notes(
    settings: ChartSettings,
    baseline: Baseline,
    new: NewPoints | None,
    known: NDArray[np.bool_],
    lag1: Lag1,
) -> list[str]:
    """Say of each block where its limits come from."""
    blocks = len(known)
    if settings.given_sigma is not None:
        return ["Centre and spread are given, not estimated."] * blocks
    return where_limits_come_from(
        Circumstances(
            kind="visits",
            needed=fewest_visits(settings),
            visits=baseline.counts,
            enough=baseline.counts >= fewest_visits(settings),
            known=known,
            pooled=np.ones(blocks, np.int64) if new is None else new.meters,
            earlier=np.zeros(blocks, np.int64) if new is None else new.earlier,
            open_still=open_still(baseline),
            unlike=np.zeros(blocks, bool) if new is None else new.unlike,
            limited=np.zeros(blocks, bool) if new is None else new.limited,
            widened=lag1.allowed_for > 0,
        )
    )


def open_still(baseline: Baseline) -> NDArray[np.bool_]:
    """Return the blocks whose baseline a last, still short phase fills up."""
    open_blocks = np.zeros(len(baseline.starts), bool)
    if "may_change" in baseline.rows.columns:
        open_blocks[baseline.block[baseline.rows["may_change"].to_numpy()]] = True
    return open_blocks


def _plain(baseline: Baseline, settings: ChartSettings) -> tuple[Floats, Floats, Floats]:
    """Return mean, textbook spread and degrees of freedom of each baseline."""
    block, inside, blocks = baseline.block, baseline.inside, len(baseline.starts)
    count = baseline.counts
    number = np.maximum(count, 1)
    centre = np.bincount(block[inside], baseline.values[inside], minlength=blocks) / number
    residual = np.where(inside, baseline.values - centre[block], 0.0)
    squares = np.bincount(block, residual**2, minlength=blocks)
    spread = np.sqrt(squares / np.maximum(count - 1, 1))
    if settings.limits == "sigma":
        spread = mean_moving_range(baseline) / float(d2(2))
    enough = count >= fewest_visits(settings)
    shown = spread > 1e-12 * np.maximum(np.abs(centre), 1)
    return (
        np.where(enough, centre, np.nan),
        np.where(enough & shown, spread, np.nan),
        np.where(enough, count - 1.0, np.nan),
    )


def mean_moving_range(baseline: Baseline) -> Floats:
    """Return the mean absolute difference of successive baseline values of each block."""
    rows = np.flatnonzero(baseline.inside)
    block = baseline.block[rows]
    same = block[1:] == block[:-1]
    moves = np.abs(np.diff(baseline.values[rows]))[same]
    blocks = len(baseline.starts)
    total = np.bincount(block[1:][same], moves, minlength=blocks)
    number = np.bincount(block[1:][same], minlength=blocks)
    return np.asarray(total / np.maximum(number, 1))


@dataclass(frozen=True, slots=True)
class Circumstances:
    """How the limits of every block came about.

    Attributes
    ----------
    kind : str
        What is counted, such as "visits".
    needed : int
        How many a baseline needs.
    visits : array of int, shape (blocks,)
        How many the baseline has.
    enough : array of bool, shape (blocks,)
        They are enough by themselves.
    known : array of bool, shape (blocks,)
        The block has limits.
    pooled : array of int, shape (blocks,)
        Series that the spread was pooled over; 1 for its own.
    earlier : array of int, shape (blocks,)
        Visits of its own earlier phases that helped to find the spread.
    open_still : array of bool, shape (blocks,)
        The last phase fills the baseline up and, still short, may yet turn out to differ.
    unlike, limited, widened : array of bool, shape (blocks,)
        The spread is unlike that of similar meters (F test); the steps of the dial hide it; limits
        are widened for autocorrelation.
    """

    kind: str
    needed: int
    visits: NDArray[np.int64]
    enough: NDArray[np.bool_]
    known: NDArray[np.bool_]
    pooled: NDArray[np.int64]
    earlier: NDArray[np.int64]
    open_still: NDArray[np.bool_]
    unlike: NDArray[np.bool_]
    limited: NDArray[np.bool_]
    widened: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _State:
    """The circumstances of one block."""

    kind: str
    needed: int
    visits: int
    enough: bool
    known: bool
    pooled: int
    earlier: bool
    open_still: bool
    unlike: bool
    limited: bool
    widened: bool


def where_limits_come_from(circumstances: Circumstances) -> list[str]:
    """Return one or a few sentences for each block."""
    states = zip(
        circumstances.visits.tolist(),
        circumstances.enough.tolist(),
        circumstances.known.tolist(),
        circumstances.pooled.tolist(),
        (circumstances.earlier > 0).tolist(),
        circumstances.open_still.tolist(),
        circumstances.unlike.tolist(),
        circumstances.limited.tolist(),
        circumstances.widened.tolist(),
        strict=True,
    )
    kind, needed = circumstances.kind, circumstances.needed
    # Blocks come in few states, so that each sentence is made once.
    said: dict[tuple[int, bool, bool, int, bool, bool, bool, bool, bool], str] = {}
    notes = []
    for state in states:
        if state not in said:
            said[state] = _sentences(_State(kind, needed, *state))
        notes.append(said[state])
    return notes


def _sentences(state: _State) -> str:
    """Say where the limits of a block come from, or why it has none."""
    counted = f"{state.visits} of the {state.needed} {state.kind} that a baseline needs"
    if not state.known and not state.enough:
        return f"No limits yet: {counted}, and too few similar series to pool its scatter with."
    if not state.known:
        return "No limits: the readings of the baseline do not scatter, as limits need."
    words = _of_baseline(state, counted)
    if state.unlike:
        words.append("It scatters unlike similar meters (F test) and is not pooled with them.")
    elif state.pooled > 1:
        words.append(
            f"Scatter is pooled over {state.pooled} similar series, as known when limits were set."
        )
    if state.limited:
        words.append("Its dial is too coarse to show its own scatter.")
    if state.widened:
        words.append("Limits are widened, since successive visits resemble each other.")
    return " ".join(words)


def _of_baseline(state: _State, counted: str) -> list[str]:
    """Say what a baseline is made of, and whether its limits are frozen."""
    if not state.enough:
        source = "similar series"
        if state.earlier:
            source = (
                "its earlier phases"
                if state.pooled == 1
                else "its earlier phases and similar meters"
            )
        borrowed = f"the scatter is that of {source}, widened (t factor) for how little is known."
        return [
            f"Limits from only {counted}: {borrowed}",
            "They are set anew at each further visit until the baseline is complete.",
        ]
    words = [f"Limits from the {state.visits} {state.kind} of the baseline."]
    if state.open_still:
        words.append("They may change while its last phase is short.")
    else:
        words.append("They are frozen.")
    if state.earlier:
        words.append("Its earlier phases, which scatter alike (F test), are pooled with it.")
    return words
