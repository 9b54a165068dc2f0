"""This module turns page data into HTML text through reports/."""

import base64
import hashlib
import json
from functools import cache

from jinja2 import Environment, FunctionLoader, StrictUndefined

from drift import format as text
from drift.folders import cautions, report
from drift.report.pages.dossier import DossierPage
from drift.report.pages.evidence import EvidencePage
from drift.report.pages.fleet import FleetPage
from drift.report.pages.impact import ImpactPage
from drift.report.pages.journal import JournalPage
from drift.report.pages.records import RecordsPage
from drift.report.pages.retirement import RetirementPage
from drift.report.pages.sheet import SheetPage
from drift.report.pages.short import ShortPage


def html_fleet(page: FleetPage) -> str:
    """Return the fleet review as one HTML page that needs nothing beside it."""
    return _html("fleet.html.jinja2", page)


def html_dossier(page: DossierPage) -> str:
    """Return the dossier of one meter as one HTML page that needs nothing beside it."""
    return _html("dossier.html.jinja2", page)


def html_retirement(page: RetirementPage) -> str:
    """Return the retirement memo as one HTML page that needs nothing beside it."""
    return _html("retirement.html.jinja2", page)


def html_sheet(page: SheetPage) -> str:
    """Return the visit sheet, one meter a printed page, as one HTML page."""
    return _html("sheet.html.jinja2", page)


def html_impact(page: ImpactPage) -> str:
    """Return an impact note as one HTML page that needs nothing beside it."""
    return _html("impact.html.jinja2", page)


def html_evidence(page: EvidencePage) -> str:
    """Return the evidence pack as one HTML page that needs nothing beside it."""
    return _html("evidence.html.jinja2", page)


def html_short(page: ShortPage) -> str:
    """Return what a notebook shows of a review: a part of a page, without style or script."""
    return _environment().get_template("short.html.jinja2").render(page=page)


def html_records(page: RecordsPage) -> str:
    """Return how records are read, cell by cell, as one HTML page that needs nothing beside it."""
    return _html("import.html.jinja2", page)


def html_journal(page: JournalPage) -> str:
    """Return the journal of a source as one HTML page that needs nothing beside it."""
    return _html("journal.html.jinja2", page)


def _html(
    template: str,
    page: FleetPage
    | DossierPage
    | EvidencePage
    | ImpactPage
    | JournalPage
    | RecordsPage
    | RetirementPage
    | SheetPage,
) -> str:
    """Return a page: its template over the frame, with style, script and what admits them."""
    style, script = _style(), report("page.js")
    rendered = (
        _environment()
        .get_template(template)
        .render(
            page=page,
            style=style,
            style_hash=_digest(style),
            script=script,
            script_hash=_digest(script),
            cautions=cautions(),
        )
    )
    return rendered + "\n"


def _digest(text_of_tag: str) -> str:
    """Return the hash by which a security policy admits what stands in a tag."""
    return base64.b64encode(hashlib.sha256(text_of_tag.encode()).digest()).decode()


@cache
def _style() -> str:
    """Return the style sheet with the palette of the figures."""
    theme = json.loads(report("theme.json"))
    palette = _environment().get_template("palette.css.jinja2")
    return palette.render(light=theme["light"], dark=theme["dark"]) + "\n" + report("style.css")


@cache
def _environment() -> Environment:
    """Return the one template environment; everything that a template prints is escaped."""
    environment = Environment(
        autoescape=True,
        loader=FunctionLoader(report),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    environment.filters |= {
        "air": text.air,
        "bias": text.bias,
        "count": text.count,
        "day": text.day,
        "factor": text.factor,
        "in_days": text.in_days,
        "in_tenths": text.in_tenths,
        "p_value": text.p_value,
        "plain": text.plain,
        "point": text.point,
        "probability": text.probability,
        "rare": text.rare,
        "raw": text.raw,
        "share": text.share,
        "shortened": text.shortened,
        "spread": text.spread,
        "whole": text.whole,
        "words_of": text.words_of,
    }
    return environment
