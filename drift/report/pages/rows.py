"""This module turns rows of a review's frames into rows of page data."""

import dataclasses
import inspect
import re
import shlex
from typing import Any

import polars as pl

from drift import format as text
from drift.frames import Row
from drift.limits.checks.check_signals import CHECK_MARK
from drift.report.pages import captions
from drift.report.pages.parts import (
    Choice,
    FileRow,
    HeldBackRow,
    MeterRow,
    SignalRow,
    SignalVisit,
    Stamp,
    StrayResponse,
    file_name,
)
from drift.review.obligations import PRESSING
from drift.review.policy import Policy, choices_of
from drift.review.results import Review
from drift.version import __version__

# A field of a numpy-style docstring: its name or names, its type, what it means.
_FIELD = re.compile(r"^(\w[\w, ]*) : .*\n((?: {4}.*\n|\n)+)", re.MULTILINE)


def stamp(review: Review) -> Stamp:
    """Return what every page of a review speaks for."""
    policy = review.policy
    return Stamp(
        version=__version__,
        laboratory=policy.laboratory,
        as_of=review.as_of,
        source_name=review.source_name,
        tolerance_pct=policy.tolerance_pct,
        band_level=policy.band_level,
        trend_level=policy.trend_level,
    )


def meter_rows(
    review: Review,
    meters: pl.DataFrame,
) -> tuple[MeterRow, ...]:
    """Return page rows for rows of `review.meters`, in their order."""
    table = review.sources.meters
    retired = set(table.filter(pl.col("status") == "retired")["meter_id"])
    return tuple(
        _meter_row(
            row,
            retired=row["meter_id"] in retired,
            review=review,
        )
        for row in meters.iter_rows(named=True)
    )


def _meter_row(
    row: dict[str, Any],
    *,
    retired: bool,
    review: Review,
) -> MeterRow:
    """Return the page row of one meter."""
    return MeterRow(
        meter_id=row["meter_id"],
        file=file_name(row["meter_id"]),
        standing=row["standing"],
        overdue=bool(row["overdue"]),
        retired=retired,
        reason=row["reason"],
        action=row["action"],
        obligations=tuple(row["obligations"].split()),
        last_visit_on=row["last_visit_on"],
        next_due_on=row["next_due_on"],
        visits=row["visits"],
        point_pct=row["worst_point_pct"],
        found_pct=row["as_found_bias_pct"],
        level_pct=row["level_pct"],
        drift=row["drift_pct_per_year"],
        drift_low=row["drift_low"],
        drift_high=row["drift_high"],
        resolution_limited=bool(row["resolution_limited"]),
        p_out=row["p_out_next_due"],
        crossing=captions.crossing(
            on=row["crossing_on"],
            early=row["crossing_early"],
            late=row["crossing_late"],
            p_out=row["p_out_next_due"],
            outside=row["standing"] == "out",
            last_visit_on=row["last_visit_on"],
            policy=review.policy,
            as_of=review.as_of,
        ),
        repeatability_pct=row["repeatability_pct"],
    )


def is_urgent(row: MeterRow) -> bool:
    """Say whether something must be done about a meter or its results, beyond its file."""
    return any(token in PRESSING for token in row.obligations)


def signal_rows(review: Review, signals: pl.DataFrame) -> tuple[SignalRow, ...]:
    """Return page rows for rows of `review.signals`, each with its first response."""
    said = {
        row["signal_id"]: f"{row['finding']}; {row['action']} ({row['recorded_by']})"
        for row in review.responses.filter(pl.col("problem") == "")
        .sort("recorded_on", descending=True)
        .iter_rows(named=True)
    }
    return tuple(
        SignalRow(
            signal_id=row["signal_id"],
            meter_id=row["meter_id"],
            file=file_name(row["meter_id"]),
            visit_on=row["visit_on"],
            age_days=(review.as_of - row["visit_on"]).days,
            point_pct=row["point_pct"],
            chart=text.words_of(row["chart"]),
            sentence=row["sentence"],
            answered_on=row["answered_on"],
            response=said.get(row["signal_id"], ""),
        )
        for row in signals.iter_rows(named=True)
    )


