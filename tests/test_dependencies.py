"""What the project asks for is what its program imports, and the reason stands beside each."""

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
# Never imported by name; its reason in pyproject.toml says who does.
BEHIND_OTHERS = {"pyarrow"}


def declared() -> dict[str, str]:
    """Return each package that the program depends on, and the reason beside it."""
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    project = tomllib.loads(text)["project"]
    names = project["dependencies"] + project["optional-dependencies"]["cluster"]
    reasons = {}
    for name in names:
        line = next(line for line in text.splitlines() if line.strip().startswith(f'"{name}"'))
        reasons[re.split(r"[<>=!~\[]", name)[0]] = line.partition("#")[2].strip()
    return reasons


def imported() -> set[str]:
    """Return the modules from elsewhere that the program imports, at its heads or within."""
    found: set[str] = set()
    for path in (ROOT / "drift").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                found.add(node.module.partition(".")[0])
    return found - set(sys.stdlib_module_names) - {"drift"}


def packages(modules: set[str]) -> set[str]:
    """Return the packages that modules come from."""
    sources = packages_distributions()
    return {name.lower() for module in modules for name in sources[module]}


def test_the_program_depends_on_what_it_imports_and_on_nothing_else() -> None:
    """Each package is imported by a module, or its reason says through which other it is."""
    known = declared()
    assert known.keys() - packages(imported()) == BEHIND_OTHERS
    assert all(any(other in known[name] for other in known) for name in BEHIND_OTHERS)
    assert all(len(reason) > 10 for reason in known.values()), known


def test_nothing_else_that_is_installed_is_imported() -> None:
    """A package that another brings along may be gone with its next version."""
    assert packages(imported()) <= declared().keys()
