"""The validation list of the evidence pack names only what a review runs."""

import ast
import csv
import gc
import importlib
import inspect
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import _lru_cache_wrapper
from pathlib import Path
from types import CodeType, FrameType

import pytest
from click.testing import CliRunner

from drift.cli import commands
from drift.review.validations import VALIDATIONS, Validation
from tests.sample_files import FOLDER

TESTS = Path(__file__).resolve().parents[1]
# A steady meter, two that drift, one that jumped, one that failed and one that was reset.
METERS = {"AM-01", "AM-04", "AM-06", "AM-09", "AM-12", "AM-15"}
# What a laboratory may choose beyond the usual charts and limits.
CHOSEN = (
    'charts = ["individuals", "moving_range", "ewma", "cusum", "mean", "spread", "range", '
    '"repeatability", "mark"]\n'
)
SIGMA = 'limits = "sigma"\n'

# The functions behind each row.
BEHIND = {
    "Control charts of individuals, moving ranges and EWMA": (
        "drift.limits.charts.individuals.draw_individuals",
        "drift.limits.charts.individuals.draw_moving_range",
        "drift.limits.charts.ewma.draw_ewma",
    ),
    "CUSUM charts": ("drift.limits.charts.cusum.draw_cusum",),
    "Chart constants": (
        "drift.limits.charts.constants.c4",
        "drift.limits.charts.constants.d2",
        "drift.limits.charts.constants.d3",
    ),
    "False alarms and run lengths": (
        "drift.limits.runs.rule_run_length.rule_run_lengths",
        "drift.limits.runs.run_length.ewma_run_lengths",
        "drift.limits.runs.run_length.cusum_run_lengths",
    ),
    "Least squares": ("drift.trend.regression.fit_trends", "drift.trend.regression.least_squares"),
    "Tests of trend and slopes": (
        "drift.trend.rank_tests.mann_kendall",
        "drift.trend.rank_tests.theil_sen",
        "drift.trend.false_discovery.discovery_q",
    ),
    "Survival and intervals": (
        "drift.upkeep.reliability.survival.fit_survival",
        "drift.upkeep.reliability.weibull.fit_weibull",
    ),
    "Reliability arithmetic and exact intervals": (
        "drift.upkeep.reliability.reliability.binomial_interval",
        "drift.upkeep.reliability.reliability.weibull_interval",
    ),
    "Mixed models of what meters share": ("drift.reference.mixed_model.fit_reml",),
    "Uncertainty of a bias": (
        "drift.conformity.bias_budget.with_uncertainty",
        "drift.conformity.bias_budget.budget_rows",
    ),
    "Uncertainty of a vessel, from its masses": (
        "drift.reference.uncertainty.make_budget",
        "drift.reference.vessel.vessel_budget",
    ),
    "Probability of conformance": ("drift.conformity.decision_rules.conformance_probability",),
    "Rounded readings": (
        "drift.limits.rounding.cells.log_cell_probability",
        "drift.limits.rounding.cells.sheppard_sigma",
        "drift.limits.rounding.visit_likelihood.tabulate",
    ),
    "Limits for replicates of rounded readings": (
        "drift.limits.rounding.replicate_spread.spread_law",
        "drift.limits.rounding.replicate_spread.range_law",
    ),
    "Correct air content of a vessel": (
        "drift.reference.vessel.vessel_air_pct",
        "drift.reference.vessel_record.vessel_values",
    ),
    "What mark, hand and chamber do to a reading": (
        "drift.meter.dial.shape_of_mark",
        "drift.meter.dial.shape_of_hand",
        "drift.meter.dial.shape_of_volume",
    ),
    "Forecasts, bands and their probabilities": ("drift.forecast.proof.prove",),
    "The whole review on histories nobody here invented": ("drift.api.reviews.review_source",),
    "The whole review on a laboratory with planted faults": ("drift.api.reviews.review_source",),
}


def code_of(name: str) -> CodeType:
    module, _, function = name.rpartition(".")
    found = getattr(importlib.import_module(module), function)
    return inspect.unwrap(found).__code__  # type: ignore[no-any-return]  # a function's


@contextmanager
def traced() -> Iterator[set[CodeType]]:
    """Give the code that is entered within the block, in every thread."""
    entered: set[CodeType] = set()

    def note(frame: FrameType, event: str, _arg: object) -> None:
        if event == "call":
            entered.add(frame.f_code)

    before = sys.getprofile()
    threading.setprofile(note)
    sys.setprofile(note)
    try:
        yield entered
    finally:
        sys.setprofile(before)
        threading.setprofile(None)


@pytest.fixture(scope="module")
def shared_analyses() -> None:
    """Share nothing: what a review runs is looked at."""


