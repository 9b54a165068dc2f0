"""This module reviews a fleet too large to be held at once: some hundreds of meters at a time.

What meters share is learnt first, from an even choice of them and from sums over all; then each
part is read, worked out, written and let go.
"""

import dataclasses
import io
import pickle
from bisect import bisect_left
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from itertools import pairwise
from pathlib import Path

import polars as pl

from drift.api.at_work import side_by_side
from drift.api.cluster import cluster_hands
from drift.memory import give_memory_back
from drift.meter.ledger import LEDGER
from drift.report.part_files import (
    FleetFiles,
    PartFound,
    part_found,
    signals_and_responses,
    standing_in_order,
)
from drift.report.write import Progress
from drift.review.analyse import analyse
from drift.review.fleet_laws import FleetLaws
from drift.review.learn_laws import (
    PartSums,
    begin_laws,
    finish_laws,
    panel_of,
    part_sums,
    said_of_the_fleet,
)
from drift.review.policy import Policy
from drift.review.responses import match_responses
from drift.review.results import Review
from drift.review.zero_spans import ZeroSpan
from drift.store.connection import Connection
from drift.store.some_meters import parted
from drift.store.tables import AMENDMENTS, Sources

# Meters worked out at a time, which bounds the memory.
METERS_AT_ONCE = 512
# Meters up to which all are worked out at once: learning from some of them first would cost more.
LARGE_FLEET = 4_000
# Steps of learning, for the progress.
_LEARNING = 2


@dataclass(frozen=True, slots=True)
class Job:
    """What working out any part of a fleet needs, but for the part.

    Attributes
    ----------
    folder : Path
        Where the parts lie, and, once they are known, the laws.
    source_name : str
    as_of : date
    policy : Policy
    parquet : bool
        Whether Parquet files are asked for.
    cluster : str
        Address of a scheduler whose workers do it; empty for the cores of this machine.
    """

    folder: Path
    source_name: str
    as_of: date
    policy: Policy
    parquet: bool
    cluster: str = ""


@dataclass(frozen=True, slots=True)
class FleetReview:
    """What a review of a large fleet found.

    Attributes
    ----------
    review : Review
        What is said of the fleet and where its meters stand; visits are in the data files alone.
    visits, readings : int
        How many there were.
    """

    review: Review
    visits: int
    readings: int


def deal_out(con: Connection, fleet: pl.DataFrame, job: Job) -> "FleetParts":
    """Deal what a store holds out by meter into the folder of a job.

    Parameters
    ----------
    con : Connection
        An open store; it serves nothing else then.
    fleet : pl.DataFrame
        Frame of `drift.store.some_meters.FLEET`.
    job : Job
    """
    sources = parted(
        con,
        as_of=job.as_of,
        points_pct=job.policy.points_pct,
        point_window_pct=job.policy.point_window_pct,
    )
    dealt = _dealt(fleet["meter_id"], sources.rest.meters["meter_id"])
    chosen, unread_judges = panel_of(fleet, sources.rest.equipment)
    stands = pl.col("meter_id").is_in(chosen)
    standing = []
    for place, (meters, unread) in enumerate(dealt):
        part = sources.of(meters, unread=unread)
        _keep(part, job, place)
        standing.append(part.sessions.filter(stands))
    panel = sources.around(pl.concat(standing, rechunk=True), meters=[*chosen, *unread_judges])
    return FleetParts(len(dealt), fleet, sources.rest, panel)


def _dealt(read: pl.Series, listed: pl.Series) -> list[tuple[list[str], list[str]]]:
    """Return for each part its meters, and those listed and never read that lie among them."""
    unread = sorted(set(listed.drop_nulls()) - set(read))
    cuts = [*range(0, len(read), METERS_AT_ONCE), len(read)]
    parts = [read[first:last].to_list() for first, last in pairwise(cuts)]
    begins = [bisect_left(unread, part[0]) for part in parts[1:]]
    ends = [0, *begins, len(unread)]
    return [
        (part, unread[first:last])
        for part, (first, last) in zip(parts, pairwise(ends), strict=True)
    ]


@dataclass(frozen=True, slots=True)
class FleetParts:
    """A fleet dealt out.

    Attributes
    ----------
    count : int
        How many parts there are.
    fleet : pl.DataFrame
        Frame of `drift.store.some_meters.FLEET`.
    rest, panel : Sources
        What there is beside sittings; all of the meters that stand for the fleet.
    """

    count: int
    fleet: pl.DataFrame
    rest: Sources
    panel: Sources


def is_large(fleet: pl.DataFrame) -> bool:
    """Say whether a fleet, frame of `FLEET`, has too many meters to be worked out at once."""
    return fleet.height > LARGE_FLEET


