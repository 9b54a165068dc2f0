"""This module writes impact notes and retirement memos into a folder."""

import json
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from drift.report import render
from drift.report.data_files import plain_columns, write_data
from drift.report.exchange import digests_of, exchanged_for, place_for, write_kind_record
from drift.report.figures.assets import write_assets
from drift.report.own_files import RETIREMENT
from drift.report.pages.retirement import retirement_page
from drift.review.policy import choices_of
from drift.review.retirement import RetirementMemo
from drift.review.suspicion import QUESTIONS, Impact
from drift.version import __version__


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
        "field_tests": plain_columns(impact.tests).to_dicts(),
        "field_tests_given": impact.tests_given,
        "field_tests_held_back": impact.held_back,
        "path": plain_columns(impact.path).to_dicts(),
    }
    return json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False, default=date.isoformat)


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
    page = retirement_page(memo.review, memo.weighed, in_full=list(in_full))
    with exchanged_for(place) as new:
        write_data(retirement_tables(memo), new)
        (new / "retirement.html").write_text(
            render.html_retirement(page), encoding="utf-8", newline="\n"
        )
        write_assets(new)
        record = json.dumps(retirement_record(memo), indent=2, ensure_ascii=False, allow_nan=False)
        (new / "retirement.json").write_text(record + "\n", encoding="utf-8", newline="\n")
        write_kind_record(new, RETIREMENT, digests_of(new))
    return out / "retirement.html"


def retirement_tables(memo: RetirementMemo) -> dict[str, pl.DataFrame]:
    """Return what a retirement memo found by name of data file, as it is written."""
    tables = {
        "retirement": memo.weighed.advice.with_columns(pl.col("carried_by").list.join(" ")),
        "retirement_grounds": memo.weighed.grounds.drop("title", "met_from_above", "distance"),
        "retirement_costs": memo.weighed.costs,
    }
    return {name: plain_columns(frame) for name, frame in tables.items()}


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
        "version": __version__,
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
