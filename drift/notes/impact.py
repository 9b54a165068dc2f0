"""This module writes the impact note of one meter, from a source to files; it decides nothing."""

import json
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from drift.analysis.analyse import analyse, jumps_known
from drift.analysis.studies import forecast_settings
from drift.decisions.impact import (
    BRACKET,
    QUESTIONS,
    Impact,
    failed_visits,
    sentences,
    suspect,
    with_verdicts,
)
from drift.decisions.responses import nearest_ids
from drift.errors import DriftError
from drift.frames import Sources
from drift.pipeline import read
from drift.policy import Policy
from drift.results import Review
from drift.stats.field_tests import weigh_tests
from drift.stats.forecast.hindsight import look_back_on
from drift.writing.exchange import digests_of, exchanged_for, place_for, write_kind_record
from drift.writing.outputs import plain, write_data
from drift.writing.own_files import IMPACT


@dataclass(frozen=True, slots=True)
class ImpactWritten:
    """An impact note and where it went.

    Attributes
    ----------
    impact : Impact
        What it says.
    told : tuple of str
        Its sentences.
    page : Path
        The note.
    data : tuple of Path
        Its CSV files: the field tests and the path.
    """

    impact: Impact
    told: tuple[str, ...]
    page: Path
    data: tuple[Path, ...]


def write_impact(
    source: Path, meter_id: str, *, visit: date | None, out: Path, as_of: date, policy: Policy
) -> ImpactWritten:
    """Write the impact note of one meter into a folder.

    Parameters
    ----------
    source : Path
        Folder of CSV files or store file.
    meter_id : str
        The meter.
    visit : date or None
        The visit that is asked about; by default the last that found it out of tolerance, or the
        last of all where none did.
    out : Path
        Folder to write into; made where it does not exist.
    as_of : date
        Later rows are not seen.
    policy : Policy
        The laboratory's choices.

    Raises
    ------
    DriftError
        If the source cannot be used, holds no such meter or visit, or `out` cannot be written.
    """
    # Drawing libraries are slow to load, and a wrong name should be told at once.
    from drift.pages import file_name  # noqa: PLC0415
    from drift.pages.impact import impact_page  # noqa: PLC0415
    from drift.writing.render import html_impact  # noqa: PLC0415

    place = place_for(out, IMPACT)
    sources = read(source, as_of=as_of, policy=policy)
    _check(sources.sessions, meter_id, visit)
    name = source.resolve().name
    review = analyse(sources, source_name=name, as_of=as_of, policy=policy)
    impact = find_impact(review, meter_id, visit=visit)
    page = impact_page(impact, review)
    stem = f"{file_name(meter_id).removesuffix('.html')}_{impact.suspicion.closed.isoformat()}"
    tables = {f"{stem}_field_tests": plain(impact.tests), f"{stem}_path": plain(impact.path)}
    # Notes on other meters and visits stay beside it.
    with exchanged_for(place, keep=place.written.keys()) as new:
        write_data(tables, new)
        (new / f"{stem}.html").write_text(html_impact(page), encoding="utf-8")
        write_kind_record(new, IMPACT, {**place.written, **digests_of(new)})
    return ImpactWritten(
        impact=impact,
        told=sentences(impact, policy),
        page=out / f"{stem}.html",
        data=tuple(out / f"{table}.csv" for table in tables),
    )


def find_impact(review: Review, meter_id: str, *, visit: date | None) -> Impact:
    """Find what a visit of one meter puts in doubt.

    Parameters
    ----------
    review : Review
        Of the whole fleet.
    meter_id : str
        A meter of it.
    visit : date or None
        Day of one of its visits; None as in `write_impact`.
    """
    sources, policy = review.sources, review.policy
    judged = with_verdicts(review.ledger, review.conformity.verdicts)
    mine = judged.filter(pl.col("meter_id") == meter_id)
    failed = failed_visits(mine)
    told = mine if failed.is_empty() else failed
    suspicion = suspect(mine, closed=visit or max(told["performed_on"]))
    own = pl.col("meter_id") == meter_id
    drops = sources.service.filter(
        own
        & (pl.col("action") == "dropped")
        & (pl.col("performed_on") > suspicion.started)
        & (pl.col("performed_on") <= suspicion.closed)
    )
    dropped = tuple(drops["performed_on"].sort())
    hindsight = look_back_on(
        jumps_known(review.ledger, sources),
        meter_id=meter_id,
        opened=suspicion.started,
        closed=suspicion.closed,
        drops=dropped,
        settings=forecast_settings(policy, band_level=policy.band_level),
    )
    tests = sources.field_tests.filter(
        own & pl.col("tested_on").is_between(suspicion.started, suspicion.closed)
    )
    been_out = hindsight.any_been_out
    return Impact(
        suspicion=suspicion,
        drops=dropped,
        bracket=tuple(hindsight.been_out_on(BRACKET)),
        p_been_out=float(been_out[-1]) if been_out.size else None,
        path=hindsight.path(),
        tests=weigh_tests(tests, hindsight),
        held_back=_held_back(sources),
        tests_given="field_tests" in sources.files["table_name"],
    )


def impact_record(written: ImpactWritten) -> str:
    """Return an impact note as JSON text; what is not known is null."""
    impact, suspicion = written.impact, written.impact.suspicion
    early, middle, late = impact.bracket
    record = {
        "meter_id": suspicion.meter_id,
        "visit_on": suspicion.closed,
        "failed": [
            {"point_pct": point, "as_found_bias_pct": bias} for point, bias in suspicion.failed
        ],
        "started_on": suspicion.started,
        "evidence": suspicion.evidence or None,
        "dropped_on": list(impact.drops),
        "p_been_out": impact.p_been_out,
        "out_since": {"early": early, "middle": middle, "late": late},
        "sentences": list(written.told),
        "to_decide": [{"clause": clause, "question": question} for clause, question in QUESTIONS],
        "field_tests": plain(impact.tests).to_dicts(),
        "field_tests_given": impact.tests_given,
        "field_tests_held_back": impact.held_back,
        "path": plain(impact.path).to_dicts(),
    }
    return json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False, default=date.isoformat)


def _held_back(sources: Sources) -> int:
    """Count the rows of files of field tests that were held back."""
    files = sources.files.filter(pl.col("table_name") == "field_tests")
    held = sources.held_back.filter(pl.col("file").is_in(files["file"].implode()))
    return held.select("file", "line").n_unique()


def _check(sessions: pl.DataFrame, meter_id: str, visit: date | None) -> None:
    """Raise where there is no such meter or visit, with the nearest there are."""
    mine = sessions.filter(pl.col("meter_id") == meter_id)
    if mine.is_empty() and not sessions.is_empty():
        near = nearest_ids(meter_id, sessions["meter_id"].unique())
        raise DriftError(
            what="is not a meter with a visit on record",
            where=f"meter {meter_id}",
            expected="the id of one that has",
            hint=f"nearest: {', '.join(near)}" if near else "",
        )
    days = mine.group_by("visit_id").agg(pl.col("performed_on").min())["performed_on"]
    if visit is not None and visit not in set(days):
        near_days = sorted(days, key=lambda day: (abs((day - visit).days), day))[:3]
        raise DriftError(
            what=f"has no visit on {visit}",
            where=f"meter {meter_id}",
            expected="the day of one of its visits",
            hint=f"nearest: {', '.join(day.isoformat() for day in sorted(near_days))}",
        )
