"""This module says what differs from an earlier review and what became of its predictions.

It compares frames; who read them from where is not its concern.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date

import polars as pl

from drift.format import day
from drift.frames import Schema
from drift.review.past_predictions import (
    Prediction,
    bands_in_words,
    calls_in_words,
    changed_in_short,
    judge_predictions,
)

# One row per thing that differs from an earlier review: `data/since.csv`.  before and now are null
# where the thing was or is not there; low and high are of a band, value is what was found, of a
# call the P(out) that was given then.
SINCE: Schema = {
    "kind": pl.String,
    "meter_id": pl.String,
    "point_pct": pl.Float64,
    "name": pl.String,
    "on_date": pl.Date,
    "before": pl.String,
    "now": pl.String,
    "low": pl.Float64,
    "high": pl.Float64,
    "value": pl.Float64,
    "why": pl.String,
}


@dataclass(frozen=True, slots=True)
class Earlier:
    """What an earlier review wrote, with the ids of now.

    Attributes
    ----------
    as_of : date
        The date it spoke for.
    version, source_name : str
        Of the program and the source.
    policy : mapping
        Its choices, as JSON has them.
    files, meters, signals, forecast : pl.DataFrame
        ``file sha256`` of its input, and its data files with the columns of `drift.frames`; a
        column that it did not have is null.
    knew_responses : bool
        Whether it said which signals were answered.
    """

    as_of: date
    version: str
    source_name: str
    policy: Mapping[str, object]
    files: pl.DataFrame
    meters: pl.DataFrame
    signals: pl.DataFrame
    forecast: pl.DataFrame
    knew_responses: bool


@dataclass(frozen=True, slots=True)
class Present:
    """What the review of now says, as far as it is compared.

    Attributes
    ----------
    as_of, version, policy, files, meters, signals
        As of `Earlier`; `signals` with ``answered_on``.
    ledger : pl.DataFrame
        Frame of `drift.meter.ledger.LEDGER`.
    """

    as_of: date
    version: str
    policy: Mapping[str, object]
    files: pl.DataFrame
    meters: pl.DataFrame
    signals: pl.DataFrame
    ledger: pl.DataFrame


@dataclass(frozen=True, slots=True)
class Since:
    """What has changed since an earlier review.

    Attributes
    ----------
    earlier_as_of, as_of : date
        The two dates.
    rows : pl.DataFrame
        Frame of `SINCE`, by kind; standings in the order of the review, the rest by meter, point,
        date and name.
    prediction : Prediction
        How the earlier review's predictions fared.
    short, calls, bands : str
        The changes counted, in one clause; what visits found of meters by their standing then;
        how the bands fared.
    """

    earlier_as_of: date
    as_of: date
    rows: pl.DataFrame
    prediction: Prediction
    short: str
    calls: str
    bands: str


# Kinds in the order in which a reader needs them: a call is what the next visit found of a meter's
# standing then, a band whether it found the mean within the band given for it.
CHANGE_KINDS = (
    "standing",
    "overdue",
    "new_signal",
    "ended_signal",
    "response",
    "new_meter",
    "gone_meter",
    "call",
    "band",
    "policy",
    "program",
    "file",
)


def changes_since(
    earlier: Earlier, present: Present, *, tolerance_pct: float, comparison: str
) -> Since:
    """Compare a review with an earlier one of the same fleet.

    Parameters
    ----------
    earlier, present : Earlier, Present
        The two reviews, the earlier one not later than the present one.
    tolerance_pct : float
        Largest bias that passes, % air, for what visits have found since.
    comparison : {"absolute", "rounding"}
        How a bias is compared with it.
    """
    prediction = judge_predictions(
        earlier.meters,
        earlier.forecast,
        present.ledger,
        since=earlier.as_of,
        band_level=_level(earlier.policy),
        tolerance_pct=tolerance_pct,
        comparison=comparison,
    )
    listed = [
        *_meters(earlier, present),
        *_signals(earlier, present),
        prediction.rows,
        _settings(earlier, present),
        _files(earlier.files, present.files),
    ]
    order = ("meter_id", "point_pct", "on_date", "name")
    parts = [_standings(earlier, present), *(_shaped(part).sort(order) for part in listed)]
    place = {kind: at for at, kind in enumerate(CHANGE_KINDS)}
    rows = pl.concat(parts).sort(
        pl.col("kind").replace_strict(place, return_dtype=pl.Int64), maintain_order=True
    )
    return Since(
        earlier_as_of=earlier.as_of,
        as_of=present.as_of,
        rows=rows,
        prediction=prediction,
        short=changed_in_short(rows, earlier_as_of=earlier.as_of),
        calls=calls_in_words(prediction),
        bands=bands_in_words(prediction),
    )


def _level(policy: Mapping[str, object]) -> float | None:
    """Return the coverage that the earlier bands promised, None where it is not on record."""
    level = policy.get("band_level")
    return float(level) if isinstance(level, int | float) else None


def _shaped(part: pl.DataFrame) -> pl.DataFrame:
    """Give `part` the columns of `SINCE`; what it lacks is null."""
    lacking = [pl.lit(None).alias(name) for name in SINCE if name not in part.columns]
    return part.with_columns(lacking).select(
        pl.col(name).cast(kind) for name, kind in SINCE.items()
    )


def _then(earlier: Earlier) -> pl.DataFrame:
    """Return what is compared of the meters then, under names of its own."""
    return earlier.meters.select(
        "meter_id", before="standing", was_overdue="overdue", seen_then="last_visit_on"
    )


def _standings(earlier: Earlier, present: Present) -> pl.DataFrame:
    """Return meters that stand otherwise than then, in the order of the review."""
    both = present.meters.join(_then(earlier), on="meter_id", maintain_order="left").filter(
        pl.col("before") != pl.col("standing")
    )
    visited = pl.col("last_visit_on") > pl.col("seen_then").fill_null(earlier.as_of)
    seen = [
        f"seen {day(on)}: " if again else "no visit since: "
        for on, again in both.select("last_visit_on", visited=visited).iter_rows()
    ]
    changed = both.select(
        "meter_id",
        "before",
        kind=pl.lit("standing"),
        now="standing",
        on_date="last_visit_on",
        why=pl.Series(seen, dtype=pl.String) + pl.col("reason"),
    )
    return _shaped(changed)


def _meters(earlier: Earlier, present: Present) -> list[pl.DataFrame]:
    """Return meters that are overdue or no longer so, and those that are new or gone."""
    then = _then(earlier)
    late = (
        present.meters.join(then, on="meter_id")
        .filter(pl.col("was_overdue") != pl.col("overdue"))
        .select(
            "meter_id",
            kind=pl.lit("overdue"),
            before=_yes_no("was_overdue"),
            now=_yes_no("overdue"),
            on_date="next_due_on",
        )
    )
    new = present.meters.join(then, on="meter_id", how="anti").select(
        "meter_id", kind=pl.lit("new_meter"), now="standing", on_date="last_visit_on", why="reason"
    )
    gone = then.join(present.meters, on="meter_id", how="anti").select(
        "meter_id", "before", kind=pl.lit("gone_meter"), on_date="seen_then"
    )
    return [late, new, gone]


def _yes_no(column: str) -> pl.Expr:
    """Return a flag as a word."""
    return pl.when(column).then(pl.lit("yes")).otherwise(pl.lit("no"))


def _signals(earlier: Earlier, present: Present) -> list[pl.DataFrame]:
    """Return signals that are new, that are raised no more, and responses made since."""
    named = {"name": "signal_id", "on_date": "visit_on", "why": "sentence"}
    answer = pl.when(pl.col("answered_on").is_null()).then(pl.lit("open"))
    now = answer.otherwise(pl.lit("answered"))
    new = present.signals.join(earlier.signals, on="signal_id", how="anti").select(
        "meter_id", "point_pct", kind=pl.lit("new_signal"), now=now, **named
    )
    ended = earlier.signals.join(present.signals, on="signal_id", how="anti").select(
        "meter_id", "point_pct", kind=pl.lit("ended_signal"), before=pl.lit("raised"), **named
    )
    known = earlier.signals.select("signal_id", answered_then="answered_on")
    answered = present.signals.drop_nulls("answered_on").join(known, on="signal_id", how="left")
    # A review that did not say what was answered knew the responses made by its day.
    made = (
        pl.col("answered_then").is_null()
        if earlier.knew_responses
        else pl.col("answered_on") > earlier.as_of
    )
    responses = answered.filter(made).select(
        "meter_id",
        "point_pct",
        kind=pl.lit("response"),
        name="signal_id",
        on_date="answered_on",
        now=pl.lit("answered"),
        why="sentence",
    )
    return [new, ended, responses]


def _settings(earlier: Earlier, present: Present) -> pl.DataFrame:
    """Return choices of the policy that differ, and the program's version if it does."""
    then, now = (dict(_written(review.policy)) for review in (earlier, present))
    rows = [
        ("policy", name, then[name], now[name])
        # What another version of the program does not know was no choice.
        for name in sorted(then.keys() & now.keys())
        if then[name] != now[name]
    ]
    if earlier.version != present.version:
        rows.append(("program", "version", earlier.version, present.version))
    kinds = dict.fromkeys(("kind", "name", "before", "now"), pl.String)
    return pl.DataFrame(rows, schema=kinds, orient="row")


def _written(policy: Mapping[str, object], before: str = "") -> Iterator[tuple[str, str]]:
    """Yield each choice as text, those of a table as ``table.name``; null is left out."""
    for name, value in policy.items():
        if isinstance(value, Mapping):
            yield from _written(value, f"{before}{name}.")
        elif isinstance(value, list | tuple):
            yield f"{before}{name}", ", ".join(map(_number_or_text, value))
        elif value is not None:
            yield f"{before}{name}", _number_or_text(value)


def _number_or_text(value: object) -> str:
    """Return one value as text, 1.0 and 1 alike."""
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return f"{value:g}" if number else str(value)


def _files(before: pl.DataFrame, now: pl.DataFrame) -> pl.DataFrame:
    """Return input files that are new, gone or of another content, by their hashes."""
    both = before.select("file", before="sha256").join(
        now.select("file", now="sha256"), on="file", how="full", coalesce=True
    )
    return both.filter(pl.col("before").ne_missing(pl.col("now"))).select(
        "before", "now", kind=pl.lit("file"), name="file"
    )
