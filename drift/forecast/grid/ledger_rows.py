"""This module reads from the rows of a ledger what the filter needs, and cuts them into lives."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from drift.arrays import Flags, Floats, Integers

# Words of the ledger's events after which a gauge is another one (see `drift.meter.ledger`).
_RENEWING = r"(gauge replaced|mark established)"
# Its word for what readings alone say was done.
_UNRECORDED = "adjusted without a record"
# Columns of known jumps, as they are called here.
_JUMPS = {
    "jump": "known_jump_pct",
    "jump_sd": "known_jump_sd_pct",
    "later": "later_jump_pct",
    "later_sd": "later_jump_sd_pct",
}
# Columns that a birth does not change.
_AS_THEY_ARE = ("visit", "years", "later", "later_sd")
# What tells one meter's visit from another.
_OCCASION = ("meter_id", "visit_id", "t_years")


@dataclass(frozen=True, slots=True)
class LifeRows:
    """Visits by life, in order of time; arrays of shape (rows,).

    Attributes
    ----------
    life : array
        Number of the life, rising from 0; a life is followed by the next of its series.
    series, meter_id, step : array
        Series and meter of the ledger, step of the dial, % air.
    fresh : array of bool
        The life starts here, with an adjustment.
    columns : dict of str to array
        What is taken as it comes, by its name in `drift.forecast.grid.visits.Visits`; ``found`` and
        ``left`` have an axis of replicates more.
    """

    life: Integers
    series: Integers
    meter_id: NDArray[np.object_]
    step: Floats
    fresh: Flags
    columns: dict[str, NDArray[np.generic]]


@dataclass(frozen=True, slots=True)
class _Ends:
    """Where the rows of each series begin and end."""

    first: Flags
    last: Flags

    def before(self, values: Floats | Flags) -> Floats | Flags:
        """Return each row's predecessor in its series, nothing (NaN, False) for none."""
        moved = np.roll(values, 1)
        moved[self.first] = np.nan if values.dtype.kind == "f" else False
        return moved

    def after(self, values: Floats | Flags) -> Floats | Flags:
        """Return each row's successor in its series, nothing for none."""
        moved = np.roll(values, -1)
        moved[self.last] = np.nan if values.dtype.kind == "f" else False
        return moved


def rows_by_life(ledger: pl.DataFrame, *, step: pl.Expr, left_declared: bool) -> LifeRows:
    """Return the rows of a ledger by life.

    Parameters
    ----------
    ledger : pl.DataFrame
        As for `drift.forecast.grid.visits.read_visits`.
    step : pl.Expr
        The step of each row's dial.
    left_declared : bool
        As-left biases are no readings.

    Raises
    ------
    ValueError
        If a time or bias is not finite.

    Notes
    -----
    A gauge replaced at a visit ends a life with the as-found readings and starts the next with the
    as-left ones; one replaced between visits starts it with the later visit.
    """
    flat = _in_order(_flat(ledger, step))
    series, gauge = flat["series"].to_numpy(), flat["gauge"].to_numpy()
    ends = _ends(series)
    read = _read(flat, ends, left_declared=left_declared)
    later = flat["later"].to_numpy()
    lost = flat["evidence_lost"].to_numpy() & flat["had_found"].to_numpy()
    jolt = lost & np.isnan(ends.before(later))
    off, occasion = _occasions(flat, read)
    renewed = ends.last & flat["renewing"].to_numpy()
    at_visit = read.reset & ((ends.after(gauge.astype(np.float64)) > gauge) | renewed)
    at_visit &= ~ends.after(jolt).astype(bool)
    begun = gauge > np.where(ends.first, np.iinfo(np.int64).max, np.roll(gauge, 1))
    # The visit after a birth carries the rise of the count too; only one of the two cuts.
    begun &= ~ends.before(at_visit).astype(bool)
    source = np.repeat(np.arange(series.size), 1 + at_visit)
    born = np.append(False, source[1:] == source[:-1])
    found_too, left_too = _reborn(read, source, born=born, ended=at_visit)
    cut = born | begun[source]
    life = np.cumsum(np.append(False, (np.diff(series[source]) != 0) | cut[1:]))
    jump, jump_sd = (flat[name].to_numpy() for name in ("jump", "jump_sd"))
    columns = {name: flat[name].to_numpy()[source] for name in _AS_THEY_ARE}
    columns |= {
        "found": found_too,
        "left": left_too,
        "found_count": np.where(born, 0, read.found_count[source]),
        "reset": read.reset[source] & ~born,
        "mixed": read.mixed[source] & ~born,
        "off": off[source],
        "occasion": occasion[source],
        "jump": np.where(born, np.nan, jump[source]),
        "jump_sd": np.where(born, np.nan, jump_sd[source]),
        "jolt": jolt[source] & ~born,
    }
    return LifeRows(
        life=life,
        series=series[source],
        meter_id=flat["meter_id"].to_numpy()[source],
        step=flat["step"].to_numpy()[source],
        fresh=cut,
        columns=columns,
    )


def _ends(series: Integers) -> _Ends:
    """Return where the rows of each series begin and end."""
    change = np.flatnonzero(np.diff(series)) + 1
    ends = _Ends(np.zeros(series.size, dtype=bool), np.zeros(series.size, dtype=bool))
    ends.first[np.append(0, change)] = True
    ends.last[np.append(change - 1, series.size - 1)] = True
    return ends


@dataclass(frozen=True, slots=True)
class _Read:
    """What each visit read and did; arrays of shape (rows,), `found` and `left` with one more."""

    found: Floats
    found_count: Integers
    left: Floats
    reset: Flags
    mixed: Flags


