"""This module gathers the page of a visit's record."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift import format as text
from drift.frames import Row
from drift.report.pages.dossier_conformity import RULE_WORDS, VERDICTS
from drift.report.pages.parts import Stamp
from drift.report.pages.rows import stamp
from drift.review.bench_advice import MARK_UNITS
from drift.review.results import Review
from drift.review.visit_record import VisitRecord


@dataclass(frozen=True, slots=True)
class SittingRow:
    """What was read at one point and stage, and how it conforms, in words where it is one."""

    point_pct: float
    vessel: str
    correct_pct: float
    readings: str
    bias_pct: float | None
    expanded_u_pct: float | None
    limit_pct: float | None
    verdict: str
    successive: str | None


@dataclass(frozen=True, slots=True)
class VisitPage:
    """The record of one visit: facts by label, a table a stage, what was done, who is to sign."""

    stamp: Stamp
    meter_id: str
    on: date
    headline: str
    facts: tuple[tuple[str, str], ...]
    stages: tuple[tuple[str, tuple[SittingRow, ...]], ...]
    done: tuple[str, ...]
    signs: tuple[tuple[str, str], ...]


def visit_page(review: Review, record: VisitRecord) -> VisitPage:
    """Return everything that the record of a visit says.

    Parameters
    ----------
    review : Review
        For its date, source and choices.
    record : VisitRecord
        The visit.
    """
    stages = [
        (words, record.rows.filter(pl.col("stage") == stage))
        for stage, words in (("as_found", "As found"), ("as_left", "As left"))
    ]
    return VisitPage(
        stamp=stamp(review),
        meter_id=record.meter_id,
        on=record.on,
        headline=record.headline,
        facts=_facts(review, record),
        stages=tuple(
            (words, tuple(_sitting(row) for row in rows.iter_rows(named=True)))
            for words, rows in stages
            if rows.height
        ),
        done=_done(record),
        signs=(
            ("Read by (name, signature)", text.listed(list(record.operators))),
            ("Checked by (name, signature)", text.listed(list(record.checked_by))),
            ("Date", ""),
        ),
    )


def _facts(review: Review, record: VisitRecord) -> tuple[tuple[str, str], ...]:
    """Return what is known of meter and visit, by label; what is not known is left out."""
    about, policy = record.about, review.policy
    maker = " ".join(str(about[name]) for name in ("maker", "model") if about.get(name))
    warm = text.listed([text.plain(value) for value in record.water_c])
    rule = RULE_WORDS[policy.decision_rule]
    facts = (
        ("Laboratory", policy.laboratory),
        ("Maker and model", maker),
        ("Serial number", str(about.get("serial") or "")),
        ("Site", str(about.get("site") or "")),
        ("Why seen", text.listed([text.words_of(one) for one in record.reasons])),
        ("Procedure", text.listed(list(record.procedures) or [str(about.get("procedure") or "")])),
        ("Water", f"{warm} °C" if warm else ""),
        ("Tolerance and rule", f"±{text.plain(policy.tolerance_pct)} % air, {rule}"),
    )
    return tuple((label, said) for label, said in facts if said)


def _sitting(row: Row) -> SittingRow:
    """Return one row of the table of a stage; the rule of the last two is one of readings left."""
    agreed = {True: "agree", False: "do not agree", None: "read once"}
    left = row["stage"] == "as_left"
    return SittingRow(
        point_pct=row["point_pct"],
        vessel=_vessel(row),
        correct_pct=row["correct_air_pct"],
        readings=", ".join(text.plain(value) for value in row["readings_pct"]),
        bias_pct=row["bias_pct"],
        expanded_u_pct=row["expanded_u_pct"],
        limit_pct=row["limit_pct"],
        verdict=VERDICTS.get(row["verdict"], text.CANNOT_SAY),
        successive=agreed[row["two_successive"]] if left else None,
    )


def _vessel(row: Row) -> str:
    """Say which vessel was drawn off how often, and when it and the bowl were measured."""
    if row["correct_air_pct"] == 0:
        return "bowl full of water"
    parts = [row["vessel_id"] or "not named"]
    if row["draws"]:
        parts.append(text.count(row["draws"], "draw"))
    if row["calibrated_on"]:
        parts.append(f"calibrated {text.day(row['calibrated_on'])}")
    if row["bowl_measured_on"]:
        parts.append(f"bowl measured {text.day(row['bowl_measured_on'])}")
    return ", ".join(parts)


def _done(record: VisitRecord) -> tuple[str, ...]:
    """Say what was done to the meter, and what was remarked, in sentences."""
    told = []
    for mark in record.marks:
        unit = MARK_UNITS.get(mark["mark_unit"] or "dial_pct", mark["mark_unit"])
        where = f"{text.plain(mark['mark'])}{text.NO_BREAK}{unit}"
        told.append(f"Initial pressure mark {mark['action']}: {where}.{_remark(mark)}")
    told += [
        f"{text.words_of(work['action']).capitalize()}.{_remark(work)}" for work in record.service
    ]
    told += [f"Remark: {remark}" for remark in record.remarks]
    return tuple(told)


def _remark(row: Row) -> str:
    """Return what was remarked on a row, behind a sentence."""
    return f" {row['remarks']}" if row["remarks"] else ""
