"""This module writes the page of a study of repeatability, and its numbers as CSV and JSON."""

import json
import re
from dataclasses import asdict
from pathlib import Path

import polars as pl

from drift.report import render
from drift.report.data_files import plain_columns, write_data
from drift.report.exchange import digests_of, exchanged_for, place_for, write_kind_record
from drift.report.figures.assets import write_assets
from drift.report.own_files import STUDY
from drift.report.pages.study import study_page
from drift.review.studying import Studied
from drift.version import __version__

# What a file's name may hold of a study's.
_UNSAFE = re.compile(r"[^A-Za-z0-9_.-]+")


def write_study(studied: Studied, out: Path) -> Path:
    """Write a study as a page, as CSV and as JSON into a folder; return where the page is.

    Studies written there before stay beside it.

    Raises
    ------
    DriftError
        If the folder cannot be written.
    """
    place = place_for(out, STUDY)
    stem = _UNSAFE.sub("_", studied.study.study_id)[:60]
    with exchanged_for(place, keep=place.written.keys()) as new:
        write_data({f"{stem}_{name}": frame for name, frame in study_tables(studied).items()}, new)
        page = render.html_study(study_page(studied))
        (new / f"{stem}.html").write_text(page, encoding="utf-8", newline="\n")
        write_assets(new)
        record = json.dumps(study_record(studied), indent=2, ensure_ascii=False, allow_nan=False)
        (new / f"{stem}.json").write_text(record + "\n", encoding="utf-8", newline="\n")
        write_kind_record(new, STUDY, {**place.written, **digests_of(new)})
    return out / f"{stem}.html"


def study_tables(studied: Studied) -> dict[str, pl.DataFrame]:
    """Return what a study found by name of data file, as it is written."""
    return {
        "study_components": plain_columns(studied.study.components),
        "study_effects": plain_columns(studied.study.effects),
    }


def study_record(studied: Studied) -> dict[str, object]:
    """Return a study as lists, dicts and numbers for JSON; what is unknown is None."""
    study = studied.study
    tables = study_tables(studied)
    numbers = pl.DataFrame(
        {"u_pct": [study.u_pct], "df": [study.df]},
        schema={"u_pct": pl.Float64, "df": pl.Float64},
    )
    u, df = plain_columns(numbers).row(0)
    return {
        "program": "drift",
        "version": __version__,
        "as_of": studied.as_of.isoformat(),
        "source": studied.source_name,
        "study_id": study.study_id,
        "components": tables["study_components"].to_dicts(),
        "u_pct": u,
        "df": df,
        "stands_out": plain_columns(study.stands_out).to_dicts(),
        "effects": tables["study_effects"].to_dicts(),
        "resolution_limited": study.resolution_limited,
        "plan": None if study.plan is None else asdict(study.plan),
        "sentences": list(studied.told),
    }