def review_parts(
    job: Job, parts: FleetParts, files: FleetFiles, *, progress: Progress
) -> FleetReview:
    """Review a fleet part by part and write its data files.

    Parameters
    ----------
    job : Job
    parts : FleetParts
        What `deal_out` gave for it.
    files : FleetFiles
        Where they go.
    progress : callable
        Told how many steps are done and how many there are.
    """
    steps = 2 * parts.count + _LEARNING
    given = {"as_of": job.as_of, "policy": job.policy}
    every = [(job, place) for place in range(parts.count)]
    with cluster_hands(job.cluster) if job.cluster else side_by_side(parts.count) as do:
        begun = begin_laws(parts.panel, meters=parts.fleet.height, **given)  # type: ignore[arg-type]  # by name
        _keep_laws(begun, job, "begun")
        progress(1, steps)
        sums = []
        for one in do(_sums, every):
            sums.append(one)
            progress(1 + len(sums), steps)
        laws = finish_laws(
            begun,
            sums,
            panel=parts.panel,
            rest=parts.rest,
            fleet=parts.fleet,
            as_of=job.as_of,
            policy=job.policy,
        )
        _keep_laws(laws, job, "laws")
        fleet = _of_the_fleet(job, parts, laws)
        files.begin(fleet)
        progress(parts.count + _LEARNING, steps)
        visits = readings = 0
        for number, found in enumerate(do(_found, every), 1):
            files.add(found)
            visits, readings = visits + found.visits, readings + found.readings
            progress(parts.count + _LEARNING + number, steps)
    whole = _whole(fleet, files)
    files.finish(whole)
    return FleetReview(whole, visits, readings)


def _sums(asked: tuple[Job, int]) -> PartSums:
    """Return what the rest of the fleet must know of a part."""
    job, place = asked
    laws = _laws(job.folder / "begun")
    sums = part_sums(_part(job, place), laws, as_of=job.as_of, policy=job.policy)
    give_memory_back()
    return sums


def _found(asked: tuple[Job, int]) -> PartFound:
    """Review a part."""
    job, place = asked
    review = analyse(
        _part(job, place),
        source_name=job.source_name,
        as_of=job.as_of,
        policy=job.policy,
        laws=_laws(job.folder / "laws"),
    )
    found = part_found(review, parquet=job.parquet)
    del review
    give_memory_back()
    return found


def _keep(sources: Sources, job: Job, place: int) -> None:
    """Write a part where processes find it, its sittings packed: they are nearly all of it."""
    packed = io.BytesIO()
    sources.sessions.write_ipc(packed, compression="zstd")
    rest = dataclasses.replace(sources, sessions=sources.sessions.clear())
    with (job.folder / f"part-{place:06}").open("wb") as file:
        pickle.dump((rest, packed.getvalue()), file)


def _part(job: Job, place: int) -> Sources:
    """Read a part."""
    with (job.folder / f"part-{place:06}").open("rb") as file:
        rest, packed = pickle.load(file)  # noqa: S301  # written by this run
    sources: Sources = dataclasses.replace(rest, sessions=pl.read_ipc(io.BytesIO(packed)))
    return sources


def _keep_laws(laws: FleetLaws, job: Job, name: str) -> None:
    """Write laws where processes find them."""
    with (job.folder / name).open("wb") as file:
        pickle.dump(laws, file)


@lru_cache(maxsize=1)
def _laws(path: Path) -> FleetLaws:
    """Read laws, once in each process."""
    with path.open("rb") as file:
        laws: FleetLaws = pickle.load(file)  # noqa: S301  # written by this run
    return laws


def _of_the_fleet(job: Job, parts: FleetParts, laws: FleetLaws) -> Review:
    """Return what is said of the whole fleet, with nothing yet of its meters."""
    # What is said of all is the same whichever meters it is asked of.
    one = dataclasses.replace(parts.panel, sessions=_first_meter(parts.panel.sessions))
    review = analyse(
        one,
        source_name=job.source_name,
        as_of=job.as_of,
        policy=job.policy,
        laws=laws,
    )
    intervals, risks = said_of_the_fleet(parts.panel, laws, as_of=job.as_of, policy=job.policy)
    return dataclasses.replace(
        review,
        ledger=review.ledger.clear(),
        charted=review.charted.clear(),
        limits=review.limits.clear(),
        phases=review.phases.clear(),
        forecast=review.forecast.clear(),
        signals=review.signals.clear(),
        responses=review.responses.clear(),
        meters=review.meters.clear(),
        obligations=review.obligations.clear(),
        own_meters=review.own_meters.clear(),
        held=review.held.clear(),
        uses=review.uses.clear(),
        sources=parts.rest,
        reference=dataclasses.replace(
            review.reference,
            compared=review.reference.compared.clear(),
            causes=review.reference.causes.clear(),
            weighed=review.reference.weighed.clear(),
            dials=review.reference.dials.clear(),
            pairs=review.reference.pairs.clear(),
        ),
        zero_span=ZeroSpan(),
        upkeep=dataclasses.replace(review.upkeep, intervals=intervals),
        conformity=dataclasses.replace(
            review.conformity,
            verdicts=review.conformity.verdicts.clear(),
            budgets=review.conformity.budgets.clear(),
            risks=risks,
        ),
    )


def _first_meter(sessions: pl.DataFrame) -> pl.DataFrame:
    """Return the sittings of one meter."""
    return sessions.filter(pl.col("meter_id") == sessions["meter_id"].min())


def _whole(fleet: Review, files: FleetFiles) -> Review:
    """Add where the meters stand, and responses to no signal of any."""
    meters, obligations = standing_in_order(files)
    signals, answered = signals_and_responses(files)
    given = fleet.sources.responses
    strays = match_responses(
        given.join(answered, on=["signal_id", "recorded_on"], how="anti"),
        signals,
        ledger=pl.DataFrame(schema=LEDGER),
        amendments=pl.DataFrame(schema=AMENDMENTS),
        set_aside=fleet.sources.set_aside,
    )
    return dataclasses.replace(
        fleet,
        meters=meters,
        obligations=obligations,
        signals=signals,
        responses=pl.concat([answered, strays]).sort("recorded_on", "signal_id"),
    )
