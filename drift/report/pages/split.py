"""This module splits a review by meter, one part for each dossier, or for a few of them."""

import dataclasses
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from drift.reference.weigh import Reference
from drift.review.register_faults import register_faults
from drift.review.results import Review
from drift.review.zero_spans import ZeroSpan


@dataclass(frozen=True, slots=True)
class _Dealt:
    """The rows of a frame by owner, in their order, and the frame without rows."""

    rows: dict[str, pl.DataFrame]
    none: pl.DataFrame

    def to(self, owner: str) -> pl.DataFrame:
        """Return the rows of one owner."""
        return self.rows.get(owner, self.none)


@dataclass(frozen=True, slots=True)
class _Owners:
    """Whose the rows of frames are.

    Attributes
    ----------
    spans : dict of str to slice
        Places in `Review.meters` of each owner's meters, in the order in which owners come.
    meters : pl.DataFrame or None
        ``meter_id`` and ``owner``; None where each meter is an owner of its own.
    series, signals : pl.DataFrame
        ``series`` or ``signal_id``, and ``owner``.
    """

    spans: dict[str, slice]
    meters: pl.DataFrame | None
    series: pl.DataFrame
    signals: pl.DataFrame


def split_by_meter(
    review: Review, meters: Sequence[str] | None = None
) -> Iterator[tuple[str, Review]]:
    """Yield each meter with the part of a review that its dossier tells of, by meter_id.

    To pick one meter's rows out of a frame takes as long as the frame is; here each frame is gone
    through once for all meters.  `meters` are those to yield, all where None.

    Returns
    -------
    iterator of (str, Review)
        Of frames by meter or by series the rows of that meter, of `meters` its neighbours too.
    """
    order = enumerate(review.meters["meter_id"].to_list())
    wanted = {name: slice(at, at + 1) for at, name in order if meters is None or name in meters}
    owners = _Owners(
        spans=dict(sorted(wanted.items())),
        meters=None,
        series=review.ledger.select("series", owner="meter_id").unique(),
        signals=review.signals.select("signal_id", owner="meter_id"),
    )
    return _split(review, owners)


def split_in_groups(review: Review, most: int) -> Iterator[tuple[list[str], Review]]:
    """Yield `most` meters at a time with the part of a review that their dossiers tell of.

    A process that writes them is sent no more than it needs, and that in few frames.
    """
    meters = review.meters["meter_id"].to_list()
    spans = {str(at): slice(at, min(at + most, len(meters))) for at in range(0, len(meters), most)}
    named = [name for name, span in spans.items() for _ in meters[span]]
    by_meter = pl.DataFrame(
        {"meter_id": meters, "owner": named}, schema={"meter_id": pl.String, "owner": pl.String}
    )
    series = review.ledger.select("series", "meter_id").unique().join(by_meter, on="meter_id")
    signals = review.signals.select("signal_id", "meter_id").join(by_meter, on="meter_id")
    owners = _Owners(spans, by_meter, series.drop("meter_id"), signals.drop("meter_id"))
    for name, part in _split(review, owners):
        yield meters[spans[name]], part


