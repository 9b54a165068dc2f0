"""This module turns page data into HTML text through reports/."""

import base64
import hashlib
import json
import re
from dataclasses import dataclass
from functools import cache

from jinja2 import Environment, FileSystemBytecodeCache, FunctionLoader, StrictUndefined

from drift import format as text
from drift.folders import cautions, report
from drift.report.figures.assets import figures_script, library_script
from drift.report.kept_texts import where_kept
from drift.report.pages.bar import PageBar
from drift.report.pages.bench import BenchPage
from drift.report.pages.dossier import DossierPage
from drift.report.pages.evidence import EvidencePage
from drift.report.pages.fleet import FleetPage
from drift.report.pages.guide import GuidePage
from drift.report.pages.impact import ImpactPage
from drift.report.pages.journal import JournalPage
from drift.report.pages.records import RecordsPage
from drift.report.pages.register import LabelsPage, RegisterPage, SitePage
from drift.report.pages.retirement import RetirementPage
from drift.report.pages.sheet import SheetPage
from drift.report.pages.short import ShortPage
from drift.report.pages.study import StudyPage
from drift.report.pages.visit import VisitPage

# Modules of the page of the bench, each resting on those before it; the first five are pure.
BENCH_SCRIPTS = (
    "bench_rules.js",
    "bench_law.js",
    "bench_visit.js",
    "bench_file.js",
    "bench_words.js",
    "bench_draw.js",
    "bench_parts.js",
    "bench_steps.js",
    "bench_adjust.js",
    "bench_home.js",
    "bench.js",
)


@dataclass(frozen=True, slots=True)
class Top:
    """The bar at the top of a page: the pages of the review, which this is, the way to them."""

    bar: PageBar | None = None
    here: str = ""
    up: str = ""


@dataclass(frozen=True, slots=True)
class PageScripts:
    """The scripts of a page.

    Attributes
    ----------
    admitted : str
        What its security policy admits: hashes of scripts within, or files beside it.
    within : tuple of str
        Scripts that the page holds.
    beside : tuple of str
        Where the scripts that draw its figures lie, from the page.
    """

    admitted: str
    within: tuple[str, ...]
    beside: tuple[str, ...]


# Pages of the fleet review: file, template, and the key by which the bar knows it.
_FLEET_PAGES = (
    ("index.html", "fleet.html.jinja2", "fleet"),
    ("meters.html", "meters.html.jinja2", "meters"),
    ("reference.html", "reference.html.jinja2", "reference"),
    ("intervals.html", "intervals.html.jinja2", "intervals"),
    ("signals.html", "signals.html.jinja2", "signals"),
    ("basis.html", "basis.html.jinja2", "basis"),
)
FLEET_PAGES = tuple(name for name, _, _ in _FLEET_PAGES)


def html_fleet(
    page: FleetPage, bar: PageBar | None = None, *, alone: bool = False
) -> dict[str, str]:
    """Return the fleet review as HTML pages by name, the first screen first.

    Parameters
    ----------
    page : FleetPage
        What it says.
    bar : PageBar or None
        The pages of the review, None for a page without others beside it.
    alone : bool
        Whether it holds the scripts that draw its figures, 0.9 MB, to be mailed by itself; else
        they lie in ``assets/`` beside the review.  The same for every page with figures.
    """
    figures = "" if alone else "assets/"
    return {
        name: _html(template, page, figures=figures, top=Top(bar, here), sheet="fleet.css")
        for name, template, here in _FLEET_PAGES
    }


def html_dossier(page: DossierPage, bar: PageBar | None = None, *, alone: bool = False) -> str:
    """Return the dossier of one meter as one HTML page; parameters as of `html_fleet`."""
    return _html(
        "dossier.html.jinja2",
        page,
        figures="" if alone else "../assets/",
        top=Top(bar, "meters", "../"),
        sheet="dossier.css",
    )


