"""The architecture as a table: who may import what, where SQL and HTML live, how long code is."""

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
MODULES = sorted((ROOT / "drift").rglob("*.py"))

# What each module may import: libraries outside the standard library, then modules of ours.
# A name ending in a dot stands for every module below it.  The first row that fits counts.
NUMERIC = {"numpy", "scipy", "statsmodels", "polars"}
TABLE: tuple[tuple[str, set[str], set[str]], ...] = (
    ("drift", set(), set()),
    ("drift.__main__", set(), {"drift.cli."}),
    ("drift.analysis", set(), set()),
    ("drift.notes", set(), set()),
    ("drift.writing", set(), set()),
    ("drift.errors", set(), {"drift.visible"}),
    ("drift.visible", set(), set()),
    ("drift.folders", set(), set()),
    ("drift.places", set(), {"drift.errors"}),
    ("drift.format", set(), set()),
    ("drift.columns", set(), set()),
    ("drift.frames", {"polars"}, set()),
    ("drift.row_counts", {"polars"}, {"drift.frames"}),
    # What may be chosen stands beside what decides by it; it is policy: no imports.
    ("drift.decisions.interval_choices", set(), set()),
    ("drift.decisions.retirement_choices", set(), set()),
    (
        "drift.policy",
        set(),
        {
            "drift.decisions.interval_choices",
            "drift.decisions.retirement_choices",
            "drift.errors",
            "drift.stats.",
        },
    ),
    (
        "drift.results",
        {"polars"},
        {
            "drift.analysis.conformity",
            "drift.decisions.changes_since",
            "drift.frames",
            "drift.policy",
            "drift.analysis.reference",
            "drift.stats.",  # the forecaster's fit, from which the evidence pack proves it
            "drift.analysis.upkeep",
        },
    ),
    (
        "drift.analysis.conformity",
        {"polars"},
        {"drift.frames", "drift.policy", "drift.analysis.reference", "drift.stats."},
    ),
    ("drift.analysis.reference", {"polars"}, {"drift.frames", "drift.policy", "drift.stats."}),
    ("drift.stats.", NUMERIC, {"drift.stats.", "drift.frames"}),
    (
        "drift.analysis.ledger",
        {"polars"},
        {"drift.frames", "drift.analysis.phases", "drift.stats.calibrations"},
    ),
    ("drift.analysis.phases", {"polars"}, set()),
    # Workbooks and near words; what is not read here is pure.
    (
        "drift.intake.layouts.workbooks",
        {"openpyxl", "python_calamine"},
        {"drift.errors", "drift.intake.layouts."},
    ),
    (
        "drift.intake.layouts.",
        {"rapidfuzz"},
        {"drift.columns", "drift.errors", "drift.intake.", "drift.places"},
    ),
    (
        "drift.intake.",
        {"numpy", "polars"},
        {"drift.intake.", "drift.columns", "drift.errors", "drift.frames", "drift.places"},
    ),
    (
        "drift.store.",
        {"duckdb", "polars"},
        {
            "drift.store.",
            "drift.intake.",
            "drift.columns",
            "drift.errors",
            "drift.folders",
            "drift.frames",
            "drift.places",
        },
    ),
    (
        "drift.decisions.",
        {"numpy", "polars"},
        {"drift.decisions.", "drift.stats.", "drift.frames", "drift.format", "drift.policy"},
    ),
    ("drift.analysis.charting", {"polars"}, {"drift.frames", "drift.policy", "drift.stats."}),
    (
        "drift.analysis.analyse",
        {"polars"},
        {
            "drift.analysis.charting",
            "drift.decisions.",
            "drift.stats.",
            "drift.analysis.conformity",
            "drift.analysis.ledger",
            "drift.errors",
            "drift.frames",
            "drift.policy",
            "drift.analysis.reference",
            "drift.results",
            "drift.analysis.studies",
            "drift.analysis.upkeep",
        },
    ),
    (
        "drift.analysis.upkeep",
        {"polars"},
        {"drift.decisions.", "drift.frames", "drift.policy", "drift.stats."},
    ),
    ("drift.analysis.studies", {"polars"}, {"drift.frames", "drift.policy", "drift.stats."}),
    (
        "drift.writing.outputs",
        {"polars"},
        {
            "drift.analysis.clauses.",
            "drift.decisions.",
            "drift.frames",
            "drift.results",
            "drift.stats.",
        },
    ),
    (
        "drift.analysis.clauses.",
        {"polars"},
        {
            "drift",
            "drift.analysis.clauses.",
            "drift.analysis.conformity",
            "drift.format",
            "drift.frames",
            "drift.results",
            "drift.row_counts",
            "drift.stats.",
            "drift.validation",
        },
    ),
    ("drift.writing.output_notes", set(), set()),
    ("drift.writing.figure_files", set(), {"drift.errors", "drift.figures."}),
    ("drift.writing.own_files", set(), set()),
    ("drift.writing.leftovers", set(), {"drift.errors", "drift.writing.own_files"}),
    (
        "drift.writing.exchange",
        set(),
        {"drift", "drift.errors", "drift.writing.leftovers", "drift.writing.own_files"},
    ),
    (
        "drift.writing.review_record",
        set(),
        {
            "drift",
            "drift.errors",
            "drift.frames",
            "drift.policy",
            "drift.results",
            "drift.row_counts",
            "drift.writing.exchange",
            "drift.writing.own_files",
        },
    ),
    ("drift.writing.pdf_files", set(), {"drift.errors"}),
    (
        "drift.previous",
        {"polars"},
        {
            "drift.decisions.changes_since",
            "drift.errors",
            "drift.frames",
            "drift.writing.leftovers",
            "drift.writing.outputs",
            "drift.writing.own_files",
        },
    ),
    (
        "drift.writing.workbook",
        {"polars", "xlsxwriter"},
        {
            "drift",
            "drift.folders",
            "drift.format",
            "drift.writing.output_notes",
            "drift.writing.outputs",
            "drift.policy",
            "drift.results",
        },
    ),
    (
        "drift.figures.",
        {"altair", "vl_convert", "polars"},
        {
            "drift.figures.",
            "drift.frames",
            "drift.format",
            "drift.folders",
            "drift.policy",
            "drift.stats.",  # what a study found, for its sentence
        },
    ),
    # The page of a decision is made of what was decided.
    (
        "drift.pages.impact",
        {"polars"},
        {
            "drift",
            "drift.decisions.impact",
            "drift.figures.",
            "drift.format",
            "drift.pages.",
            "drift.policy",
            "drift.results",
        },
    ),
    # The page of an import shows what the core of the intake has found.
    ("drift.pages.records", set(), {"drift", "drift.intake.layouts."}),
    (
        "drift.pages.",
        {"polars"},
        {
            "drift",
            "drift.analysis.clauses.",
            "drift.analysis.evidence",
            "drift.pages.",
            "drift.validation",
            "drift.figures.",
            "drift.decisions.retirement_frames",  # columns of its frames
            "drift.decisions.headline",  # the sentence that every place begins with
            "drift.decisions.obligations",  # names the standings in their order
            "drift.frames",
            "drift.format",
            "drift.policy",
            "drift.results",
            "drift.row_counts",
            "drift.stats.",
        },
    ),
    ("drift.writing.render", {"jinja2"}, {"drift.pages.", "drift.format", "drift.folders"}),
    (
        "drift.notes.retirement",
        {"polars"},
        {
            "drift",
            "drift.analysis.analyse",
            "drift.decisions.",
            "drift.errors",
            "drift.frames",
            "drift.writing.outputs",
            "drift.pages.",
            "drift.pipeline",
            "drift.policy",
            "drift.writing.",
            "drift.results",
            "drift.analysis.upkeep",
        },
    ),
    (
        "drift.writing.page_files",
        {"polars"},
        {"drift.analysis.evidence", "drift.pages.", "drift.writing.", "drift.results"},
    ),
    (
        "drift.analysis.evidence",
        set(),
        {"drift.analysis.analyse", "drift.analysis.studies", "drift.results", "drift.stats."},
    ),
    ("drift.validation", set(), set()),
    (
        "drift.pipeline",
        {"polars"},
        {
            "drift",
            "drift.analysis.analyse",
            "drift.decisions.changes_since",
            "drift.errors",
            "drift.frames",
            "drift.writing.exchange",
            "drift.writing.outputs",
            "drift.writing.own_files",
            "drift.writing.page_files",
            "drift.writing.pdf_files",
            "drift.writing.review_record",
            "drift.places",
            "drift.policy",
            "drift.previous",
            "drift.results",
            "drift.row_counts",
            "drift.stats.",
            "drift.store.",
            "drift.analysis.studies",
            "drift.writing.workbook",
        },
    ),
    (
        "drift.notes.impact",
        {"polars"},
        {
            "drift.analysis.analyse",
            "drift.decisions.",
            "drift.errors",
            "drift.frames",
            "drift.writing.outputs",
            "drift.pages.",
            "drift.pipeline",
            "drift.policy",
            "drift.writing.",
            "drift.results",
            "drift.stats.",
            "drift.analysis.studies",
            "drift.visible",
        },
    ),
    (
        "drift.notes.importing",
        set(),
        {
            "drift.errors",
            "drift.intake.layouts.",
            "drift.pages.",
            "drift.pipeline",
            "drift.places",
            "drift.writing.",
        },
    ),
    (
        "drift.notes.bench",
        {"polars"},
        {
            "drift.analysis.analyse",
            "drift.decisions.",
            "drift.errors",
            "drift.frames",
            "drift.intake.",
            "drift.pipeline",
            "drift.places",
            "drift.policy",
            "drift.stats.",
            "drift.store.",
            "drift.analysis.studies",
            "drift.visible",
        },
    ),
    (
        "drift.notes.sheets",
        {"polars"},
        {
            "drift.analysis.analyse",
            "drift.columns",
            "drift.decisions.",
            "drift.errors",
            "drift.writing.outputs",
            "drift.pages.",
            "drift.pipeline",
            "drift.policy",
            "drift.writing.",
            "drift.stats.",
            "drift.analysis.studies",
            "drift.visible",
        },
    ),
    (
        "drift.cli.",
        {"click", "polars"},
        {
            "drift",
            "drift.notes.bench",
            "drift.cli.",
            "drift.decisions.headline",
            "drift.decisions.obligations",
            "drift.errors",
            "drift.figures.",
            "drift.format",
            "drift.intake.layouts.",  # what was found of records, and answers to their questions
            "drift.notes.impact",
            "drift.notes.importing",
            "drift.writing.figure_files",
            "drift.writing.pdf_files",
            "drift.policy",
            "drift.pipeline",
            "drift.notes.retirement",
            "drift.row_counts",
            "drift.notes.sheets",
            "drift.stats.",
            "drift.store.",
            "drift.analysis.studies",
            "drift.visible",
        },
    ),
)
LONGEST_MODULE = 400
LONGEST_FUNCTION = 50


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(part for part in parts if part != "__init__")