def _read(flat: pl.DataFrame, ends: _Ends, *, left_declared: bool) -> _Read:
    """Return what each visit read and did."""
    found, found_count = _padded(flat["found"])
    left, left_count = _padded(flat["left"])
    declared = left_count > 0 if left_declared else np.zeros(left_count.size, dtype=bool)
    if left_declared:
        left, left_count = np.full_like(left, np.nan), np.zeros_like(left_count)
    # A last visit that left with an unknown bias was adjusted after its readings.
    unknown = ends.last & flat["unknown"].to_numpy()
    mixed = ~flat["recorded"].to_numpy() & (found_count > 0) & (left_count > 0) & ~unknown
    reset = flat["adjusted"].to_numpy() | unknown | (declared & (found_count == 0))
    reset = reset & ~mixed
    apart = reset | mixed
    found = _with_others(found, found_count, left, np.where(apart, 0, left_count))
    left[~apart] = np.nan
    return _Read(found, found_count, left, reset, mixed)


def _flat(ledger: pl.DataFrame, step: pl.Expr) -> pl.DataFrame:
    """Return the columns that are needed, without nulls."""
    missing = [name for name in _JUMPS.values() if name not in ledger.columns]
    ledger = ledger.with_columns(pl.lit(None, dtype=pl.Float64).alias(name) for name in missing)
    adjusted = pl.col("adjusted").fill_null(value=False)
    events = pl.col("events").fill_null("")
    return ledger.select(
        "series",
        "meter_id",
        "visit_id",
        "visit",
        "gauge",
        "t_years",
        *(pl.col(name).fill_null(float("nan")).alias(short) for short, name in _JUMPS.items()),
        years=pl.col("t_years"),
        step=step,
        found="as_found_biases_pct",
        left="as_left_biases_pct",
        adjusted=adjusted,
        # Somebody wrote down that the meter was adjusted.
        recorded=adjusted & ~events.str.contains(_UNRECORDED, literal=True),
        renewing=events.str.contains(_RENEWING),
        unknown=pl.col("left_bias_pct").is_null() & pl.col("later_jump_pct").is_null(),
        evidence_lost=pl.col("evidence_lost").fill_null(value=False),
        had_found=pl.col("as_found_biases_pct").is_not_null(),
    )


def _in_order(flat: pl.DataFrame) -> pl.DataFrame:
    """Return the rows by series and visit."""
    if not np.isfinite(flat["years"].to_numpy()).all():
        raise ValueError("column 't_years' holds a value that is not finite")
    series, visit = (np.diff(flat[name].to_numpy()) for name in ("series", "visit"))
    if ((series > 0) | ((series == 0) & (visit > 0))).all():
        return flat
    return flat.sort("series", "visit")


def _padded(lists: pl.Series) -> tuple[Floats, Integers]:
    """Return a column of lists as rows padded with NaN, each in order of size, and their lengths.

    Replicates have no order of their own; that of rows in a file must not matter.
    """
    lengths = lists.list.len().fill_null(0).cast(pl.Int64).to_numpy()
    rows = np.full((lengths.size, max(1, int(lengths.max(initial=0)))), np.nan)
    if lengths.any():
        values = lists.filter(pl.Series(lengths > 0)).explode().cast(pl.Float64).to_numpy()
        if not np.isfinite(values).all():
            raise ValueError("a list of biases holds a value that is not finite")
        rows[np.arange(rows.shape[1]) < lengths[:, None]] = values
        rows.sort(axis=1)
    return rows, lengths


def _with_others(found: Floats, count: Integers, left: Floats, others: Integers) -> Floats:
    """Return readings as found, followed by so many of those as left."""
    width = max(found.shape[1], int((count + others).max(initial=0)))
    both = np.full((found.shape[0], width), np.nan)
    both[:, : found.shape[1]] = found
    for place in range(int(others.max(initial=0))):
        rows = np.flatnonzero(others > place)
        both[rows, count[rows] + place] = left[rows, place]
    return both


def _reborn(read: _Read, source: Integers, *, born: Flags, ended: Flags) -> tuple[Floats, Floats]:
    """Return readings by life: those as left begin the next life where one ended at a visit."""
    found, left = read.found, read.left
    width = max(found.shape[1], left.shape[1]) if born.any() else found.shape[1]
    found_too = np.full((source.size, width), np.nan)
    found_too[:, : found.shape[1]] = found[source]
    left_too = left[source]
    if born.any():
        found_too[born] = np.nan
        found_too[born, : left.shape[1]] = left_too[born]
        left_too[ended[source]] = np.nan
    return found_too, left_too


def _occasions(flat: pl.DataFrame, read: _Read) -> tuple[Floats, Integers]:
    """Return how far off each visit found its meter, and the number of the visit.

    Only where it is open whether somebody adjusted does anybody ask: NaN and −1 elsewhere.
    """
    found, count, mixed = read.found, read.found_count, read.mixed
    off, occasion = np.full(mixed.size, np.nan), np.full(mixed.size, -1, dtype=np.int64)
    if not mixed.any():
        return off, occasion
    total = np.where(np.arange(found.shape[1]) < count[:, None], found, 0.0).sum(axis=1)
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    open_here = (
        flat.select(*_OCCASION, own=pl.Series(np.abs(mean)).fill_nan(None), mixed=pl.Series(mixed))
        .with_row_index("row")
        .filter(pl.col("mixed").any().over("meter_id"))
        .select(
            "row",
            off=pl.col("own").max().over(_OCCASION),
            occasion=pl.struct(_OCCASION).rank("dense").cast(pl.Int64),
        )
    )
    rows = open_here["row"].to_numpy()
    off[rows] = open_here["off"].fill_null(float("nan")).to_numpy()
    occasion[rows] = open_here["occasion"].to_numpy()
    return off, occasion
