"""This module splits a review by meter, one part for each dossier."""

import dataclasses
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import polars as pl

from drift.reference.weigh import Reference
from drift.review.register_faults import register_faults
from drift.review.results import Review
from drift.review.zero_spans import ZeroSpan


@dataclass(frozen=True, slots=True)
class _Dealt:
    """The rows of a frame by meter, in their order, and the frame without rows."""

    rows: dict[str, pl.DataFrame]
    none: pl.DataFrame

    def to(self, meter_id: str) -> pl.DataFrame:
        """Return the rows of one meter."""
        return self.rows.get(meter_id, self.none)


def split_by_meter(review: Review) -> Iterator[tuple[str, Review]]:
    """Yield each meter with the part of a review that its dossier tells of, by meter_id.

    To pick one meter's rows out of a frame takes as long as the frame is; here each frame is gone
    through once for all meters, and a process that writes a dossier is sent no more than it needs.

    Returns
    -------
    iterator of (str, Review)
        Of frames by meter or by series the rows of that meter, of `meters` its neighbours too.
    """
    owners = review.ledger.select("series", owner="meter_id").unique()
    sessions, marks, service = (
        _dealt(frame)
        for frame in (review.sources.sessions, review.sources.marks, review.sources.service)
    )
    reference = _dealt_frames(_of_reference(review.reference))
    zero_span = _dealt_frames(
        {
            "visits": review.zero_span.visits,
            "drifts": review.zero_span.drifts,
            "hysteresis": review.zero_span.hysteresis,
        }
    )
    intervals = _dealt(review.upkeep.intervals)
    trends = None if review.trends is None else _dealt(review.trends)
    noted = _dealt_frames(_of_notes(review))
    journal = _entries_by_meter(review.sources.journal)
    verdicts, budgets = _dealt(review.conformity.verdicts), _dealt(review.conformity.budgets)
    for meter_id, one in _outer_shares(_without_the_fleets(review), owners):
        yield (
            meter_id,
            dataclasses.replace(
                one,
                trends=None if trends is None else trends.to(meter_id),
                **noted(meter_id),
                sources=dataclasses.replace(
                    one.sources,
                    sessions=sessions.to(meter_id),
                    marks=marks.to(meter_id),
                    service=service.to(meter_id),
                    journal=journal.to(meter_id),
                    meters=one.sources.meters.join(
                        one.meters, on="meter_id", how="semi", maintain_order="left"
                    ),
                ),
                reference=dataclasses.replace(one.reference, **reference(meter_id)),
                zero_span=ZeroSpan(**zero_span(meter_id)),
                upkeep=dataclasses.replace(one.upkeep, intervals=intervals.to(meter_id)),
                conformity=dataclasses.replace(
                    one.conformity, verdicts=verdicts.to(meter_id), budgets=budgets.to(meter_id)
                ),
            ),
        )


def _of_notes(review: Review) -> dict[str, pl.DataFrame]:
    """Return the frames of what is noted of meters, by name."""
    return {
        "held": review.held,
        "alike": review.alike,
        "uses": review.uses,
        "own_meters": review.own_meters,
        # A vessel's are told elsewhere.
        "faults": register_faults(review).drop_nulls("meter_id"),
    }


def _of_reference(reference: Reference) -> dict[str, pl.DataFrame]:
    """Return the frames of the reference that go by meter, by name."""
    return {
        "causes": reference.causes,
        "weighed": reference.weighed,
        "dials": reference.dials,
        "moves": reference.moves,
        "balance": reference.balance,
    }


def _dealt_frames(frames: dict[str, pl.DataFrame]) -> Callable[[str], dict[str, Any]]:
    """Deal frames of one part of a review out by meter; give what returns a meter's, by name."""
    dealt = {name: _dealt(frame) for name, frame in frames.items()}
    return lambda meter_id: {name: one.to(meter_id) for name, one in dealt.items()}


def _entries_by_meter(journal: pl.DataFrame) -> _Dealt:
    """Deal the entries of a journal out by the meters that they name."""
    named = journal.with_columns(owner=pl.col("meters").str.json_decode(pl.List(pl.String)))
    parts = (
        named.explode("owner")
        .drop_nulls("owner")
        .partition_by("owner", maintain_order=True, include_key=False, as_dict=True)
    )
    return _Dealt({str(key[0]): rows for key, rows in parts.items()}, journal.clear())


def _outer_shares(review: Review, owners: pl.DataFrame) -> Iterator[tuple[str, Review]]:
    """Yield each meter with its rows of the frames of a review, those of its parts left whole."""
    ledger, forecast, signals, obligations, phases, marks = (
        _dealt(frame)
        for frame in (
            *(review.ledger, review.forecast, review.signals),
            *(review.obligations, review.phases, review.marks),
        )
    )
    charted, limits, path_trends, changes, forecasts = (
        _dealt(frame, owners=owners)
        for frame in (
            review.charted,
            review.limits,
            review.path_trends,
            review.changes,
            review.forecasts,
        )
    )
    # A response that names no signal belongs to no dossier.
    signalled = review.signals.select("signal_id", owner="meter_id")
    responses = _dealt(review.responses, owners=signalled)
    order = review.meters["meter_id"].to_list()
    for place, meter_id in sorted(enumerate(order), key=lambda placed: placed[1]):
        yield (
            meter_id,
            dataclasses.replace(
                review,
                ledger=ledger.to(meter_id),
                charted=charted.to(meter_id),
                limits=limits.to(meter_id),
                phases=phases.to(meter_id),
                marks=marks.to(meter_id),
                path_trends=path_trends.to(meter_id),
                changes=changes.to(meter_id),
                forecasts=forecasts.to(meter_id),
                forecast=forecast.to(meter_id),
                signals=signals.to(meter_id),
                obligations=obligations.to(meter_id),
                responses=responses.to(meter_id),
                meters=review.meters[max(0, place - 1) : place + 2],
            ),
        )


def _dealt(frame: pl.DataFrame, *, owners: pl.DataFrame | None = None) -> _Dealt:
    """Deal the rows of a frame out by meter; `owners` names the meter of each series or signal."""
    if owners is None:
        parts = frame.partition_by("meter_id", maintain_order=True, as_dict=True)
    else:
        owned = frame.join(owners, on=owners.columns[0], maintain_order="left")
        parts = owned.partition_by("owner", maintain_order=True, include_key=False, as_dict=True)
    return _Dealt({str(key[0]): rows for key, rows in parts.items()}, frame.clear())


def _without_the_fleets(review: Review) -> Review:
    """Leave out the long frames that speak of the fleet, of which no dossier tells."""
    reference, sources = review.reference, review.sources
    return dataclasses.replace(
        review,
        sources=dataclasses.replace(
            sources,
            responses=sources.responses.clear(),
            field_tests=sources.field_tests.clear(),
            held_back=sources.held_back.clear(),
            held_rows=sources.held_rows.clear(),
            amendments=sources.amendments.clear(),
        ),
        reference=dataclasses.replace(
            reference, compared=reference.compared.clear(), sessions=None
        ),
        upkeep=dataclasses.replace(
            review.upkeep,
            present=review.upkeep.present.clear(),
            processes=review.upkeep.processes.clear(),
        ),
        conformity=dataclasses.replace(
            review.conformity, repeatability=review.conformity.repeatability.clear()
        ),
    )
