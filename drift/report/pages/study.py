"""This module gathers the data of the page of a study of repeatability."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from drift import format as text
from drift.report.figures.repeatability import part_rows, who_differs_rows
from drift.report.figures.rows import figure_rows
from drift.report.pages.parts import FileRow
from drift.report.pages.rows import file_rows
from drift.review.studying import COMPARED_WORDS, COMPONENT_WORDS, Studied
from drift.version import __version__


@dataclass(frozen=True, slots=True)
class StudyStamp:
    """What the page was made from and of which day it speaks."""

    version: str
    source_name: str
    as_of: date


@dataclass(frozen=True, slots=True)
class PartRow:
    """One part of the scatter, numbers in words."""

    part: str
    sd: str
    limits: str
    df: str
    share: str
    note: str


@dataclass(frozen=True, slots=True)
class StudyEffectRow:
    """One operator or meter against the others; value and limits in words."""

    kind: str
    name: str
    what: str
    value: str
    against: str
    p: float
    stands_out: bool


@dataclass(frozen=True, slots=True)
class StudyPage:
    """The page of a study.

    Attributes
    ----------
    headline : str
        What stands out.
    lead, notes : tuple of str
        Sentences: what it says, and what it leaves open.
    parts : tuple of PartRow
    effects : tuple of StudyEffectRow
        Those that stand out first.
    compared : str
        How levels were compared.
    part_rows, who_differs_rows : str or None
        JSON text of the rows of its figures, None where there is nothing to draw.
    readings : tuple of tuple of str
        Operator, meter, readings, mean bias and standard deviation of each pair.
    files : tuple of FileRow
    """

    stamp: StudyStamp
    study_id: str
    headline: str
    lead: tuple[str, ...]
    notes: tuple[str, ...]
    parts: tuple[PartRow, ...]
    effects: tuple[StudyEffectRow, ...]
    compared: str
    part_rows: str | None
    who_differs_rows: str | None
    readings: tuple[tuple[str, ...], ...]
    tolerance_pct: float
    files: tuple[FileRow, ...]


def study_page(studied: Studied) -> StudyPage:
    """Return everything that the page of a study says."""
    study, tolerance = studied.study, studied.policy.tolerance_pct
    levels = study.effects.filter(pl.col("kind") == "operator", pl.col("what") == "level")
    sentences = studied.told[: len(studied.told) - len(study.notes)]
    return StudyPage(
        stamp=StudyStamp(__version__, studied.source_name, studied.as_of),
        study_id=study.study_id,
        headline=sentences[1].removesuffix("."),
        lead=(sentences[0], *sentences[2:]),
        notes=study.notes,
        parts=_parts(study.components),
        effects=_effects(study.effects),
        compared=COMPARED_WORDS[levels["compared_over"][0]] if levels.height else "",
        part_rows=figure_rows(
            "scatter_parts",
            part_rows(study.components, words=COMPONENT_WORDS, tolerance_pct=tolerance),
        )
        if study.components["sd"].count()
        else None,
        who_differs_rows=figure_rows("who_differs", who_differs_rows(levels))
        if levels.height
        else None,
        readings=_readings(study.pairs),
        tolerance_pct=tolerance,
        files=file_rows(studied.files.filter(pl.col("table_name") == "studies")),
    )


def _parts(components: pl.DataFrame) -> tuple[PartRow, ...]:
    """Return the rows of the parts."""
    rows = []
    for row in components.iter_rows(named=True):
        high = text.spread(row["high"]) if row["high"] is not None else "no upper limit"
        with_ = [COMPONENT_WORDS[name] for name in row["shared_with"].split()]
        note = f"not separated from: {', '.join(with_)}" if with_ else row["note"]
        rows.append(
            PartRow(
                part=COMPONENT_WORDS[row["name"]],
                sd=text.spread(row["sd"]) if row["sd"] is not None else text.CANNOT_SAY,
                limits=f"{text.spread(row['low'])} to {high}" if row["low"] is not None else "",
                df=text.fixed(row["df"], places=1) if row["df"] is not None else "",
                share=text.percent(row["share"], places=0) if row["share"] is not None else "",
                note=note,
            )
        )
    return tuple(rows)


def _effects(effects: pl.DataFrame) -> tuple[StudyEffectRow, ...]:
    """Return the rows of operators and meters, those that stand out first."""
    rows = []
    for row in effects.sort("stands_out", descending=True, maintain_order=True).iter_rows(
        named=True
    ):
        is_level = row["what"] == "level"
        rows.append(
            StudyEffectRow(
                kind=row["kind"],
                name=row["name"],
                what=row["what"],
                value=text.bias(row["value"]) if is_level else text.spread(row["value"]),
                against=f"{text.bias(row['low'])} to {text.bias(row['high'])}"
                if is_level
                else f"others {text.spread(row['others'])}",
                p=row["p_adjusted"],
                stands_out=row["stands_out"],
            )
        )
    return tuple(rows)


def _readings(pairs: pl.DataFrame) -> tuple[tuple[str, ...], ...]:
    """Return the pairs of operator and meter with what they read, in words."""
    return tuple(
        (
            row["operator"],
            row["meter_id"],
            text.point(row["point_pct"]),
            text.whole(row["count"]),
            text.bias(row["mean"]),
            text.spread(row["sd"]) if row["sd"] is not None else "",
        )
        for row in pairs.iter_rows(named=True)
    )
