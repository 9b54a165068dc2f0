"""The house as a table: what each room may import, where SQL and HTML live, how long code is."""

import ast
import re
import sys
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import pytest

from tests.source_trees import MODULES, NAMES, module_name, nodes_of, tree_of

NUMERIC = {"numpy", "scipy", "polars"}
# Where models are fitted and proportions tested.  `review` loads it beforehand.
FITS = NUMERIC | {"statsmodels"}
# One row a room: libraries outside the standard library, then rooms.  Loose modules, such as
# `drift.format`, are the ground: every room may import them, and they import each other alone.
ROOMS: dict[str, tuple[set[str], set[str]]] = {
    "": ({"numpy", "polars"}, set()),
    "intake": ({"numpy", "openpyxl", "polars", "python_calamine", "rapidfuzz"}, set()),
    "store": ({"duckdb", "polars"}, {"intake"}),
    "meter": (NUMERIC, set()),
    "limits": (NUMERIC, {"meter"}),
    "trend": (FITS, {"meter"}),
    "forecast": (FITS, {"meter", "trend"}),
    "reference": (FITS, {"meter", "limits", "trend"}),
    "conformity": (NUMERIC, {"meter", "reference"}),
    "upkeep": (FITS, {"meter", "trend", "forecast", "conformity"}),
    "review": (
        FITS,
        {
            "store",
            "meter",
            "limits",
            "trend",
            "forecast",
            "reference",
            "conformity",
            "upkeep",
        },
    ),
    # The texts that explain; they rest on nothing.
    "guide": (set(), set()),
    "report": (
        {"altair", "jinja2", "markdown_it", "polars", "vl_convert", "xlsxwriter"},
        # Of the store and the domains names, schemas and types alone: see below.
        {
            "intake",
            "store",
            "meter",
            "limits",
            "trend",
            "forecast",
            "reference",
            "conformity",
            "upkeep",
            "review",
            "guide",
        },
    ),
    # A cluster's workers are reached from there.
    "api": (
        {"distributed", "polars"},
        {"intake", "store", "meter", "limits", "forecast", "review", "report"},
    ),
    "cli": (
        {"click", "polars", "rich"},
        {"intake", "store", "limits", "forecast", "review", "report", "guide", "api"},
    ),
}
# The doors of the program, which lead to the top room.
DOORS = {"drift": {"", "api"}, "drift.__main__": {"cli"}}
DOMAINS = {
    "store",
    "meter",
    "limits",
    "trend",
    "forecast",
    "reference",
    "conformity",
    "upkeep",
}
KNOWN = set(NAMES)
LONGEST_MODULE = 400
LONGEST_FUNCTION = 50


def room_of(module: str) -> str:
    parts = module.split(".")
    return parts[1] if len(parts) > 1 and parts[1] in ROOMS else ""


def imported(nodes: Iterable[ast.AST]) -> Iterator[tuple[str, str]]:
    """Give the module and the name of every import; the name is empty for a whole module."""
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from ((alias.name, "") for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                yield (whole, "") if whole in KNOWN else (node.module, alias.name)


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_a_module_imports_only_what_its_room_may(path: Path) -> None:
    """Every import stands in the row of the module's room, or lies in the room itself."""
    name = module_name(path)
    room = room_of(name)
    libraries, rooms = ROOMS[room]
    allowed = DOORS.get(name, rooms | {room, ""})
    for module, _ in imported(nodes_of(module_name(path))):
        top = module.split(".")[0]
        if module == "drift":
            continue
        if top == "drift":
            assert room_of(module) in allowed, f"{name} may not import {module}"
        elif top not in sys.stdlib_module_names:
            assert top in libraries, f"{name} may not import {top}"


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_the_library_of_fits_is_imported_where_fits_are_made(path: Path) -> None:
    """It takes a second to load: no module imports it but inside a function, or for types."""
    for node in tree_of(module_name(path)).body:
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = imported([node])
            assert all(name.split(".")[0] != "statsmodels" for name, _ in names)


@pytest.mark.parametrize(
    "path",
    [path for path in MODULES if room_of(module_name(path)) in {"report", "api", "cli"}],
    ids=module_name,
)
def test_what_is_shown_calls_no_estimate(path: Path) -> None:
    """From the domains a page, a memo or a message takes names, schemas and types, no function.

    A page takes no function of the store either.
    """
    room = room_of(module_name(path))
    silent = DOMAINS if room == "report" else DOMAINS - {"store"}
    for module, name in imported(nodes_of(module_name(path))):
        if room_of(module) in silent:
            assert name, f"{module} is imported whole"
            assert not name.islower(), f"{module}.{name} computes"


def test_rooms_are_entered_by_their_modules() -> None:
    """The file of a room holds its docstring alone: nothing is imported by the way."""
    for path in MODULES:
        if path.name == "__init__.py" and module_name(path) not in {"drift", "drift.cli"}:
            body = tree_of(module_name(path)).body
            assert len(body) == 1, f"{module_name(path)} holds more than its docstring"
            assert isinstance(body[0], ast.Expr)


@pytest.mark.parametrize("depth", [2, 3, 9])
def test_nothing_imports_in_a_circle(depth: int) -> None:
    """Neither rooms nor their sub-folders nor modules import each other in a circle."""
    arrows: dict[str, set[str]] = defaultdict(set)
    for path in MODULES:
        name = module_name(path)
        for module, _ in imported(nodes_of(module_name(path))):
            ends = [".".join(_folder(one, depth)) for one in (name, module)]
            if module in KNOWN and ends[0] != ends[1]:
                arrows[ends[0]].add(ends[1])
    done: set[str] = set()

    def follow(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, f"a circle: {' -> '.join((*trail, name))}"
        if name not in done:
            for other in sorted(arrows[name]):
                follow(other, (*trail, name))
            done.add(name)

    for name in sorted(arrows):
        follow(name, ())


def _folder(module: str, depth: int) -> list[str]:
    """Return the first parts of a module's name."""
    return module.split(".")[:depth]


def strings(nodes: Sequence[ast.AST]) -> Iterator[tuple[int, str]]:
    docstrings = {
        id(node.body[0].value)
        for node in nodes
        if isinstance(node, ast.Module | ast.FunctionDef | ast.ClassDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in nodes:
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
    for line, text in strings(nodes_of(module_name(path))):
        assert not (statement.match(text) and "\n" in text.strip()), f"line {line} looks like SQL"
        assert not tag.search(text), f"line {line} holds HTML"


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_modules_and_functions_stay_small(path: Path) -> None:
    """A module fits one sitting and a function one screen, docstrings not counted."""
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST_MODULE
    for node in nodes_of(module_name(path)):
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
