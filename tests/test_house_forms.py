"""What DEVELOPERS.md says of rooms, names and forms is so."""

import ast
import re
from collections import defaultdict
from pathlib import Path

import pytest

from tests.source_trees import MODULES, NAMES, ROOT, module_name, nodes_of, tree_of
from tests.test_rooms import ROOMS

TEXTS = {path: path.read_text(encoding="utf-8") for path in MODULES}
DOCUMENTS = [
    ROOT / name
    for name in (
        "DEVELOPERS.md",
        "README.md",
        "queries/README.md",
        "reports/README.md",
        "tests/benchmarks/README.md",
    )
]
MOST_POSITIONAL = 3


def public(name: str) -> list[ast.FunctionDef | ast.ClassDef]:
    """Return the public functions and classes that a module defines."""
    return [
        node
        for node in tree_of(name).body
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
    ]


def test_the_developers_page_is_short_and_speaks_of_the_product() -> None:
    """It fits two screens; figures and methods stand beside what prints or does them."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert len(text.encode()) < 7_000
    assert not re.search(r"\basked\b", text)


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_every_path_named_in_a_document_is_there(document: Path) -> None:
    """Whoever follows a path arrives; ``<old>`` and the like stand for any name."""
    text = document.read_text(encoding="utf-8")
    for named in re.findall(r"`((?:drift|tests|queries|reports|sample_history)/[^\s`]*)", text):
        assert list(ROOT.glob(re.sub(r"<\w+>", "*", named))), named
    modules = re.findall(r"`(drift(?:\.\w+)+)`", text)
    for named in modules:
        assert named in NAMES or named.rpartition(".")[0] in NAMES, named


@pytest.mark.parametrize("room", [room for room in ROOMS if room])
def test_a_room_says_what_it_answers_and_where_one_enters(room: str) -> None:
    """Its docstring names two to five public functions of the room, and what it rests on."""
    text = ast.get_docstring(tree_of(f"drift.{room}")) or ""
    entrance = re.search(r"Entrance: (.*?)\.(?:\s|$)", text, re.DOTALL)
    assert entrance is not None
    assert re.search(r"Rests\s+on ", text)
    doors = re.findall(r"`([\w.]+)`", entrance.group(1))
    assert 2 <= len(doors) <= 5
    for door in doors:
        module, _, name = f"drift.{room}.{door}".rpartition(".")
        assert name in {node.name for node in public(module)}, door


def test_a_public_name_stands_for_one_thing() -> None:
    """No two modules define the same one, save a command or the face and what it calls."""
    places: dict[str, list[str]] = defaultdict(list)
    for name in NAMES:
        for node in public(name):
            commands = (".cli." in name) and bool(node.decorator_list)
            if not commands and name != "drift.api.face":
                places[node.name].append(name)
    assert {name: where for name, where in places.items() if len(where) > 1} == {}


@pytest.mark.parametrize("name", NAMES)
def test_few_arguments_are_given_by_position(name: str) -> None:
    """At most three, none with a default that is a switch."""
    for node in public(name):
        if isinstance(node, ast.FunctionDef):
            given = [*node.args.posonlyargs, *node.args.args]
            assert len(given) <= MOST_POSITIONAL, node.name
            kinds = [ast.unparse(one.annotation) for one in given if one.annotation]
            commands = ".cli." in name and bool(node.decorator_list)
            assert commands or "bool" not in kinds, node.name


def test_chance_is_seeded_and_stays_where_nothing_else_will_do() -> None:
    """Random numbers are drawn, from a fixed seed, where a law has no formula."""
    drawn = re.compile(r"\bnp\.random\.default_rng\(|^import random|numpy\.random", re.MULTILINE)
    drawing = {path for path, text in TEXTS.items() if drawn.search(text)}
    assert {module_name(path) for path in drawing} == {
        "drift.reference.vessel_shifts",
        "drift.upkeep.reliability.reliability",
        "drift.upkeep.reliability.survival",
        "drift.upkeep.retirement.simulate",
    }
    for path in drawing:
        assert re.findall(r"default_rng\((.*?)\)", TEXTS[path]) in (["_SEED"], ["seed"])


def test_expressions_call_nothing_of_python() -> None:
    """No function runs inside an expression: it waits for a lock that a sender of frames holds.

    Where the library of frames has one thread, as in a container of one core, both wait forever.
    """
    for path, text in TEXTS.items():
        assert not re.search(r"\bmap_(batches|elements|groups|rows)\b", text), path


def test_kinds_of_arrays_have_one_name() -> None:
    """Arrays of one kind are named in `drift.arrays` alone."""
    for path, text in TEXTS.items():
        if module_name(path) != "drift.arrays":
            assert not re.search(r"^\w+ = NDArray", text, re.MULTILINE), path


@pytest.mark.parametrize("name", [name for name in NAMES if name != "drift.format"])
def test_numbers_become_text_in_one_place(name: str) -> None:
    """Only `drift.format` decides how many digits of a number are shown."""
    for node in nodes_of(name):
        if isinstance(node, ast.FormattedValue) and node.format_spec is not None:
            form = ast.unparse(node.format_spec)
            assert not re.search(r"[efgEG%]['\"]$", form), f"line {node.lineno}: {form}"


def test_names_are_guessed_in_one_place() -> None:
    """What a person meant by a name that is not there is said by `drift.ids`.

    A table's columns are found so too, and whether two operators are one by all their letters.
    """
    guessing = {module_name(path) for path, text in TEXTS.items() if "difflib" in text}
    assert guessing == {"drift.ids", "drift.intake.headers", "drift.reference.operators"}
