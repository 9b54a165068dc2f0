"""The evidence pack: answers come from the data, what is missing is said, proof can be found."""

import dataclasses
import re

import polars as pl
import pytest

from drift.forecast.fit import fit_fleet
from drift.forecast.grid.visits import read_visits
from drift.report import render
from drift.report.data_files import data_tables
from drift.report.pages.evidence import EvidencePage, evidence_page
from drift.report.pages.fleet import fleet_page
from drift.report.pages.parts import file_name
from drift.report.register_files import REGISTER_PAGES
from drift.review.clauses.clause import CLAUSE_CONTRADICTED, NOT_SHOWN, SHOWN, Clause
from drift.review.evidence import Evidence, gather_evidence
from drift.review.results import Review
from drift.store.tables import AMENDMENTS
from tests.fabricated_ids import IDS, SCRIPT
from tests.fabricated_review import fabricate
from tests.report.test_render import Outline

CLAUSES = [
    "6.2",
    "6.3",
    "6.4.3",
    "6.4.4",
    "6.4.5",
    "6.4.6",
    "6.4.7",
    "6.4.8",
    "6.4.9",
    "6.4.10",
    "6.4.11",
    "6.4.12",
    "6.4.13",
    "6.5",
    "7.2",
    "7.5",
    "7.6.2",
    "7.7.1",
    "7.7.2",
    "7.7.3",
    "7.8.6",
    "7.10",
    "7.11.2",
    "7.11.3",
    "7.11.6",
    "8.4",
    "8.5",
    "8.7",
    "8.9",
]


@pytest.fixture(scope="module")
def review() -> Review:
    return fabricate()


@pytest.fixture(scope="module")
def evidence(review: Review) -> Evidence:
    return gather_evidence(review)


@pytest.fixture(scope="module")
def page(review: Review, evidence: Evidence) -> EvidencePage:
    return evidence_page(review, evidence)


def entry(page: EvidencePage, clause: str) -> Clause:
    return next(e for part in page.parts for e in part.clauses if e.clause == clause)


def said(page: EvidencePage, clause: str) -> str:
    return " ".join(entry(page, clause).answer).replace("\u00a0", " ")


def test_every_clause_is_answered_once_and_its_source_is_honest(page: EvidencePage) -> None:
    """The clauses asked for, in order; those not read at the source say that they are not.

    Which were read: the project's notes on ISO/IEC 17025 (clauses tagged as read there).
    """
    entries = [e for part in page.parts for e in part.clauses]
    assert [e.clause for e in entries[: len(CLAUSES)]] == CLAUSES
    assert [e.clause for e in entries[len(CLAUSES) :]] == ["equipment record", "intervals"]
    from_memory = {e.clause for e in entries if not e.checked}
    assert from_memory >= {"6.4.7", "6.4.11", "6.5", "7.6.2", "7.7.3", "7.11.2"}
    assert sum(number for _, number in page.counts) == len(entries)
    text = Outline(render.html_evidence(page)).text
    assert text.count("from memory") >= len(from_memory)


def test_links_lead_to_what_is_written(page: EvidencePage, review: Review) -> None:
    """Each proof is a page or a section of a page of the review, or a data file that is written."""
    pages = render.html_fleet(fleet_page(review)).items()
    fleet = {name: set(Outline(html).values("id")) for name, html in pages}
    own = set(Outline(render.html_evidence(page)).values("id"))
    files = {f"data/{name}.csv" for name in data_tables(review)} | {"data/run.json"}
    files |= set(REGISTER_PAGES)
    meters = {f"meters/{file_name(meter_id)}" for meter_id in IDS}
    for part in page.parts:
        for e in part.clauses:
            assert e.proof, e.clause
            for href, _ in e.proof:
                place, _, anchor = href.partition("#")
                if place == "":
                    assert anchor in own, href
                elif place in fleet:
                    assert not anchor or anchor in fleet[place], href
                else:
                    assert place in files, href
        for dossiers in part.dossiers:
            assert {href for href, _ in dossiers} <= meters