def signal_visits(review: Review, signals: pl.DataFrame) -> tuple[SignalVisit, ...]:
    """Return a page row for each meter and visit with open signals, in the order of `signals`.

    Parameters
    ----------
    review : Review
        What was found.
    signals : pl.DataFrame
        Rows of `review.signals`.
    """
    parts = signals.partition_by("meter_id", "visit_on", maintain_order=True)
    return tuple(_signal_visit(review, part.to_dicts()) for part in parts)


def _signal_visit(review: Review, signals: list[Row]) -> SignalVisit:
    """Return the row of one meter and visit."""
    first = signals[0]
    source = shlex.quote(review.source_name)
    return SignalVisit(
        meter_id=first["meter_id"],
        file=file_name(first["meter_id"]),
        visit_on=first["visit_on"],
        age_days=(review.as_of - first["visit_on"]).days,
        seen=tuple(
            (
                _seen_where(row),
                _undated(row),
            )
            for row in signals
        ),
        ids=tuple(row["signal_id"] for row in signals),
        command="\n".join(
            f'drift respond {source} {row["signal_id"]} --finding "…" --action "…" --by "…"'
            for row in signals
        ),
    )


def _seen_where(signal: Row) -> str:
    """Return what a signal is about: a point, the mark, or a check between calibrations."""
    if signal["point_pct"] is not None:
        return f"At {text.point(signal['point_pct'])}"
    return "Between calibrations" if CHECK_MARK in signal["chart"] else "The mark"


def _undated(signal: Row) -> str:
    """Return the sentence of a signal without its day at the start, which stands beside it."""
    rest: str = signal["sentence"].removeprefix(f"On {text.day(signal['visit_on'])} ")
    return f"{rest[:1].upper()}{rest[1:]}"


def stray_responses(responses: pl.DataFrame) -> tuple[StrayResponse, ...]:
    """Return page rows for responses that answer no signal."""
    return tuple(
        StrayResponse(
            signal_id=row["signal_id"],
            recorded_on=row["recorded_on"],
            recorded_by=row["recorded_by"],
            said=f"{row['finding']}; {row['action']}",
            problem=row["problem"],
        )
        for row in responses.iter_rows(named=True)
    )


def held_back_rows(held_back: pl.DataFrame) -> tuple[HeldBackRow, ...]:
    """Return page rows for rows that were held back."""
    return tuple(HeldBackRow(**row) for row in held_back.iter_rows(named=True))


def file_rows(files: pl.DataFrame) -> tuple[FileRow, ...]:
    """Return page rows for the input files."""
    names = [field.name for field in dataclasses.fields(FileRow)]
    told = files.select(names).with_columns(
        pl.selectors.string().fill_null(""), pl.selectors.integer().fill_null(0)
    )
    return tuple(FileRow(**row) for row in told.iter_rows(named=True))


def policy_rows(policy: Policy) -> tuple[Choice, ...]:
    """Return every number of the policy in force, with the meaning that its docstring gives."""
    meanings: dict[str, str] = {}
    for before, choices in (
        ("", policy),
        ("intervals.", policy.intervals),
        ("retirement.", policy.retirement),
    ):
        found = _meanings(_explained(type(choices)))
        meanings |= {f"{before}{name}": meaning for name, meaning in found.items()}
    return tuple(
        Choice(name, _shown(value), meanings.get(name, ""))
        for name, value in choices_of(policy).items()
    )


def _explained(choices: type) -> str:
    """Return what the dataclasses say of their fields that choices are composed of."""
    parts = [one for one in choices.__mro__ if dataclasses.is_dataclass(one)]
    return "".join(inspect.cleandoc(f"{one.__doc__}") + "\n" for one in parts)


def _meanings(docstring: str) -> dict[str, str]:
    """Return the first sentence on each field that a docstring describes."""
    found: dict[str, str] = {}
    for names, description in _FIELD.findall(docstring):
        sentence = re.split(r"(?<=\.)\s\s", description, maxsplit=1)[0]
        plain = " ".join(sentence.replace("`", "").split())
        found |= {name.strip(): plain for name in names.split(",")}
    return found


def _shown(value: object) -> str:
    """Return one value of the policy as text."""
    if isinstance(value, tuple):
        return ", ".join(_shown(item) for item in value) or "none named"
    return text.plain(value) if isinstance(value, int | float) else str(value) or "none given"
