"""This module takes a source to the files of the retirement memo; it weighs and words nothing."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

import drift
from drift import pages
from drift.analysis.analyse import analyse
from drift.analysis.upkeep import needed_days
from drift.decisions.responses import nearest_ids
from drift.decisions.retirement import weigh_retirement
from drift.decisions.retirement_terms import (
    GROUND_TABLE,
    RetirementEvidence,
)
from drift.errors import SourceError
from drift.frames import Sources
from drift.pages.retirement_data import CHOICE_WORDS, Weighed
from drift.pipeline import read
from drift.policy import Policy, choices_of
from drift.results import Review
from drift.writing import render
from drift.writing.exchange import digests_of, exchanged_for, place_for, write_kind_record
from drift.writing.outputs import plain, write_data
from drift.writing.own_files import RETIREMENT

# Recommendations in words, the least first, for the terminal.
ANSWERS = CHOICE_WORDS

_LONGEST_ID = 60


@dataclass(frozen=True, slots=True)
class RetirementMemo:
    """A retirement memo, ready to be written.

    Attributes
    ----------
    review : Review
        What it rests on.
    asked : tuple of str
        Meters named by the user; empty where all in use are weighed.
    weighed : Weighed
        Meters in the order asked for, by id where all are weighed.
    """

    review: Review
    asked: tuple[str, ...]
    weighed: Weighed


def retirement_memo(
    source: Path, *, meters: Sequence[str], as_of: date, policy: Policy
) -> RetirementMemo:
    """Weigh whether to keep the meters of a folder or a store file.

    Parameters
    ----------
    source : Path
        Folder or store file.
    meters : sequence of str
        Ids; all that are not retired where none is given.
    as_of : date
        The date the memo speaks for.
    policy : Policy
        Thresholds and prices.

    Raises
    ------
    DriftError
        If the source cannot be used, a meter is not in it, or every meter is retired.
    """
    sources = read(source, as_of=as_of, policy=policy)
    name = source.resolve().name
    asked = tuple(dict.fromkeys(meters))
    # A wrong name is told at once, not after all has been worked out.
    chosen = _chosen(sources, asked, where=name)
    review = analyse(sources, source_name=name, as_of=as_of, policy=policy)
    return weigh_meters(review, chosen, asked=asked)


def weigh_meters(
    review: Review, chosen: Sequence[str], *, asked: tuple[str, ...] = ()
) -> RetirementMemo:
    """Weigh whether to keep the meters `chosen` of a review, in their order.

    Parameters
    ----------
    review : Review
        What was found, with the thresholds and prices of its policy.
    chosen : sequence of str
        Meters of the review.
    asked : tuple of str
        Those that the user named.
    """
    policy = review.policy
    found = weigh_retirement(
        RetirementEvidence(
            as_of=review.as_of,
            ledger=review.ledger.filter(pl.col("meter_id").is_in(chosen)),
            marks=review.sources.marks,
            service=review.sources.service,
            meters=review.sources.meters,
            needed=needed_days(review.upkeep.processes, policy),
            present=review.upkeep.present,
            processes=review.upkeep.processes,
            causes=review.reference.causes,
        ),
        tolerance=policy.tolerance_pct,
        comparison=policy.comparison,
        choices=policy.retirement,
        intervals=policy.intervals,
    )
    terms = pl.DataFrame(
        [(ground.name, ground.title, ground.met_from_above) for ground in GROUND_TABLE],
        schema=["ground", "title", "met_from_above"],
        orient="row",
    )
    # Where no meter was named, those that ask for most come first.
    least = list(CHOICE_WORDS)
    answers = dict(found.advice.select("meter_id", "recommendation").iter_rows())
    by_need = sorted(chosen, key=lambda name: -least.index(answers[name]))
    order = pl.DataFrame({"meter_id": list(chosen) if asked else by_need})

    def ordered(frame: pl.DataFrame) -> pl.DataFrame:
        return order.join(frame, on="meter_id", maintain_order="left_right")

    grounds = found.grounds.join(terms, on="ground", maintain_order="left")
    weighed = Weighed(ordered(grounds), ordered(found.costs), ordered(found.advice))
    return RetirementMemo(review=review, asked=asked, weighed=weighed)


def write_retirement(memo: RetirementMemo, out: Path) -> Path:
    """Write a retirement memo as a page, as CSV and as JSON; return where the page is.

    Raises
    ------
    DriftError
        If the folder cannot be written.
    """
    place = place_for(out, RETIREMENT)
    advice = memo.weighed.advice
    kept = advice.filter(pl.col("recommendation") == "keep")["meter_id"]
    in_full = memo.asked or tuple(advice.filter(~pl.col("meter_id").is_in(kept))["meter_id"])
    page = pages.retirement_page(memo.review, memo.weighed, in_full=list(in_full))
    with exchanged_for(place) as new:
        write_data(retirement_tables(memo), new)
        (new / "retirement.html").write_text(render.html_retirement(page), encoding="utf-8")
        record = json.dumps(retirement_record(memo), indent=2, ensure_ascii=False, allow_nan=False)
        (new / "retirement.json").write_text(record + "\n", encoding="utf-8")
        write_kind_record(new, RETIREMENT, digests_of(new))
    return out / "retirement.html"


def retirement_tables(memo: RetirementMemo) -> dict[str, pl.DataFrame]:
    """Return what a retirement memo found by name of data file, as it is written."""
    tables = {
        "retirement": memo.weighed.advice.with_columns(pl.col("carried_by").list.join(" ")),
        "retirement_grounds": memo.weighed.grounds.drop("title", "met_from_above"),
        "retirement_costs": memo.weighed.costs,
    }
    return {name: plain(frame) for name, frame in tables.items()}


def retirement_record(memo: RetirementMemo) -> dict[str, object]:
    """Return a retirement memo as lists, dicts and numbers for JSON; what is unknown is None."""
    review = memo.review
    tables = retirement_tables(memo)
    grounds, costs = tables["retirement_grounds"], tables["retirement_costs"]
    carried = dict(memo.weighed.advice.select("meter_id", "carried_by").iter_rows())

    def of(frame: pl.DataFrame, meter_id: str) -> list[dict[str, object]]:
        return frame.filter(pl.col("meter_id") == meter_id).drop("meter_id").to_dicts()

    return {
        "program": "drift",
        "version": drift.__version__,
        "as_of": review.as_of.isoformat(),
        "source": review.source_name,
        "policy": choices_of(review.policy),
        "files": review.sources.files.select("file", "sha256").to_dicts(),
        "meters": [
            row
            | {
                "carried_by": carried[row["meter_id"]],
                "grounds": of(grounds, row["meter_id"]),
                "costs": of(costs, row["meter_id"]),
            }
            for row in tables["retirement"].to_dicts()
        ],
    }


def _chosen(sources: Sources, asked: tuple[str, ...], *, where: str) -> list[str]:
    """Return the meters to weigh, or raise where one is not known or none is left."""
    known = sources.sessions["meter_id"].unique().sort().to_list()
    for meter_id in asked:
        # Where nothing was read at all, that is what there is to say.
        if known and meter_id not in known:
            near = [_shown(name) for name in nearest_ids(meter_id, known)]
            raise SourceError(
                what="is not a meter with a visit on record",
                where=f"meter {_shown(meter_id)}",
                expected="the id of one that has",
                hint=f"nearest: {', '.join(near)}" if near else f"there are {len(known)}",
            )
    last = sources.meters.unique("meter_id", keep="last")
    retired = set(last.filter(pl.col("status") == "retired")["meter_id"])
    in_use = [meter_id for meter_id in known if meter_id not in retired]
    if known and not asked and not in_use:
        raise SourceError(
            what="holds no meter in use: all are retired",
            where=where,
            expected="a meter that is not retired",
            hint="name the meters to weigh all the same",
        )
    return list(asked) or in_use


def _shown(meter_id: str) -> str:
    """Return an id that cannot break a line of a terminal."""
    text = "".join(mark if mark.isprintable() else "?" for mark in meter_id)
    return text if len(text) <= _LONGEST_ID else text[: _LONGEST_ID - 1] + "…"
