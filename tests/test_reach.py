"""Nothing is kept that no command uses: every name is reached from the command line."""

import ast
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
# Names that no command reaches, each with the reason why it stays.  Meant to be empty.
ALLOWED: dict[str, str] = {}
# Where a run begins: whatever these modules define or import is used.
ENTRANCES = {"drift", "drift.__main__", "drift.cli"}

Name = tuple[str, str]
Definition = ast.FunctionDef | ast.ClassDef | ast.Assign | ast.AnnAssign


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(part for part in parts if part != "__init__")


TREES = {
    module_name(path): ast.parse(path.read_text(encoding="utf-8"))
    for path in sorted((ROOT / "drift").rglob("*.py"))
}


def names_of(node: ast.AST) -> list[str]:
    """Return the names that a statement of a module defines."""
    if isinstance(node, ast.FunctionDef | ast.ClassDef):
        return [node.name]
    if isinstance(node, ast.AnnAssign):
        return [node.target.id] if isinstance(node.target, ast.Name) else []
    if isinstance(node, ast.Assign):
        return [n.id for t in node.targets for n in ast.walk(t) if isinstance(n, ast.Name)]
    return []


def imports_of(tree: ast.Module) -> dict[str, Name]:
    """Return what each imported name of ours stands for, imports inside functions included."""
    found: dict[str, Name] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "drift":
            for alias in node.names:
                found[alias.asname or alias.name] = (str(node.module), alias.name)
    return found


DEFINED: dict[str, dict[str, list[ast.stmt]]] = {module: {} for module in TREES}
for _module, _tree in TREES.items():
    for _statement in _tree.body:
        for _name in names_of(_statement):
            DEFINED[_module].setdefault(_name, []).append(_statement)
IMPORTED = {module: imports_of(tree) for module, tree in TREES.items()}


def resolve(module: str, name: str) -> Name | None:
    """Return where a name used in a module is defined; an empty second part stands for a module."""
    if name in DEFINED[module]:
        return module, name
    if name not in IMPORTED[module]:
        return None
    source, origin = IMPORTED[module][name]
    if origin in DEFINED.get(source, {}) or origin in IMPORTED.get(source, {}):
        return resolve(source, origin)
    return (f"{source}.{origin}", "") if f"{source}.{origin}" in TREES else None


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
        (module, name) for module in ENTRANCES for name in (*DEFINED[module], *IMPORTED[module])
    ]
    for module, tree in TREES.items():
        for node in tree.body:
            if not names_of(node):
                waiting += used_by(module, node)
    seen: set[Name] = set()
    while waiting:
        found = resolve(*waiting.pop())
        if found and found[1] and found not in seen:
            seen.add(found)
            for node in DEFINED[found[0]][found[1]]:
                waiting += used_by(found[0], node)
    return seen


def test_every_name_is_reached_from_a_command() -> None:
    """A function, class or constant that only tests use is deleted, or moved to the tests."""
    every = {
        (module, name) for module, names in DEFINED.items() for name in names if name != "__all__"
    }
    left = {f"{module}.{name}" for module, name in every - reached()}
    assert left == set(ALLOWED)