def _split(review: Review, owners: _Owners) -> Iterator[tuple[str, Review]]:
    """Yield each owner with its part of a review."""
    sessions, marks, service = (
        _dealt(frame, owners.meters)
        for frame in (review.sources.sessions, review.sources.marks, review.sources.service)
    )
    reference = _dealt_frames(_of_reference(review.reference), owners)
    zero_span = _dealt_frames(
        {
            "visits": review.zero_span.visits,
            "drifts": review.zero_span.drifts,
            "hysteresis": review.zero_span.hysteresis,
        },
        owners,
    )
    intervals = _dealt(review.upkeep.intervals, owners.meters)
    trends = None if review.trends is None else _dealt(review.trends, owners.meters)
    noted = _dealt_frames(_of_notes(review), owners)
    journal = _dealt_entries(review.sources.journal, owners)
    verdicts = _dealt(review.conformity.verdicts, owners.meters)
    budgets = _dealt(review.conformity.budgets, owners.meters)
    for name, one in _outer_shares(_without_the_fleets(review), owners):
        yield (
            name,
            dataclasses.replace(
                one,
                trends=None if trends is None else trends.to(name),
                **noted(name),
                sources=dataclasses.replace(
                    one.sources,
                    sessions=sessions.to(name),
                    marks=marks.to(name),
                    service=service.to(name),
                    journal=journal.to(name),
                    meters=one.sources.meters.join(
                        one.meters, on="meter_id", how="semi", maintain_order="left"
                    ),
                ),
                reference=dataclasses.replace(one.reference, **reference(name)),
                zero_span=ZeroSpan(**zero_span(name)),
                upkeep=dataclasses.replace(one.upkeep, intervals=intervals.to(name)),
                conformity=dataclasses.replace(
                    one.conformity, verdicts=verdicts.to(name), budgets=budgets.to(name)
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


def _dealt_frames(
    frames: dict[str, pl.DataFrame], owners: _Owners
) -> Callable[[str], dict[str, Any]]:
    """Deal frames of one part of a review out; give what returns an owner's, by their names."""
    dealt = {name: _dealt(frame, owners.meters) for name, frame in frames.items()}
    return lambda owner: {name: one.to(owner) for name, one in dealt.items()}


def _dealt_entries(journal: pl.DataFrame, owners: _Owners) -> _Dealt:
    """Deal the entries of a journal out by the meters that they name."""
    named = (
        journal.with_row_index("_entry")
        .with_columns(meter_id=pl.col("meters").str.json_decode(pl.List(pl.String)))
        .explode("meter_id")
        .drop_nulls("meter_id")
    )
    if owners.meters is None:
        named = named.rename({"meter_id": "owner"})
    else:
        joined = named.join(owners.meters, on="meter_id", maintain_order="left")
        named = joined.drop("meter_id").unique(["_entry", "owner"], maintain_order=True)
    return _by_owner(named.drop("_entry"), journal)


def _outer_shares(review: Review, owners: _Owners) -> Iterator[tuple[str, Review]]:
    """Yield each owner with its rows of the frames of a review, those of its parts left whole."""
    ledger, forecast, signals, obligations, phases, marks = (
        _dealt(frame, owners.meters)
        for frame in (
            *(review.ledger, review.forecast, review.signals),
            *(review.obligations, review.phases, review.marks),
        )
    )
    charted, limits, path_trends, changes, forecasts = (
        _dealt(frame, owners.series)
        for frame in (
            review.charted,
            review.limits,
            review.path_trends,
            review.changes,
            review.forecasts,
        )
    )
    # A response that names no signal belongs to no dossier.
    responses = _dealt(review.responses, owners.signals)
    for name, span in owners.spans.items():
        yield (
            name,
            dataclasses.replace(
                review,
                ledger=ledger.to(name),
                charted=charted.to(name),
                limits=limits.to(name),
                phases=phases.to(name),
                marks=marks.to(name),
                path_trends=path_trends.to(name),
                changes=changes.to(name),
                forecasts=forecasts.to(name),
                forecast=forecast.to(name),
                signals=signals.to(name),
                obligations=obligations.to(name),
                responses=responses.to(name),
                meters=review.meters[max(0, span.start - 1) : span.stop + 1],
            ),
        )


def _dealt(frame: pl.DataFrame, owners: pl.DataFrame | None) -> _Dealt:
    """Deal the rows of a frame out; `owners` names the owner of each meter, series or signal.

    None where each meter is its own.
    """
    if owners is None:
        parts = frame.partition_by("meter_id", maintain_order=True, as_dict=True)
        return _Dealt({str(key[0]): rows for key, rows in parts.items()}, frame.clear())
    return _by_owner(frame.join(owners, on=owners.columns[0], maintain_order="left"), frame)


def _by_owner(owned: pl.DataFrame, frame: pl.DataFrame) -> _Dealt:
    """Deal the rows of a frame out by `owner`."""
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