def write_source(folder: Path, *, stated: bool) -> Path:
    """Write some meters of the sample, its vessels with or without a stated uncertainty."""
    folder.mkdir()
    for file in sorted(FOLDER.glob("*.csv")):
        with file.open(encoding="utf-8", newline="") as lines:
            head, *rows = csv.reader(lines)
        if "meter_id" in head:
            rows = [row for row in rows if row[head.index("meter_id")] in METERS]
        if file.name == "vessels.csv" and not stated:
            at = head.index("u_air_pct")
            rows = [[*row[:at], "", *row[at + 1 :]] for row in rows]
        with (folder / file.name).open("w", encoding="utf-8", newline="") as lines:
            csv.writer(lines).writerows([head, *rows])
    return folder


Run = Callable[..., set[CodeType]]


def forget_what_is_kept() -> None:
    """Empty every cache, so that what other tests have worked out is worked out again."""
    for kept in gc.get_objects():
        if isinstance(kept, _lru_cache_wrapper) and kept.__module__.startswith("drift."):
            kept.cache_clear()


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Return what reviews records by the command line and says which code ran."""

    def review(policy: str = "", *more: str, stated: bool = True) -> set[CodeType]:
        place = tmp_path_factory.mktemp("run")
        (place / "policy.toml").write_text(policy, encoding="utf-8")
        source = write_source(place / "records", stated=stated)
        words = ["review", str(source), "--as-of", "2026-10-01", "--out", str(place / "out")]
        forget_what_is_kept()
        with traced() as entered:
            chosen = ("--policy", str(place / "policy.toml"))
            done = CliRunner().invoke(commands, [*words, *chosen, *more])
        assert (place / "out" / "data" / "evidence.csv").exists(), done.output
        return entered

    return review


@pytest.fixture(scope="module")
def usual(run: Run) -> set[CodeType]:
    return run()


@pytest.fixture(scope="module")
def chosen(run: Run) -> set[CodeType]:
    """Return what runs by further charts and limits, with vessels that state no uncertainty."""
    further = run(CHOSEN, "--data-only", stated=False)
    return further | run(CHOSEN + SIGMA, "--data-only", stated=False)


def idle(row: Validation, entered: set[CodeType]) -> list[str]:
    return [name for name in BEHIND[row.part] if code_of(name) not in entered]


def taken(row: Validation) -> list[str]:
    """Return the functions of ours that a row's tests import, or use of a module they import."""
    tree = ast.parse((TESTS / row.test).read_text(encoding="utf-8"))
    imports = [node for node in tree.body if isinstance(node, ast.ImportFrom)]
    uses = {
        (part.value.id, part.attr)
        for part in ast.walk(tree)
        if isinstance(part, ast.Attribute) and isinstance(part.value, ast.Name)
    }
    names = [
        f"{node.module}.{alias.name}"
        for node in imports
        for alias in node.names
        if str(node.module).startswith("drift")
    ]
    names += [
        f"{name}.{attribute}"
        for name in names
        for owner, attribute in uses
        if owner == name.rpartition(".")[2] and inspect.ismodule(found(name))
    ]
    return [name for name in names if inspect.isfunction(inspect.unwrap(found(name)))]


def found(name: str) -> Callable[..., object]:
    module, _, attribute = name.rpartition(".")
    holder = importlib.import_module(module)
    if hasattr(holder, attribute):
        return getattr(holder, attribute)  # type: ignore[no-any-return]  # whatever it is
    return importlib.import_module(name)  # type: ignore[return-value]  # a module


def test_rows_are_whole() -> None:
    """Each row stands once, names a file that holds tests, and has its functions named here."""
    assert [row.part for row in VALIDATIONS] == list(BEHIND)
    for row in VALIDATIONS:
        assert "def test_" in (TESTS / row.test).read_text(encoding="utf-8"), row.test
        assert row.status in {"read", "memory", "derived"}


def test_a_review_runs_what_the_list_names(usual: set[CodeType], chosen: set[CodeType]) -> None:
    """The functions behind a row run in every review, or in one of those that the row names."""
    for row in VALIDATIONS:
        assert not idle(row, chosen if row.only_where else usual), row.part


def test_what_only_some_reviews_run_is_said(usual: set[CodeType]) -> None:
    """A row with a condition would not hold of the usual review: the check can fail."""
    conditional = [row for row in VALIDATIONS if row.only_where]
    assert conditional
    for row in conditional:
        assert idle(row, usual), row.part


def test_the_tests_named_are_of_what_a_review_runs(
    usual: set[CodeType], chosen: set[CodeType]
) -> None:
    """Whatever function of ours the test of a row takes runs in a review."""
    for row in VALIDATIONS:
        unused = [name for name in taken(row) if code_of(name) not in usual | chosen]
        assert not unused, row.part
