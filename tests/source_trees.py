"""The modules of the program as trees, each parsed once, by the worker that first looks at it."""

import ast
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
MODULES = sorted((ROOT / "drift").rglob("*.py"))


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(part for part in parts if part != "__init__")


NAMES = [module_name(path) for path in MODULES]
_PATHS = dict(zip(NAMES, MODULES, strict=True))


@cache
def tree_of(name: str) -> ast.Module:
    """Return the tree of a module, which nobody changes."""
    return ast.parse(_PATHS[name].read_text(encoding="utf-8"))


@cache
def nodes_of(name: str) -> tuple[ast.AST, ...]:
    """Return all nodes of a module's tree, as `ast.walk` gives them."""
    return tuple(ast.walk(tree_of(name)))
