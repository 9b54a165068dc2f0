"""This module turns page data into HTML text through reports/."""

import base64
import hashlib
from dataclasses import dataclass
from functools import cache

from drift.folders import cautions, report
from drift.report.figures.assets import figures_script, library_script
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
from drift.report.styles import bare_script, palette, shared_sheets, style_sheet
from drift.report.templates import environment

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
        Where its other scripts lie, from the page.
    """

    admitted: str
    within: tuple[str, ...]
    beside: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PageStyle:
    """The style of a page: what it holds, and where further sheets lie, from the page."""

    within: str
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
        Whether it holds its style and the scripts that draw its figures, 0.9 MB, to be mailed by
        itself; else they lie in ``assets/`` beside the review.  The same for every page with
        figures.
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
    style = palette() + "\n" + report("bench.css")
    modules = "\n".join(report(name) for name in BENCH_SCRIPTS)
    script = f'(() => {{\n"use strict";\n{modules}\n}})();\n'
    rendered = (
        environment()
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
    return environment().get_template("short.html.jinja2").render(page=page)


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

    figures is where style and the scripts that draw them lie, empty where the page holds them
    itself, None where it has none to draw; further and sheet name scripts and a style sheet of its
    own.
    """
    rendered = (
        environment()
        .get_template(template)
        .render(
            page=page,
            top=top or Top(),
            style=_style(figures, sheet),
            scripts=_scripts(figures, further),
            cautions=cautions(),
        )
    )
    return rendered + "\n"


@cache
def _style(figures: str | None, sheet: str) -> PageStyle:
    """Return the style of a page, by where it lies, with the sheet of its kind."""
    if figures:
        return PageStyle("", tuple(f"{figures}{name}" for name in shared_sheets(sheet)))
    return PageStyle(style_sheet(*([sheet] if sheet else [])), ())


@cache
def _scripts(figures: str | None, further: tuple[str, ...]) -> PageScripts:
    """Return the scripts of a page, by where those that draw figures lie; `further` of its own."""
    within = [bare_script(name) for name in (*(() if figures else ("page.js",)), *further)]
    if figures == "":
        within += [library_script(), figures_script()]
    shared = ("page", "vega", "figures") if figures else ()
    hashes = (f"'sha256-{_digest(script)}'" for script in within)
    admitted = " ".join([*(["'self'"] if shared else []), *hashes])
    return PageScripts(admitted, tuple(within), tuple(f"{figures}{name}.js" for name in shared))


def _digest(text_of_tag: str) -> str:
    """Return the hash by which a security policy admits what stands in a tag."""
    return base64.b64encode(hashlib.sha256(text_of_tag.encode()).digest()).decode()