def html_retirement(
    page: RetirementPage, bar: PageBar | None = None, *, alone: bool = False
) -> str:
    """Return the retirement memo as one HTML page; parameters as of `html_fleet`."""
    figures = "" if alone else "assets/"
    return _html("retirement.html.jinja2", page, figures=figures, top=Top(bar, "retirement"))


def html_sheet(page: SheetPage, bar: PageBar | None = None) -> str:
    """Return the visit sheet, one meter a printed page; `bar` as of `html_fleet`."""
    return _html("sheet.html.jinja2", page, top=Top(bar, "sheets"), sheet="sheet.css")


def html_visit(page: VisitPage) -> str:
    """Return the record of one visit, to print and sign."""
    return _html("visit.html.jinja2", page, top=Top())


def html_bench(page: BenchPage) -> str:
    """Return the page of the bench, which works without network and keeps what is keyed in."""
    style = _palette() + "\n" + report("bench.css")
    modules = "\n".join(report(name) for name in BENCH_SCRIPTS)
    script = f'(() => {{\n"use strict";\n{modules}\n}})();\n'
    rendered = (
        _environment()
        .get_template("bench.html.jinja2")
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


def html_guide(page: GuidePage, bar: PageBar | None = None) -> str:
    """Return the guide as one HTML page; `bar` as of `html_fleet`."""
    return _html("guide.html.jinja2", page, top=Top(bar, "guide"), further=("guide.js",))


def html_impact(page: ImpactPage, bar: PageBar | None = None, *, alone: bool = False) -> str:
    """Return an impact note as one HTML page; parameters as of `html_fleet`."""
    figures = "" if alone else "assets/"
    return _html("impact.html.jinja2", page, figures=figures, top=Top(bar, "impact"))


def html_evidence(page: EvidencePage, bar: PageBar | None = None, *, alone: bool = False) -> str:
    """Return the evidence pack as one HTML page; parameters as of `html_fleet`."""
    figures = "" if alone else "assets/"
    top = Top(bar, "evidence")
    return _html("evidence.html.jinja2", page, figures=figures, top=top, sheet="evidence.css")


def html_study(page: StudyPage, bar: PageBar | None = None, *, alone: bool = False) -> str:
    """Return the page of a study of repeatability as one HTML page.

    Parameters
    ----------
    page : StudyPage
    bar : PageBar or None
        Of the review in whose folder ``studies`` it lies; None for a page by itself, its scripts
        beside it in ``assets/``.
    alone : bool
        As of `html_fleet`.
    """
    if bar is None:
        return _html("study.html.jinja2", page, figures="assets/")
    figures = "" if alone else "../assets/"
    return _html("study.html.jinja2", page, figures=figures, top=Top(bar, "reference", "../"))


def html_short(page: ShortPage) -> str:
    """Return what a notebook shows of a review: a part of a page, without style or script."""
    return _environment().get_template("short.html.jinja2").render(page=page)


def html_records(page: RecordsPage) -> str:
    """Return how records are read, cell by cell, as one HTML page that needs nothing beside it."""
    return _html("import.html.jinja2", page, sheet="import.css")


def html_journal(page: JournalPage, bar: PageBar | None = None) -> str:
    """Return the journal of a source as one HTML page; `bar` as of `html_fleet`."""
    return _html("journal.html.jinja2", page, top=Top(bar, "register"))


def html_register(page: RegisterPage, bar: PageBar | None = None) -> str:
    """Return the register as one HTML page; `bar` as of `html_fleet`."""
    return _html("register.html.jinja2", page, top=Top(bar, "register"))


def html_labels(page: LabelsPage, bar: PageBar | None = None) -> str:
    """Return labels to print as one HTML page; `bar` as of `html_fleet`."""
    return _html("labels.html.jinja2", page, top=Top(bar, "register"), sheet="labels.css")


def html_site(page: SitePage, bar: PageBar | None = None) -> str:
    """Return the page of one site, which stands in a folder below; `bar` as of `html_fleet`."""
    return _html("site.html.jinja2", page, top=Top(bar, "register", "../"))


def _html(
    template: str,
    page: FleetPage
    | DossierPage
    | EvidencePage
    | GuidePage
    | ImpactPage
    | JournalPage
    | LabelsPage
    | RecordsPage
    | RegisterPage
    | RetirementPage
    | SheetPage
    | SitePage
    | StudyPage
    | VisitPage,
    *,
    figures: str | None = None,
    top: Top | None = None,
    further: tuple[str, ...] = (),
    sheet: str = "",
) -> str:
    """Return a page: its template over the frame, with style, scripts and what admits them.

    figures is where the scripts that draw them lie, empty where the page holds them itself, None
    where it has none to draw; further and sheet name scripts and a style sheet of its own.
    """
    rendered = (
        _environment()
        .get_template(template)
        .render(
            page=page,
            top=top or Top(),
            style=_style(sheet),
            scripts=_scripts(figures, further),
            cautions=cautions(),
        )
    )
    return rendered + "\n"


@cache
def _scripts(figures: str | None, further: tuple[str, ...]) -> PageScripts:
    """Return the scripts of a page, by where those that draw figures lie; `further` of its own."""
    within = [_bare(report(name)) for name in ("page.js", *further)]
    if figures == "":
        within += [library_script(), figures_script()]
    beside = [f"{figures}{name}.js" for name in ("vega", "figures")] if figures else []
    hashes = (f"'sha256-{_digest(script)}'" for script in within)
    admitted = " ".join([*(["'self'"] if beside else []), *hashes])
    return PageScripts(admitted, tuple(within), tuple(beside))


def _bare(script: str) -> str:
    """Return a script without indents and the comments that have lines of their own."""
    told = re.sub(r"^ */\*.*?\*/$", "", script, flags=re.MULTILINE | re.DOTALL)
    return re.sub(r"^\s+", "", told, flags=re.MULTILINE)


def _digest(text_of_tag: str) -> str:
    """Return the hash by which a security policy admits what stands in a tag."""
    return base64.b64encode(hashlib.sha256(text_of_tag.encode()).digest()).decode()


@cache
def _style(further: str) -> str:
    """Return the style sheet with the palette of the figures, and a further one where named."""
    sheets = ("style.css", "figures.css", *([further] if further else []))
    return _small("\n".join((_palette(), *map(report, sheets))))


def _small(style: str) -> str:
    """Return a style sheet without comments and the white space that means nothing."""
    bare = re.sub(r"\s+", " ", re.sub(r"/\*.*?\*/", "", style, flags=re.DOTALL))
    # What stands in quotes is shown, and keeps its blanks.
    tight = re.sub(r'("[^"]*")| ?([{};]) ?|: ', lambda at: at[1] or at[2] or ":", bare)
    return tight.replace(";}", "}")


@cache
def _palette() -> str:
    """Return the colours of the theme as rules of a style sheet."""
    theme = json.loads(report("theme.json"))
    palette = _environment().get_template("palette.css.jinja2")
    return palette.render(light=theme["light"], dark=theme["dark"])


def _css_string(words: str) -> str:
    """Return text as a string of CSS: every mark but letters and digits by its number."""
    return "".join(
        mark if mark.isascii() and mark.isalnum() else f"\\{ord(mark):06x}" for mark in words
    )


@cache
def _environment() -> Environment:
    """Return the one template environment; everything that a template prints is escaped."""
    folder = where_kept()
    environment = Environment(
        autoescape=True,
        loader=FunctionLoader(report),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
        bytecode_cache=FileSystemBytecodeCache(str(folder)) if folder else None,
    )
    environment.filters |= {
        "air": text.air,
        "bias": text.bias,
        "count": text.count,
        "css_string": _css_string,
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
