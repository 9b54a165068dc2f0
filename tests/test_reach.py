"""Nothing is kept that no command uses: every name is reached from the command line."""

import ast
from collections.abc import Iterator
from functools import cache

from tests.source_trees import NAMES, nodes_of, tree_of

# Names that no command reaches, each with the reason why it stays.  Meant to be empty.
ALLOWED: dict[str, str] = {}
# Where a run begins: whatever these modules define or import is used.
ENTRANCES = {"drift", "drift.__main__", "drift.cli"}

Name = tuple[str, str]
Definition = ast.FunctionDef | ast.ClassDef | ast.Assign | ast.AnnAssign


def names_of(node: ast.AST) -> list[str]:
    """Return the names that a statement of a module defines."""
    if isinstance(node, ast.FunctionDef | ast.ClassDef):
        return [node.name]
    if isinstance(node, ast.AnnAssign):
        return [node.target.id] if isinstance(node.target, ast.Name) else []
    if isinstance(node, ast.Assign):
        return [n.id for t in node.targets for n in ast.walk(t) if isinstance(n, ast.Name)]
    return []


def imports_of(module: str) -> dict[str, Name]:
    """Return what each imported name of ours stands for, imports inside functions included."""
    found: dict[str, Name] = {}
    for node in nodes_of(module):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "drift":
            for alias in node.names:
                found[alias.asname or alias.name] = (str(node.module), alias.name)
    return found


@cache
def defined() -> dict[str, dict[str, list[ast.stmt]]]:
    """Return the statements that define each name, by module."""
    found: dict[str, dict[str, list[ast.stmt]]] = {module: {} for module in NAMES}
    for module in NAMES:
        for statement in tree_of(module).body:
            for name in names_of(statement):
                found[module].setdefault(name, []).append(statement)
    return found


@cache
def imported() -> dict[str, dict[str, Name]]:
    """Return what each imported name stands for, by module."""
    return {module: imports_of(module) for module in NAMES}


def resolve(module: str, name: str) -> Name | None:
    """Return where a name used in a module is defined; an empty second part stands for a module."""
    if name in defined()[module]:
        return module, name
    if name not in imported()[module]:
        return None
    source, origin = imported()[module][name]
    if origin in defined().get(source, {}) or origin in imported().get(source, {}):
        return resolve(source, origin)
    return (f"{source}.{origin}", "") if f"{source}.{origin}" in NAMES else None


def quoted(node: ast.AST) -> Iterator[ast.AST]:
    """Give the expressions inside quoted annotations and casts."""
    for part in ast.walk(node):
        notes = [getattr(part, "annotation", None), getattr(part, "returns", None)]
        if (
            isinstance(part, ast.Call)
            and isinstance(part.func, ast.Name)
            and part.func.id == "cast"
        ):
            notes.append(part.args[0])
        for note in notes:
            for text in ast.walk(note) if isinstance(note, ast.AST) else ():
                if isinstance(text, ast.Constant) and isinstance(text.value, str):
                    yield ast.parse(text.value, mode="eval")


def used_by(module: str, node: ast.AST) -> Iterator[Name]:
    """Give the definitions of ours that a statement uses."""
    for whole in (node, *quoted(node)):
        for part in ast.walk(whole):
            if isinstance(part, ast.Name) and (found := resolve(module, part.id)):
                yield found
            elif isinstance(part, ast.Attribute) and isinstance(part.value, ast.Name):
                owner = resolve(module, part.value.id)
                if owner and not owner[1] and (found := resolve(owner[0], part.attr)):
                    yield found


def reached() -> set[Name]:
    """Return every definition that a command, or the import of a module, leads to."""
    waiting = [
        (module, name) for module in ENTRANCES for name in (*defined()[module], *imported()[module])
    ]
    for module in NAMES:
        for node in tree_of(module).body:
            if not names_of(node):
                waiting += used_by(module, node)
    seen: set[Name] = set()
    while waiting:
        found = resolve(*waiting.pop())
        if found and found[1] and found not in seen:
            seen.add(found)
            for node in defined()[found[0]][found[1]]:
                waiting += used_by(found[0], node)
    return seen


def test_every_name_is_reached_from_a_command() -> None:
    """A function, class or constant that only tests use is deleted, or moved to the tests."""
    every = {
        (module, name) for module, names in defined().items() for name in names if name != "__all__"
    }
    left = {f"{module}.{name}" for module, name in every - reached()}
    assert left == set(ALLOWED)
