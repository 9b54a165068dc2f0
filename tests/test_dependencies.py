"""What the project asks for is what its program imports, and the reason stands beside each."""

import ast
import re
import sys
import tomllib
from importlib.metadata import PackageNotFoundError, packages_distributions, requires

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.source_trees import NAMES, ROOT, nodes_of

# Never imported by name; its reason in pyproject.toml says who does.
BEHIND_OTHERS = {"pyarrow"}


# Where it may be installed; what only one of these asks for is in the locks with its condition.
PLACES = [
    {"sys_platform": platform, "platform_system": system, "python_version": version, "extra": ""}
    for platform, system in (("linux", "Linux"), ("darwin", "Darwin"), ("win32", "Windows"))
    for version in ("3.11", "3.12", "3.13")
]


def declared(*, extra: str = "") -> dict[str, str]:
    """Return each package that the program, or one of its extras, asks for, and the reason."""
    text = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    project = tomllib.loads(text)["project"]
    names = project["optional-dependencies"][extra] if extra else project["dependencies"]
    reasons = {}
    for name in names:
        line = next(line for line in text.splitlines() if line.strip().startswith(f'"{name}"'))
        reasons[re.split(r"[<>=!~\[]", name)[0]] = line.partition("#")[2].strip()
    return reasons


def imported() -> set[str]:
    """Return the modules from elsewhere that the program imports, at its heads or within."""
    found: set[str] = set()
    for name in NAMES:
        for node in nodes_of(name):
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
    assert packages(imported()) <= declared().keys() | declared(extra="cluster").keys()


def test_each_tool_of_the_tests_has_its_reason() -> None:
    """Beside it, as the packages of the program have."""
    assert all(reason for reason in declared(extra="test").values())


def pins(name: str) -> dict[str, str]:
    """Return each pin of a lock: package, version and condition, with its hashes."""
    text = (ROOT / name).read_text(encoding="utf-8")
    blocks = re.split(r"\n(?=\S)", text.strip())
    return dict(block.split(" \\\n", 1) for block in blocks)


def closure() -> set[str]:
    """Return what the program needs to run, and all that those need, wherever it is installed."""
    found: set[str] = set()
    waiting = {str(canonicalize_name(name)) for name in declared()}
    while waiting:
        name = waiting.pop()
        found.add(name)
        try:
            asked = [Requirement(text) for text in requires(name) or ()]
        except PackageNotFoundError:
            continue  # of another system, and not here to ask
        waiting |= {
            str(canonicalize_name(one.name))
            for one in asked
            if one.marker is None or any(one.marker.evaluate(place) for place in PLACES)
        } - found
    return found


def test_the_run_time_lock_is_what_runs_need_and_nothing_else() -> None:
    """All that the program's packages ask for in turn; no tool of the tests."""
    locked = {pin.partition("==")[0] for pin in pins(".locks/runtime.lock")}
    assert locked == closure()
    assert locked.isdisjoint({"pytest", "mypy", "ruff", "hypothesis", "playwright"})


def test_the_run_time_lock_agrees_with_the_full_one() -> None:
    """The same versions under the same conditions by the same hashes; no address of an index."""
    whole = pins("requirements.lock")
    for pin, hashes in pins(".locks/runtime.lock").items():
        assert whole[pin] == hashes, pin
        assert hashes.count("--hash=sha256:") == len(hashes.splitlines())
    assert "://" not in (ROOT / ".locks" / "runtime.lock").read_text(encoding="utf-8")
