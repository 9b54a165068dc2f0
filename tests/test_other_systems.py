"""What can be seen in the source of other systems than the one that the tests run on.

Windows and macOS are untried.  What is known to differ there is looked for: paths joined as text,
calls that only POSIX has, ends of lines, names that files cannot have, and how processes start.
"""

import ast
import re
from collections.abc import Callable, Iterator

import pytest

from drift.report.pages.parts import file_name
from tests.source_trees import NAMES, nodes_of, tree_of

# Modules and functions of the standard library that Windows lacks (docs.python.org, "Availability:
# Unix" in the pages of `os`, `signal` and of each module).
POSIX_MODULES = {"fcntl", "grp", "posix", "pty", "pwd", "resource", "syslog", "termios", "tty"}
POSIX_CALLS = {
    *("chown", "fork", "getegid", "geteuid", "getgid", "getpgid", "getuid", "killpg", "lchown"),
    *("mkfifo", "mknod", "nice", "sched_getaffinity", "setsid", "statvfs", "sysconf", "uname"),
    *("SIGALRM", "SIGHUP", "SIGKILL", "SIGPIPE", "SIGQUIT", "SIGUSR1", "alarm", "pthread_kill"),
    *("O_CLOEXEC", "O_DIRECTORY", "O_NOFOLLOW", "O_NONBLOCK"),
}
GUARDS = re.compile(r"hasattr\(|sys\.platform|except \(?(?:AttributeError|ImportError)")
# Names of devices, which Windows gives to no file, whatever follows the first full stop.
DEVICES = ("CON", "PRN", "AUX", "NUL", "COM1", "COM9", "LPT1", "con", "Aux", "NUL.2026", "CON.a.b")
FORBIDDEN = re.compile(r'[<>:"/\\|?*\x00-\x1f]|[. ]$')


def calls(name: str) -> Iterator[tuple[ast.Call, str]]:
    """Yield each call of a module and the last part of what is called."""
    for node in nodes_of(name):
        if isinstance(node, ast.Call):
            yield node, getattr(node.func, "attr", getattr(node.func, "id", ""))


def texts(node: ast.AST) -> Iterator[str]:
    """Yield the strings of an expression, those of f-strings too."""
    for one in ast.walk(node):
        if isinstance(one, ast.Constant) and isinstance(one.value, str):
            yield one.value


def unguarded(tree: ast.Module) -> set[str]:
    """Return what only POSIX has and no function, or no try around it, guards."""
    found: set[str] = set()

    def visit(node: ast.AST, *, guarded: bool) -> None:
        if isinstance(node, ast.FunctionDef | ast.Try):
            guarded = guarded or GUARDS.search(ast.unparse(node)) is not None
        if isinstance(node, ast.Import) and not guarded:
            found.update(POSIX_MODULES & {alias.name for alias in node.names})
        if isinstance(node, ast.ImportFrom) and not guarded:
            found.update(POSIX_MODULES & {node.module or ""})
        if isinstance(node, ast.Attribute) and not guarded:
            owner = getattr(node.value, "id", "")
            found.update(POSIX_CALLS & {node.attr} if owner in {"os", "signal"} else ())
        for child in ast.iter_child_nodes(node):
            visit(child, guarded=guarded)

    visit(tree, guarded=False)
    return found


@pytest.mark.parametrize("name", NAMES)
def test_what_only_posix_has_is_guarded(name: str) -> None:
    """A module or call that Windows lacks stands where its absence is caught or asked for."""
    assert unguarded(tree_of(name)) == set()


@pytest.mark.parametrize("name", NAMES)
def test_paths_are_joined_by_their_library(name: str) -> None:
    """No stroke within a name that is joined to a path, none between parts of a path."""
    for node in nodes_of(name):
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Div):
            assert not any(re.search(r"[/\\]", text) for text in texts(node.right)), node.lineno
    for call, called in calls(name):
        if called in {"Path", "joinpath", "with_name"}:
            assert not any(re.search(r"[/\\]", text) for text in texts(call)), call.lineno
        assert "os.path." not in ast.unparse(call.func), call.lineno
        # A name that is kept in a record is the same on every system.
        said = called == "str" and "relative_to" in ast.unparse(call)
        assert not said, f"line {call.lineno}: as_posix"


@pytest.mark.parametrize("name", NAMES)
def test_texts_are_written_with_their_encoding_and_line_ends(name: str) -> None:
    """UTF-8 and one kind of line end, whatever the system writes by default."""
    for call, called in calls(name):
        given = {keyword.arg for keyword in call.keywords}
        if called == "write_text":
            assert given >= {"encoding", "newline"}, call.lineno
        if called == "open" and "os.open" not in ast.unparse(call.func):
            mode = next((text for text in texts(call) if re.fullmatch(r"[rwaxbt+]+", text)), "r")
            assert "b" in mode or "encoding" in given, call.lineno
            assert not re.search("[wax]", mode) or "b" in mode or "newline" in given, call.lineno


def test_processes_are_spawned() -> None:
    """The one way to start them that every system has; nowhere by the system's default."""
    starting = {
        name: [ast.unparse(call) for call, called in calls(name) if called in HOW]
        for name in NAMES
        if any(
            isinstance(node, ast.Import)
            and any(one.name == "multiprocessing" for one in node.names)
            for node in nodes_of(name)
        )
    }
    assert starting
    for found in starting.values():
        assert any("get_context('spawn')" in text for text in found)
        pools = [text for text in found if text.startswith("ProcessPoolExecutor")]
        assert pools
        assert all("mp_context=" in text for text in pools)


HOW = ("get_context", "ProcessPoolExecutor", "Pool", "Process")


@pytest.mark.parametrize("meter_id", [*DEVICES, "a/b", "a\\b", "a:b", "x.", "x ", "?", "\x07"])
def test_names_of_pages_are_names_everywhere(meter_id: str) -> None:
    """No device, no sign that Windows refuses, and no full stop or blank at the end."""
    name = file_name(meter_id)
    assert not FORBIDDEN.search(name)
    assert name.split(".", maxsplit=1)[0].upper() not in {one.upper() for one in DEVICES}
    assert len(name) < 100


def test_pages_of_ids_that_differ_in_letters_do_not_meet() -> None:
    """On disks that do not tell capital letters from small ones, as those of both systems."""
    ids = ["AM-01", "am-01", "Am-01", "aM-01"]
    assert len({file_name(one).casefold() for one in ids}) == len(ids)


@pytest.mark.parametrize(
    ("source", "seen"),
    [
        ("import fcntl", {"fcntl"}),
        ("import os\nos.getuid()", {"getuid"}),
        ("try:\n    import fcntl\nexcept ImportError:\n    fcntl = None", set()),
        ("import os\ndef f():\n    return hasattr(os, 'getuid') and os.getuid()", set()),
    ],
)
def test_what_is_looked_for_is_found(source: str, seen: set[str]) -> None:
    """Planted calls are seen, guarded ones passed."""
    check: Callable[[ast.Module], set[str]] = unguarded
    assert check(ast.parse(source)) == seen