def test_signals_and_responses_are_counted(page: EvidencePage, review: Review) -> None:
    """Three signals, one answered; the answer's numbers are those of the frames."""
    waiting = review.signals["answered_on"].null_count()
    assert f"{review.signals.height} signals" in said(page, "7.7.3")
    assert f"{waiting} without" in said(page, "7.7.3")
    oldest = min(review.signals.filter(pl.col("answered_on").is_null())["visit_on"])
    assert f"open for {(review.as_of - oldest).days} days" in said(page, "7.7.3")
    assert "1 response that names no signal" in said(page, "7.7.3")
    assert entry(page, "7.7.3").state == CLAUSE_CONTRADICTED


def test_what_is_missing_is_said(review: Review, page: EvidencePage, evidence: Evidence) -> None:
    """No vessel, nothing answered: each is named; without a past visit no proof is shown."""
    assert entry(page, "6.4.11").state == CLAUSE_CONTRADICTED
    assert evidence.proof is None
    assert [study.name for study in page.studies] == ["detectability"]
    recent = review.signals.with_columns(
        answered_on=pl.lit(None, dtype=pl.Date), visit_on=pl.lit(review.as_of)
    )
    bare = dataclasses.replace(review, signals=recent)
    assert entry(evidence_page(bare, evidence), "7.7.3").state == NOT_SHOWN


def test_parameters_that_had_not_settled_are_said(review: Review, evidence: Evidence) -> None:
    """A fit whose steps ran out is named beside the proof of the forecasts, a settled one not."""
    fit = fit_fleet(read_visits(review.ledger, resolution=0.1), tolerance=0.1, sample=200, rounds=1)
    told = []
    for converged in (True, False):
        made = dataclasses.replace(review, fit=dataclasses.replace(fit, converged=converged))
        told.append(said(evidence_page(made, evidence), "7.7.1"))
    assert "had not settled" not in told[0]
    assert "had not settled after 1" in told[1]


def test_lost_evidence_and_the_schedule_come_from_the_ledger(
    page: EvidencePage, review: Review
) -> None:
    """One visit lost its as-found evidence; gaps of 120 days are late for all but its own meter."""
    lost = review.ledger.filter("evidence_lost").select("meter_id", "visit_id").unique().height
    assert f"read as found: {lost} visit" in said(page, "6.4.12")
    # By hand: intervals are 91 days but for one meter of 120 days; nine visits make eight gaps.
    # The visit that lost its readings as found is no calibration.
    assert "8 of 71 visits came within the meter's own interval" in said(page, "6.4.7")


def test_a_sound_record_is_shown(review: Review, evidence: Evidence) -> None:
    """With every signal answered and no stray response the clause is simply shown."""
    answered = review.signals.with_columns(
        answered_on=pl.col("answered_on").fill_null(review.as_of)
    )
    sound = dataclasses.replace(
        review, signals=answered, responses=review.responses.filter(pl.col("problem") == "")
    )
    assert entry(evidence_page(sound, evidence), "7.7.3").state == SHOWN


def test_the_page_is_sound_and_runs_nothing_hostile(page: EvidencePage) -> None:
    """Tags are balanced, and no id of a meter has become markup."""
    outline = Outline(render.html_evidence(page))
    assert outline.unbalanced == []
    assert not {"img", "iframe", "object", "form"} & set(outline.tags)
    assert outline.values("rel") == ["stylesheet"] * outline.tags.count("link")
    assert len(re.findall(r"<script", render.html_evidence(page))) == outline.tags.count("script")
    assert "harmed" not in " ".join(outline.values("onerror"))


def test_amended_values_are_listed_with_both_places(review: Review, evidence: Evidence) -> None:
    """Old and new value stand side by side, each with its place; hostile text stays text."""
    row = {
        "table_name": "readings",
        "row_key": f"{SCRIPT} 2024-01-10",
        "column": "reading_air_pct",
        "old_value": "5.05",
        "new_value": "5.10",
        "old_file": "a.csv",
        "old_line": 7,
        "new_file": "b.csv",
        "new_line": 9,
    }
    amended = pl.DataFrame([row], schema=AMENDMENTS)
    sources = dataclasses.replace(review.sources, amendments=amended)
    made = evidence_page(dataclasses.replace(review, sources=sources), evidence)
    html = render.html_evidence(made)
    assert SCRIPT not in html
    text = Outline(html).text
    assert "5.05 a.csv:7" in text
    assert "5.10 b.csv:9" in text
    assert "1 value amended" in said(made, "7.5")