def fits(name: str, patterns: set[str]) -> bool:
    return any(
        name == pattern or (pattern.endswith(".") and (name + ".").startswith(pattern))
        for pattern in patterns
    )


def imported(tree: ast.Module) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            if node.module == "drift":
                yield from (
                    f"drift.{alias.name}"
                    if alias.name.islower() and alias.name[0] != "_"
                    else "drift"
                    for alias in node.names
                )
            else:
                yield node.module


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_a_module_imports_only_what_its_layer_may(path: Path) -> None:
    """Every import stands in the module's row of the table."""
    name = module_name(path)
    row = next((row for row in TABLE if fits(name, {row[0]})), None)
    assert row is not None, f"{name} has no row in the table"
    _, libraries, ours = row
    for module in imported(ast.parse(path.read_text(encoding="utf-8"))):
        top = module.split(".")[0]
        if top == "drift":
            assert fits(module, ours), f"{name} may not import {module}"
        elif top not in sys.stdlib_module_names:
            assert top in libraries, f"{name} may not import {top}"


def strings(tree: ast.Module) -> Iterator[tuple[int, str]]:
    docstrings = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.FunctionDef | ast.ClassDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and id(node) not in docstrings
        ):
            yield node.lineno, node.value


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_sql_and_html_live_outside_python(path: Path) -> None:
    """No string reads like a statement of SQL or holds a tag of HTML."""
    statement = re.compile(
        r"^\s*(select|insert|update|delete|create|with|attach)\s+\w+", re.IGNORECASE
    )
    tag = re.compile(r"</?[a-z][a-z0-9]*(\s[^<>]*)?/?>", re.IGNORECASE)
    for line, text in strings(ast.parse(path.read_text(encoding="utf-8"))):
        assert not (statement.match(text) and "\n" in text.strip()), f"line {line} looks like SQL"
        assert not tag.search(text), f"line {line} holds HTML"


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_modules_and_functions_stay_small(path: Path) -> None:
    """A module fits one sitting and a function one screen, docstrings not counted."""
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= LONGEST_MODULE
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, ast.FunctionDef):
            continue
        first = node.body[0]
        documented = isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant)
        doc = (first.end_lineno or 0) - first.lineno + 1 if documented else 0
        length = (node.end_lineno or 0) - node.lineno + 1 - doc
        assert length <= LONGEST_FUNCTION, f"{node.name} has {length} lines"


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_no_magic_dispatch(path: Path) -> None:
    """Functions are found by reading, not by registries or names built at run time."""
    text = path.read_text(encoding="utf-8")
    assert not re.search(r"__subclasses__|\bgetattr\(|entry_points\(|\bABC\b|globals\(\)", text)
